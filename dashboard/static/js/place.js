// Puts pieces of a page, drawn by the service, in the place of the ones with the same ids.
import { merge } from "./merge.js";
import { note, patch } from "./patch.js";

const SLICE_MS = 3;
// Many tiles come in one answer, behind all else: each is looked at by itself.
const TILE = '\n<a class="tile ';

/** Puts each element of an answer in place; what is alike stays untouched. @param {string} html */
export function place(html) {
  for (const piece of parsed(html)) put(piece);
}

/**
 * The parts of an answer: what stands before the first tile, then each tile.
 * @param {string} html @returns {string[]}
 */
export function partsOf(html) {
  const parts = [];
  let from = 0;
  while (from >= 0) {
    const to = html.indexOf(TILE, from);
    parts.push(html.slice(from, to < 0 ? html.length : to).trim());
    from = to < 0 ? to : to + 1;
  }
  return parts;
}

/** The id of a tile. @param {string} html */
export function idOf(html) {
  return / id="([^"]+)"/.exec(html)[1];
}

/** Puts the parts of an answer in place, in slices: between them the page answers whoever is using it. @param {string[]} parts */
export async function placeInSlices([rest, ...tiles]) {
  let began = performance.now();
  place(rest);
  for (const html of tiles) {
    if (performance.now() - began > SLICE_MS) {
      await new Promise((resolve) => setTimeout(resolve));
      began = performance.now();
    }
    const old = document.getElementById(idOf(html));
    if (!old || patch(old, html)) continue;
    // The tile itself stays: a new one in its place would lay out all others of its rack anew.
    const [tile] = parsed(html);
    for (const { name, value } of tile.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
    old.replaceChildren(...tile.childNodes);
    note(old, html);
  }
}

function parsed(html) {
  const pieces = document.createElement("template");
  pieces.innerHTML = html;
  return [...pieces.content.children];
}

function put(piece) {
  const old = document.getElementById(piece.id);
  if (!old || old.isEqualNode(piece)) return;
  // A piece that says its state stays while that is the same, and someone is at work in it.
  const isUsed = old.contains(document.activeElement) || old.querySelector("details[open]");
  if (isUsed && old.dataset.state && old.dataset.state === piece.dataset.state) return;
  if ("merge" in old.dataset) {
    merge(old, piece);
    return;
  }
  const held = old.contains(document.activeElement) ? document.activeElement : null;
  const address = held?.getAttribute("href");
  old.replaceWith(piece);
  if (held === old) piece.focus({ preventScroll: true });
  else if (address) piece.querySelector(`[href="${CSS.escape(address)}"]`)?.focus({ preventScroll: true });
}
