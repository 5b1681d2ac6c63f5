"""The fields of a form as a browser sends them when nobody touched it."""

from html.parser import HTMLParser


class _Form(HTMLParser):
    def __init__(self, action: str) -> None:
        super().__init__()
        self.fields: dict[str, str] = {}
        self._action, self._is_open = action, False
        self._select, self._area = "", ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        said = {name: value or "" for name, value in attrs}
        if tag == "form":
            self._is_open = said.get("action") == self._action
        name = said.get("name", "")
        if not self._is_open:
            return
        if tag == "input" and name and (said.get("type") != "checkbox" or "checked" in said):
            self.fields[name] = said.get("value", "")
        elif tag == "select":
            self._select = name
        elif tag == "option" and self._select:
            if "selected" in said or self._select not in self.fields:
                self.fields[self._select] = said.get("value", "")
        elif tag == "textarea":
            self._area = name
            self.fields[name] = ""

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._is_open = False
        elif tag == "select":
            self._select = ""
        elif tag == "textarea":
            self._area = ""

    def handle_data(self, data: str) -> None:
        if self._area:
            self.fields[self._area] += data


def fields_of_form(page: str, action: str) -> dict[str, str]:
    """Return the fields of the form with that action."""
    form = _Form(action)
    form.feed(page)
    return form.fields
