// The search field at the head of each page: "/" leads there, arrows choose, Enter goes.
const WAIT_MS = 120;

export function finder(input) {
  if (!input) return;
  const list = document.createElement("ul");
  list.id = "find-list";
  list.className = "find-list";
  list.setAttribute("role", "listbox");
  list.setAttribute("aria-label", "Found");
  list.hidden = true;
  input.after(list);
  for (const [name, value] of [["role", "combobox"], ["aria-controls", list.id], ["aria-expanded", "false"], ["aria-autocomplete", "list"]]) {
    input.setAttribute(name, value);
  }
  let found = [];
  let chosen = -1;
  let timer = 0;
  let turn = 0;

  function show(things) {
    found = things;
    chosen = -1;
    list.replaceChildren(...things.map((one, number) => item(one, number)));
    list.hidden = things.length === 0;
    input.setAttribute("aria-expanded", String(things.length > 0));
    input.removeAttribute("aria-activedescendant");
  }

  function item(one, number) {
    const line = document.createElement("li");
    line.id = `found-${number}`;
    line.setAttribute("role", "option");
    line.setAttribute("aria-selected", "false");
    const name = document.createElement("b");
    name.textContent = one.name;
    const about = document.createElement("span");
    about.textContent = `${one.kind} · ${one.about}`;
    line.append(name, about);
    // Before the field loses the focus, and with it the list.
    line.addEventListener("pointerdown", (event) => {
      event.preventDefault();
      location.assign(one.address);
    });
    return line;
  }

  function choose(number) {
    chosen = (number + found.length) % found.length;
    [...list.children].forEach((line, n) => line.setAttribute("aria-selected", String(n === chosen)));
    input.setAttribute("aria-activedescendant", `found-${chosen}`);
    list.children[chosen].scrollIntoView({ block: "nearest" });
  }

  async function ask() {
    const query = input.value.trim();
    const mine = ++turn;
    if (!query) return show([]);
    try {
      const answer = await fetch(`/api/v1/search?limit=8&q=${encodeURIComponent(query)}`, { cache: "no-store" });
      const said = await answer.json();
      if (mine === turn && answer.ok) show(said.found);
    } catch {
      show([]);
    }
  }

  input.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(ask, WAIT_MS);
  });
  input.addEventListener("blur", () => show([]));
  input.addEventListener("keydown", (event) => {
    if (event.key === "Escape") {
      if (list.hidden) input.blur();
      else show([]);
    } else if (found.length && (event.key === "ArrowDown" || event.key === "ArrowUp")) {
      event.preventDefault();
      choose(event.key === "ArrowDown" ? chosen + 1 : chosen < 0 ? found.length - 1 : chosen - 1);
    } else if (event.key === "Enter" && chosen >= 0) {
      event.preventDefault();
      location.assign(found[chosen].address);
    }
  });
  document.addEventListener("keydown", (event) => {
    const busy = event.target.closest?.("input, textarea, select, [contenteditable]");
    if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey || busy) return;
    event.preventDefault();
    input.focus();
    input.select();
  });
}
