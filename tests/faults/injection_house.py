"""A furnished room whose every text field is given hostile texts, the way a browser would send them."""

import re
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from html.parser import HTMLParser
from typing import Final
from urllib.parse import urljoin, urlsplit

import httpx

TAG, ATTRIBUTE = "hostile-tag", "hostile-attribute"
BREAKS: Final = f"<{TAG} {ATTRIBUTE}=1><script>window.ran=1</script><img src=x onerror=window.ran=1></{TAG}>"
MARKUP: Final = (
    f"{BREAKS}\" {ATTRIBUTE}=1 onfocus=window.ran=1 autofocus x=' {ATTRIBUTE}=1 onfocus=window.ran=1 autofocus x="
    f"--><!-- ]]></style></title></textarea>{BREAKS} {{{{ 7*191 }}}}{{% raw %}}${{7*191}}#{{7*191}} "
    "'; DROP TABLE reading; --"
)
"""Out of an element, of either kind of attribute, of a comment, a style, a template and a statement of a database."""
HOSTILE: Final = {
    "header": "North\r\nBcc: eve@elsewhere.test\r\nSet-Cookie: hostile=1\r\n\r\n<b>",
    "path": "../../../../etc/passwd:..\\..\\boot.ini",
    "nul": "before\x00after",
    "long": "Å" * 9_000,
    "script address": "javascript:window.ran=1//",
    "right to left": "\u202egnp.exe\u2066\u200f",
    "formula": "=cmd|' -C calc'!A0",
    "markup": MARKUP,
    "name": f"\"'><{TAG} {ATTRIBUTE}=1>{{{{7*191}}}}",
}
"""What fields are filled with; last what fits into a short name too, so that it is what stays in them."""
FORMULAS: Final = {
    "plus": "+1+cmd|' -C calc'!A0",
    "minus": "-2+3+cmd|' -C calc'!A0",
    "at": "@SUM(1+1)*cmd|' -C calc'!A0",
    "tab": "\t=1+1",
    "line feed": "\n=1+1",
    "wide": "＝1+1",
}
"""What else spreadsheets take for one."""
TRIED: Final = ("path", "nul", "markup")
"""Those that addresses and queries are tried with, and with a name the fields of the other forms, all at once."""
NOT_FILLED: Final = re.compile(
    r"/(sign-in|sign-out|first-owner|my-.*|degrees|invitation|people/(end|role|password|sign-out)"
    r"|.*/(remove|revoke|withdraw))"
)
"""Forms that would end the visit, and those without a text of their own."""
_TEXTS: Final = {"text", "search", "textarea", "hidden-text"}


@dataclass
class FormFound:
    """A form on a page: where it goes, what it would send as it stands, and which fields take text."""

    action: str
    method: str
    values: dict[str, str] = field(default_factory=dict)
    texts: list[str] = field(default_factory=list)


class PageRead(HTMLParser):
    """Reads a page: its links, its forms, and whatever in it is not ours."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.links: list[str] = []
        self.forms: list[FormFound] = []
        self.foreign: list[str] = []
        self.said: list[str] = []
        self._select, self._option = "", False
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.said.extend(given.values())
        if tag == TAG or ATTRIBUTE in given or any(name.startswith("on") for name in given):
            self.foreign.append(self.get_starttag_text() or tag)
        is_ours = given.get("type") == "application/json" or given.get("src", "").startswith("/static/")
        if tag == "script" and not is_ours:
            self.foreign.append(self.get_starttag_text() or tag)
        for name in ("href", "src", "action", "formaction"):
            address = urlsplit(given.get(name, "").strip())
            if address.scheme not in {"", "data"} or address.netloc:
                self.foreign.append(self.get_starttag_text() or tag)
        if tag == "a" and "href" in given:
            self.links.append(given["href"])
        elif tag == "form":
            self.forms.append(FormFound(given.get("action", ""), given.get("method", "get").lower()))
        elif self.forms and tag in {"input", "textarea", "select", "button"} and given.get("name"):
            self._field(tag, given)
        elif tag == "option" and self._select and self.forms:
            values = self.forms[-1].values
            if "selected" in given or not values.get(self._select):
                values[self._select] = given.get("value", "")
                self._option = "value" not in given

    def _field(self, tag: str, given: dict[str, str]) -> None:
        form, name, kind = self.forms[-1], given["name"], given.get("type", "text") if tag == "input" else tag
        self._select = name if tag == "select" else ""
        form.values.setdefault(name, given.get("value", ""))
        if kind in _TEXTS and "pattern" not in given and given.get("inputmode") not in {"numeric", "decimal"}:
            form.texts.append(name)
        elif kind == "number" and not form.values[name]:
            form.values[name] = "1"

    def handle_data(self, data: str) -> None:
        if self._option:  # An option without a value sends what it says.
            self.forms[-1].values[self._select], self._option = data.strip(), False
        self.said.append(data)


@dataclass
class Walker:
    """Goes through the pages by their links, some of each kind, and fills in the forms that it meets."""

    client: httpx.Client
    words: frozenset[str]
    each: int = 2
    pages: dict[str, httpx.Response] = field(default_factory=dict)
    forms: dict[str, FormFound] = field(default_factory=dict)
    wrong: list[tuple[str, str]] = field(default_factory=list)
    sent: int = 0

    def kind_of(self, address: str) -> str:
        """Return the address with what names a thing left out, so that pages of one kind are counted together."""
        return "/".join(piece if piece in self.words else "*" for piece in urlsplit(address).path.split("/"))

    def walk(self, *starts: str) -> None:
        """Read pages, each once and so many of a kind."""
        seen, counts, waiting = set(), Counter(), list(starts)
        while waiting:
            address = waiting.pop(0)
            kind = self.kind_of(address)
            if address in seen or counts[kind] >= self.each:
                continue
            seen.add(address)
            counts[kind] += 1
            answer = self.client.get(address)
            read = self.look_at(address, answer)
            self.pages[address] = answer
            if read is not None:
                waiting.extend(urljoin(address, link) for link in read.links if link.startswith(("/", "?")))
                for form in read.forms:
                    form.action = urljoin(address, form.action)
                    self.forms.setdefault(f"{form.method} {self.kind_of(form.action)}", form)

    def look_at(self, address: str, answer: httpx.Response) -> PageRead | None:
        """Note what is wrong with an answer: an error of ours, something foreign in a page or in a header.

        Returns the page, where it is one.
        """
        if answer.status_code >= httpx.codes.INTERNAL_SERVER_ERROR:
            self.wrong.append((address, str(answer.status_code)))
        if "hostile" in str(answer.headers.get("set-cookie", "")) or "bcc" in answer.headers:
            self.wrong.append((address, f"header {answer.headers}"))
        goes_to = urlsplit(answer.headers.get("location", "/"))
        if goes_to.scheme or goes_to.netloc or not goes_to.path.startswith("/"):
            self.wrong.append((address, f"leads to {answer.headers['location']}"))
        if "text/html" not in answer.headers.get("content-type", ""):
            return None
        if "1337" in answer.text:
            self.wrong.append((address, "a template was run"))
        read = PageRead(answer.text)
        self.wrong.extend((address, foreign) for foreign in read.foreign)
        return read

    def fill(self, wholly: Collection[str]) -> Iterator[tuple[str, str, int]]:
        """Send every form that was met with hostile texts, some wholly: every text in each field by itself."""
        for kind, form in self.forms.items():
            if not form.texts or NOT_FILLED.fullmatch(urlsplit(form.action).path):
                continue
            # One field at a time, so that none is refused for what stands in another; of long forms all at once.
            rounds = [(field,) for field in form.texts] if kind in wholly else [tuple(form.texts)]
            plain = dict.fromkeys((name for name in form.texts if not form.values[name]), "Plain words")
            for fields in rounds:
                for name in HOSTILE if kind in wholly else (*TRIED, "name"):
                    text = HOSTILE[name]
                    sent = form.values | plain | dict.fromkeys(fields, text)
                    if form.method == "get":
                        answer = self.client.get(form.action, params=sent)
                    else:
                        answer = self.client.post(form.action, data=sent)
                    self.look_at(f"{kind} {fields} {name}", answer)
                    yield kind, name, answer.status_code
