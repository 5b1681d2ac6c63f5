import { merge } from "./merge.js";

// Fetches the pieces of a page that changed, drawn by the service, and puts them in place; at most once a second.
const LEAST_MS = 1_000;
const SLICE_MS = 3;
// A connection may hang without ever closing: the answer is then asked for again.
const PATIENCE_MS = 15_000;
// Many tiles come in one answer: each is read by itself.
const TILES = /\n(?=<a class="tile )/;

/**
 * @param {(keys: string[] | null) => string} address of the pieces for these enclosures, null for all
 * @param {(whole: boolean) => void} after called when pieces were put in place; whole when all were asked for
 */
export function refresher(address, after = () => {}) {
  let wanted = new Set();
  let all = false;
  let busy = false;
  let timer = 0;
  let last = 0;
  let given = null;

  function plan() {
    if (timer || busy || (!all && wanted.size === 0)) return;
    timer = setTimeout(fetchNow, Math.max(0, last + LEAST_MS - Date.now()));
  }

  async function fetchNow() {
    timer = 0;
    busy = true;
    last = Date.now();
    const keys = all ? null : [...wanted];
    [wanted, all] = [new Set(), false];
    const turn = (given = new AbortController());
    const patience = setTimeout(() => turn.abort(), PATIENCE_MS);
    try {
      const answer = await fetch(address(keys), { cache: "no-store", signal: turn.signal });
      if (answer.status === 401) location.assign(`/sign-in?to=${encodeURIComponent(location.pathname)}`);
      if (!answer.ok) throw new Error(`${answer.status}`);
      const text = await answer.text();
      if (keys === null && othersStand(text)) location.reload();
      await placeInSlices(text);
      turn.signal.throwIfAborted();
      after(keys === null);
    } catch {
      // Asked for again: a piece that was not fetched would stay old while the stream lives.
      if (keys === null) all = true;
      else keys.forEach((key) => wanted.add(key));
    } finally {
      clearTimeout(patience);
      busy = false;
      plan();
    }
  }

  return {
    touch(keys) {
      for (const key of keys) wanted.add(key);
      plan();
    },
    everything() {
      all = true;
      plan();
    },
    /** Everything, and what is under way is given up: it may have been asked for long ago. */
    anew() {
      all = true;
      given?.abort();
      plan();
    },
  };
}

// Whether enclosures came or went since the page was built: only a whole page places them. Nobody's writing is lost.
function othersStand(html) {
  const shown = [...document.querySelectorAll(".tile")].map((tile) => tile.id);
  if (document.activeElement?.matches("input, textarea, select")) return false;
  const now = new Set([...html.matchAll(/<a class="tile [^>]*? id="([^"]+)"/g)].map((found) => found[1]));
  return now.size !== shown.length || shown.some((id) => !now.has(id));
}

// Puts each element of the answer in the place of the one with the same id; what is alike stays untouched.
export function place(html) {
  for (const piece of parsed(html)) put(piece);
}

/**
 * The same, in slices: between them the page answers whoever is using it.
 * @returns {Promise<number>} the longest time that it was held up [ms]
 */
export async function placeInSlices(html) {
  let began = performance.now();
  let longest = 0;
  for (const part of html.split(TILES)) {
    for (const piece of parsed(part)) put(piece);
    const held = performance.now() - began;
    longest = Math.max(longest, held);
    if (held > SLICE_MS) {
      await new Promise((resolve) => setTimeout(resolve));
      began = performance.now();
    }
  }
  return longest;
}

function parsed(html) {
  const pieces = document.createElement("template");
  pieces.innerHTML = html;
  return [...pieces.content.children];
}

function put(piece) {
  const old = document.getElementById(piece.id);
  // A piece that says its state stays while that is the same: someone may be writing in it.
  const stays = old?.dataset.state && old.dataset.state === piece.dataset.state;
  if (!old || stays || old.isEqualNode(piece)) return;
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
