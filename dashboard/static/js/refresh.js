import { merge } from "./merge.js";

// Fetches the pieces of a page that changed, drawn by the service, and puts them in place; at most once a second.
const LEAST_MS = 1_000;

/**
 * @param {(keys: string[] | null) => string} address of the pieces for these enclosures, null for all
 * @param {() => void} after called when pieces were put in place
 */
export function refresher(address, after = () => {}) {
  let wanted = new Set();
  let all = false;
  let busy = false;
  let timer = 0;
  let last = 0;

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
    try {
      const answer = await fetch(address(keys), { cache: "no-store" });
      if (answer.status === 401) location.assign(`/sign-in?to=${encodeURIComponent(location.pathname)}`);
      if (!answer.ok) throw new Error(`${answer.status}`);
      place(await answer.text());
      after();
    } catch {
      // Asked for again: a piece that was not fetched would stay old while the stream lives.
      if (keys === null) all = true;
      else keys.forEach((key) => wanted.add(key));
    } finally {
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
  };
}

// Puts each element of the answer in the place of the one with the same id; what is alike stays untouched.
export function place(html) {
  const pieces = document.createElement("template");
  pieces.innerHTML = html;
  for (const piece of [...pieces.content.children]) {
    const old = document.getElementById(piece.id);
    // A piece that says its state stays while that is the same: someone may be writing in it.
    const stays = old?.dataset.state && old.dataset.state === piece.dataset.state;
    if (!old || stays || old.isEqualNode(piece)) continue;
    if ("merge" in old.dataset) {
      merge(old, piece);
      continue;
    }
    const held = old.contains(document.activeElement) ? document.activeElement : null;
    const address = held?.getAttribute("href");
    old.replaceWith(piece);
    if (held === old) piece.focus({ preventScroll: true });
    else if (address) piece.querySelector(`[href="${CSS.escape(address)}"]`)?.focus({ preventScroll: true });
  }
}
