// Brings a list up to date item by item: what someone is writing in, or has the focus in, stays where it is.

/** @param {Element} old list in the page @param {Element} fresh the same list as it is now */
export function merge(old, fresh) {
  const wanted = [...fresh.children];
  const keep = new Set(wanted.map((item) => item.id));
  const leaving = [...old.children].filter((item) => !keep.has(item.id));
  const held = document.activeElement;
  const lost = leaving.find((item) => item.contains(held));
  const next = lost && (lost.nextElementSibling ?? lost.previousElementSibling);
  for (const item of leaving) item.remove();
  wanted.forEach((item, place) => {
    const there = old.querySelector(`:scope > #${CSS.escape(item.id)}`);
    const now = there ? renew(there, item) : item;
    // To move an item takes its focus away: only one that stands elsewhere is moved.
    if (old.children[place] !== now) old.insertBefore(now, old.children[place] ?? null);
  });
  if (lost && next?.isConnected) next.focus({ preventScroll: true });
}

function renew(there, item) {
  if (there.dataset.state !== item.dataset.state) {
    const held = there.contains(document.activeElement);
    there.replaceWith(item);
    if (held) item.focus({ preventScroll: true });
    return item;
  }
  const [before, now] = [there, item].map((one) => one.querySelector("[data-fresh]"));
  if (before && now && before.outerHTML !== now.outerHTML && !before.contains(document.activeElement)) {
    before.replaceWith(now);
  }
  return there;
}
