// Covers a picture that is no longer live: an old picture must never look like a live one.
export function coverOf(element, clock) {
  const title = element.querySelector(".cover-title");
  const reason = element.querySelector(".cover-why");
  const set = (node, text) => {
    if (node.textContent !== text) node.textContent = text;
  };
  return {
    show(sinceLocalMs, why) {
      set(title, `Not live since ${clock.timeOfLocal(sinceLocalMs)}`);
      set(reason, why);
      element.hidden = false;
      document.body.classList.add("is-covered");
    },
    hide() {
      element.hidden = true;
      document.body.classList.remove("is-covered");
    },
  };
}
