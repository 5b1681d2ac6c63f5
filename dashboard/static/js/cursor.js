// One line through all panels at the time under the pointer or the finger, and what every line said then.

/** @param {HTMLElement} element of the chart, beside whose line and list stand `#cursor-line` and `#cursor` */
export function cursorOf(element) {
  const line = document.getElementById("cursor-line");
  const list = document.getElementById("cursor");
  const time = new Intl.DateTimeFormat("en-GB", {
    weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: document.body.dataset.zone, timeZoneName: "short",
  });

  function show(event) {
    const areas = [...element.querySelectorAll(".nsewdrag")].map((area) => area.getBoundingClientRect());
    const range = element.layout?.xaxis?.range;
    if (areas.length === 0 || !range) return;
    const { left, width } = areas[0];
    const share = (event.clientX - left) / width;
    if (share < 0 || share > 1) return hide();
    const at = range[0] + share * (range[1] - range[0]);
    const box = element.getBoundingClientRect();
    const top = Math.min(...areas.map((area) => area.top));
    line.style.left = `${event.clientX - box.left}px`;
    line.style.top = `${top - box.top}px`;
    line.style.height = `${Math.max(...areas.map((area) => area.bottom)) - top}px`;
    line.hidden = false;
    list.textContent = [time.format(at), ...element._fullData.filter(isLine).map((one) => `${one.name} ${saidAt(one, at)}`)].join(" · ");
  }

  function hide() {
    line.hidden = true;
    list.textContent = "";
  }

  element.addEventListener("pointermove", show);
  element.addEventListener("pointerdown", show);
  element.addEventListener("pointerleave", (event) => event.pointerType === "mouse" && hide());
  return { hide };
}

const isLine = (trace) => trace.mode === "lines" && trace.meta?.unit !== undefined && trace.visible === true;

// The nearer of the points beside an instant; nothing is said within a gap, or beyond the ends.
function saidAt({ x, y, meta }, at) {
  let [low, high] = [0, x.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (x[middle] < at) low = middle + 1;
    else high = middle;
  }
  const nearest = low === 0 ? 0 : low === x.length ? -1 : at - x[low - 1] <= x[low] - at ? low - 1 : low;
  const known = [low - 1, low].every((place) => Number.isFinite(y[place]));
  return known && nearest >= 0 ? `${y[nearest].toFixed(meta.decimals)} ${meta.unit}` : "no data";
}
