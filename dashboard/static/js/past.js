// The pieces of the Enclosure page that look back: fetched one after the other once the page is drawn, and again now
// and then, since days end and mistings run. Each is a page of its own too, and the link to it stays where it fails.
const AGAIN_MS = 300_000;
const PATIENCE_MS = 30_000;

const pieces = [...document.querySelectorAll("[data-piece]")].map((element) => ({
  id: element.id,
  address: element.dataset.piece,
}));

async function fetchPiece({ id, address }) {
  const answer = await fetch(address, { cache: "no-store", signal: AbortSignal.timeout(PATIENCE_MS) });
  if (!answer.ok) throw new Error(`${answer.status}`);
  const whole = new DOMParser().parseFromString(await answer.text(), "text/html");
  const piece = whole.getElementById(id);
  if (!piece) throw new Error("no such piece");
  put(document.getElementById(id), document.adoptNode(piece));
}

// What is alike stays; what someone opened stays open, and the focus stays on the same link.
function put(old, piece) {
  if (old.dataset.drawn === piece.outerHTML) return;
  piece.dataset.drawn = piece.outerHTML;
  for (const opened of old.querySelectorAll("details[open]")) {
    const twin = piece.querySelector(`#${CSS.escape(opened.id)}`);
    if (twin) twin.open = true;
  }
  const held = old.contains(document.activeElement) ? document.activeElement : null;
  const address = held?.getAttribute("href");
  old.replaceWith(piece);
  if (address) piece.querySelector(`[href="${CSS.escape(address)}"]`)?.focus({ preventScroll: true });
}

function tellFailure({ id, address }) {
  const piece = document.getElementById(id);
  const line = document.createElement("p");
  line.className = "piece-failed facts";
  line.append("This could not be brought up to date. ");
  const link = document.createElement("a");
  link.href = address;
  link.textContent = "Open it by itself";
  line.append(link, ", or wait: it is asked for again.");
  piece.querySelector(".piece-failed")?.remove();
  piece.append(line);
}

let busy = false;
async function fetchAll() {
  if (busy) return;
  busy = true;
  // One after the other: the days that the first works out are there for the rest.
  for (const piece of pieces) {
    try {
      await fetchPiece(piece);
    } catch {
      tellFailure(piece);
    }
  }
  busy = false;
  document.getElementById("past").dataset.filled = "yes";
}

if (document.readyState === "complete") fetchAll();
else addEventListener("load", fetchAll);
setInterval(fetchAll, AGAIN_MS);
