// The profile editor: the day is drawn anew while someone writes.
import "./page.js";
import { place } from "./place.js";

const WAIT_MS = 250;
const form = document.getElementById("profile-form");
let timer = 0;
let turn = 0;

async function draw() {
  const mine = ++turn;
  try {
    const answer = await fetch("/fragments/profile-day", {
      method: "POST",
      headers: { "Content-Type": "application/x-www-form-urlencoded" },
      body: new URLSearchParams(new FormData(form)),
      cache: "no-store",
    });
    if (answer.ok && mine === turn) place(await answer.text());
  } catch {
    // The picture stays as it is; what is sent is checked by the service in any case.
  }
}

form.addEventListener("input", () => {
  clearTimeout(timer);
  timer = setTimeout(draw, WAIT_MS);
});
