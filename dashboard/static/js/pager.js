// Shows many racks a page at a time, turning by itself on a wall; a person can turn it, or hold it.
const TURN_MS = 20_000;
const WALL = matchMedia("(min-width: 1100px)");

export function pager(wall, turn, hold) {
  const pages = [...wall.querySelectorAll(".wall-page")];
  if (pages.length < 2) return;
  const buttons = [...turn.querySelectorAll("[data-page]")];
  let shown = 0;
  let held = matchMedia("(prefers-reduced-motion: reduce)").matches;

  function show(number) {
    shown = number;
    pages.forEach((page, i) => {
      page.hidden = WALL.matches && i !== shown;
    });
    buttons.forEach((button, i) => button.setAttribute("aria-current", String(i === shown)));
  }

  function setHeld(value) {
    held = value;
    hold.setAttribute("aria-pressed", String(held));
  }

  buttons.forEach((button, i) =>
    button.addEventListener("click", () => {
      setHeld(true);
      show(i);
    }),
  );
  hold.addEventListener("click", () => setHeld(!held));
  WALL.addEventListener("change", () => {
    turn.hidden = !WALL.matches;
    show(shown);
  });
  setInterval(() => {
    // Nobody should lose what they are reading or reaching with the keyboard.
    if (!held && WALL.matches && !wall.contains(document.activeElement)) show((shown + 1) % pages.length);
  }, TURN_MS);
  turn.hidden = !WALL.matches;
  setHeld(held);
  show(0);
}
