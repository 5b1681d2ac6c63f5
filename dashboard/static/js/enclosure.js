// The Enclosure page.
import { answering } from "./answering.js";
import { chart } from "./chart.js";
import { instantOf } from "./clock.js";
import { livePage } from "./live-page.js";

const HOUR_MS = 3_600_000;
const REDRAW_MS = 60_000;
const element = document.getElementById("chart");
const key = element.dataset.key;
const said = document.getElementById("chart-said");
const twin = document.getElementById("twin");
const buttons = [...document.querySelectorAll("[data-span]")];
const [from, to] = [document.getElementById("from"), document.getElementById("to")];
let span = Number(buttons[0].dataset.span);
let shown = null;
let followed = null;

const drawing = chart(element, (text) => (said.textContent = text), (start, end) => {
  shown = [start, end];
  document.getElementById("csv").href = `/enclosures/${encodeURIComponent(key)}/readings.csv?from=${start}&to=${end}`;
  if (twin.open) fillTable();
});

const page = livePage({
  address: () => `/fragments/enclosures/${encodeURIComponent(key)}`,
  concerns: (name) => name === key,
  rejoined: () => showSpan(),
});

answering(() => page.pieces.everything());

function showSpan() {
  if (span === null) return drawing.redraw();
  const end = page.now() + (span <= 24 * HOUR_MS ? HOUR_MS : 0);
  followed = [Math.round(end - span), Math.round(end)];
  return drawing.show(...followed);
}

function press(button) {
  for (const other of buttons) other.setAttribute("aria-pressed", String(other === button));
}

for (const button of buttons) {
  button.addEventListener("click", () => {
    span = Number(button.dataset.span);
    press(button);
    showSpan();
  });
}
for (const button of document.querySelectorAll("[data-move], [data-closer]")) {
  button.addEventListener("click", () => {
    span = null;
    press(null);
    drawing.move(Number(button.dataset.move ?? 0), Number(button.dataset.closer ?? 1));
  });
}
document.getElementById("show").addEventListener("click", () => {
  // The fields, as all else here, are in the site's time, wherever the viewer is.
  const [start, end] = [from.value, to.value].map((text) => instantOf(text, document.body.dataset.zone));
  if (!(start < end)) {
    said.textContent = "Choose a start and a later end.";
    return;
  }
  span = null;
  press(null);
  drawing.show(start, end);
});

document.getElementById("picture").addEventListener("click", async () => {
  try {
    await drawing.picture(`${key}-${new Date(shown?.[1] ?? Date.now()).toISOString().slice(0, 10)}`);
  } catch {
    said.textContent = "The picture could not be made. The table and the CSV below have the same data.";
  }
});

async function fillTable() {
  const box = document.getElementById("table");
  const query = shown ? `?from=${shown[0]}&to=${shown[1]}` : "";
  try {
    const answer = await fetch(`/enclosures/${encodeURIComponent(key)}/table${query}`, { cache: "no-store" });
    const whole = new DOMParser().parseFromString(await answer.text(), "text/html");
    box.replaceWith(whole.getElementById("table"));
  } catch {
    box.textContent = "The table could not be fetched. Close it and open it again.";
  }
}
twin.addEventListener("toggle", () => twin.open && fillTable());

showSpan();
setInterval(() => {
  // A view that someone chose stays as it is; one that follows the present moves on.
  if (span !== null && drawing.view()?.every((edge, at) => edge === followed[at])) showSpan();
}, REDRAW_MS);
