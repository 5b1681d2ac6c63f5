// A finger on a chart: up and down it scrolls the page, as everywhere else; across it marks the span that is drawn closer.

/** @param {HTMLElement} element of a chart, whose drawing program takes every touch for a mark and would hold the page */
export function thumbOf(element) {
  let first = null;

  element.addEventListener(
    "touchstart",
    (event) => {
      if (!event.isTrusted) return;
      event.stopPropagation();
      first = event.touches.length === 1 ? event.touches[0] : null;
    },
    { capture: true, passive: true },
  );

  // The first move says what the finger wants. Only what goes across is handed to the chart.
  element.addEventListener(
    "touchmove",
    (event) => {
      const began = first;
      if (!began) return;
      first = null;
      const now = event.touches[0];
      const isAcross = Math.abs(now.clientX - began.clientX) > Math.abs(now.clientY - began.clientY);
      if (!isAcross || !event.cancelable) return;
      const touch = { touches: [began], targetTouches: [began], changedTouches: [began] };
      began.target.dispatchEvent(new TouchEvent("touchstart", { ...touch, bubbles: true, cancelable: true }));
    },
    { capture: true, passive: true },
  );
}
