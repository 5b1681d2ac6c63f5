// One line through all panels at the time under the pointer or the finger, and what every line said then.
// It asks the drawing for nothing but what was handed over to it: its `data` and its `layout`.

/** @param {HTMLElement} element of the chart, beside whose line and list stand `#cursor-line` and `#cursor` */
export function cursorOf(element) {
  const line = document.getElementById("cursor-line");
  const list = document.getElementById("cursor");
  const time = new Intl.DateTimeFormat("en-GB", {
    weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit", timeZone: document.body.dataset.zone, timeZoneName: "short",
  });

  function show(event) {
    const { layout, data } = element;
    const range = layout?.xaxis?.range;
    if (!range || !data) return;
    const box = element.getBoundingClientRect();
    const { l: left, r: right, t: top, b: bottom } = layout.margin;
    const share = (event.clientX - box.left - left) / (box.width - left - right);
    if (share < 0 || share > 1) return hide();
    const at = Number(range[0]) + share * (range[1] - range[0]);
    line.style.left = `${event.clientX - box.left}px`;
    line.style.top = `${top}px`;
    line.style.height = `${layout.height - top - bottom}px`;
    line.hidden = false;
    list.textContent = [time.format(at), ...data.filter(isLine).map((one) => `${one.name} ${saidAt(one, at)}`)].join(" · ");
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

// A line that was taken away by its name in the legend is `visible: "legendonly"`; one that stands need not say so.
const isLine = (trace) => trace.mode === "lines" && trace.meta?.unit !== undefined && (trace.visible ?? true) === true;

const ARRAYS = { f8: Float64Array, f4: Float32Array, i4: Int32Array, u4: Uint32Array, i2: Int16Array, u2: Uint16Array, i1: Int8Array, u1: Uint8Array };
const unpacked = new WeakMap();

// Numbers come as a list, or packed: their type, and their bytes in base64.
function numbersOf(values) {
  if (values?.bdata === undefined) return values ?? [];
  if (!unpacked.has(values)) {
    const bytes = Uint8Array.from(atob(values.bdata), (letter) => letter.charCodeAt(0));
    unpacked.set(values, new ARRAYS[values.dtype](bytes.buffer));
  }
  return unpacked.get(values);
}

// The nearer of the points beside an instant; nothing is said within a gap, or beyond the ends.
function saidAt(trace, at) {
  const [x, y] = [numbersOf(trace.x), numbersOf(trace.y)];
  let [low, high] = [0, x.length];
  while (low < high) {
    const middle = (low + high) >> 1;
    if (x[middle] < at) low = middle + 1;
    else high = middle;
  }
  const nearest = low === 0 ? 0 : low === x.length ? -1 : at - x[low - 1] <= x[low] - at ? low - 1 : low;
  const known = [low - 1, low].every((place) => Number.isFinite(y[place]));
  return known && nearest >= 0 ? `${y[nearest].toFixed(trace.meta.decimals)} ${trace.meta.unit}` : "no data";
}
