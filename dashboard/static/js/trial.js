// The page of a trial looks again by itself until the trial is over.
import "./page.js";
import { place } from "./place.js";

const AGAIN_MS = 1_000;

async function look() {
  const box = document.getElementById("trial");
  if (box.dataset.over === "yes") return;
  try {
    const answer = await fetch(location.pathname, { cache: "no-store" });
    const whole = new DOMParser().parseFromString(await answer.text(), "text/html");
    place(whole.getElementById("trial").outerHTML);
  } catch {
    // Asked for again.
  }
  setTimeout(look, AGAIN_MS);
}

setTimeout(look, AGAIN_MS);
