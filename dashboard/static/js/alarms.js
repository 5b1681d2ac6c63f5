// The Alarms page: live, and worked by keyboard while a card has the focus.
import { answering } from "./answering.js";
import { livePage } from "./live-page.js";

const cards = document.getElementById("cards");
const { pieces } = livePage({
  address: () => `/fragments/alarms${location.search}`,
  concerns: () => true,
  follows: ["alarm"],
});
answering(() => pieces.everything());

// Single letters act on the card that has the focus, and nowhere else: they never meet someone's typing.
const keys = {
  ArrowDown: (card) => focusOn(card.nextElementSibling),
  ArrowUp: (card) => focusOn(card.previousElementSibling),
  a: (card) => card.querySelector('[data-verb="acknowledge"]')?.click(),
  n: (card) => card.querySelector('[name="note"]')?.focus(),
  s: (card) => card.querySelector('[name="minutes"]')?.focus(),
};

function focusOn(card) {
  if (!card) return;
  card.focus({ preventScroll: true });
  card.scrollIntoView({ block: "nearest" });
}

cards.addEventListener("keydown", (event) => {
  const card = event.target.closest("#cards > li");
  if (!card || event.ctrlKey || event.altKey || event.metaKey) return;
  if (event.key === "Escape" && event.target !== card) {
    card.focus();
    return;
  }
  const act = event.target === card && keys[event.key.length === 1 ? event.key.toLowerCase() : event.key];
  if (!act) return;
  event.preventDefault();
  act(card);
});
