// A reference check: how the point stands is asked for again and again, and the record is printed.
import "./page.js";
import { place } from "./place.js";

const AGAIN_MS = 10_000;
const PATIENCE_MS = 8_000;
const address = document.getElementById("settle")?.dataset.again;

// Only the panel is renewed: what someone writes in the fields stays.
async function renew() {
  try {
    const answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
    if (answer.ok) place(await answer.text());
  } catch {
    // The panel says as of when it is; it is asked for again.
  }
}
if (address && document.querySelector("#stand .stand-word")) setInterval(renew, AGAIN_MS);

const print = document.getElementById("print");
if (print) {
  print.hidden = false;
  print.addEventListener("click", () => window.print());
}
