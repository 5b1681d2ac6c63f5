// The Room page on a wall: it follows the room for months, keeps its screen awake, and is built anew once a day.
import { livePage } from "./live-page.js";
import { pager } from "./pager.js";

const DAY_MS = 86_400_000;
const LOOK_MS = 60_000;

const { stream } = livePage({
  address: (keys) => (keys ? `/fragments/wall?enclosures=${keys.map(encodeURIComponent).join(",")}` : "/fragments/wall"),
  concerns: (key) => document.getElementById(`tile-${key}`) !== null,
  after: showCalls,
});
const wall = document.getElementById("wall");
if (wall) pager(wall, document.getElementById("turn"), document.getElementById("hold"));

// What calls stands above the racks while nobody has acknowledged it; a wall has no key that folds it away.
function showCalls() {
  const calls = document.getElementById("calls")?.dataset.state ?? "";
  document.getElementById("banner")?.toggleAttribute("open", calls !== "");
}

async function stayAwake() {
  try {
    if (document.visibilityState === "visible") await navigator.wakeLock?.request("screen");
  } catch {
    // The computer may forbid it; its own settings then keep the screen on.
  }
}
stayAwake();
document.addEventListener("visibilitychange", stayAwake);

// A new version of the service, and whatever a browser gathers in months, ends with a fresh page; only while it is live.
const begun = Date.now();
setInterval(() => {
  if (Date.now() - begun > DAY_MS && !stream.isLost()) location.reload();
}, LOOK_MS);
