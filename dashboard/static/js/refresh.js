import { idOf, partsOf, placeInSlices } from "./place.js";

// Fetches the pieces of a page that changed, drawn by the service, and puts them in place; at most once a second.
const LEAST_MS = 1_000;
// A connection may hang without ever closing: the answer is then asked for again.
const PATIENCE_MS = 15_000;

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
      // Whoever may look no more is led to the page that says so, with nothing of the room on it.
      if (answer.status === 401) location.reload();
      if (!answer.ok) throw new Error(`${answer.status}`);
      const parts = partsOf(await answer.text());
      if (keys === null && othersStand(parts.slice(1).map(idOf))) location.reload();
      await placeInSlices(parts);
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
function othersStand(ids) {
  const shown = document.getElementsByClassName("tile");
  if (document.activeElement?.matches("input, textarea, select")) return false;
  return ids.length !== shown.length || ids.some((id) => !document.getElementById(id));
}
