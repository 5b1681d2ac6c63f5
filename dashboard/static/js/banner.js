// High alarms that nobody has acknowledged, over the whole screen. It can be folded away; the next one opens it again.

/** @param {HTMLElement | null} banner @param {(calls: number) => void} changed told how many call */
export function bannerOf(banner, changed) {
  if (!banner) return { look: () => changed(0) };
  const called = document.getElementById("called");
  const fold = document.getElementById("fold");
  // What it covers cannot be reached meanwhile; what is said aloud beside it can be heard.
  const covered = [document.getElementById("behind"), ...document.querySelectorAll("body > header, body > footer")];
  let folded = new Set();
  let before = [];
  let held = null;

  // Without scripts it stands open above the room; from here on it covers it, and can be folded.
  banner.open = false;
  fold.hidden = false;
  fold.addEventListener("click", close);
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && banner.open) close();
  });

  function idsNow() {
    return (document.getElementById("calls")?.dataset.state ?? "").split(",").filter(Boolean);
  }

  function close() {
    folded = new Set(idsNow());
    cover(false);
    held?.focus({ preventScroll: true });
  }

  function cover(on) {
    for (const part of covered) part.inert = on;
    document.body.classList.toggle("is-called", on);
    // Its own ways of opening would put the focus on a key.
    banner.open = on;
  }

  function look() {
    const ids = idsNow();
    if (ids.some((id) => !before.includes(id))) called.textContent = document.getElementById("calls").dataset.said;
    before = ids;
    if (ids.length === 0 && banner.open) close();
    if (!banner.open && ids.some((id) => !folded.has(id))) {
      held = covered.some((part) => part?.contains(document.activeElement)) ? document.activeElement : null;
      cover(true);
      // Who was elsewhere is led to the heading: a key that someone is typing must not acknowledge anything.
      if (held) document.getElementById("banner-title").focus({ preventScroll: true });
    }
    changed(ids.length);
  }
  return { look };
}
