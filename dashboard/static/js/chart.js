// Charts drawn by plotly.js from figures that the service builds for the view: a zoom asks for a finer one.
import { cursorOf } from "./cursor.js";
import { thumbOf } from "./thumb.js";

const REFETCH_MS = 350;
const SHORTEST_MS = 120_000;
const PAPER_PX = 690; // what the margins leave of A4 or Letter upright

function loadPlotly(address) {
  return new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.src = address;
    script.addEventListener("load", () => resolve(globalThis.Plotly));
    script.addEventListener("error", () => reject(new Error("The drawing program could not be loaded.")));
    document.head.append(script);
  });
}

const theme = () => {
  const chosen = document.documentElement.dataset.theme;
  return chosen ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light");
};

/**
 * @param {HTMLElement} element where it is drawn
 * @param {(text: string) => void} say tells a person how it goes
 * @param {(from: number, to: number) => void} shown called with each new view
 */
export function chart(element, say, shown) {
  const plotly = loadPlotly(element.dataset.plotly);
  let view = null;
  let asked = 0;
  let timer = 0;
  let own = false;
  let under = null;
  const cursor = cursorOf(element);
  thumbOf(element);

  async function draw() {
    const turn = ++asked;
    clearTimeout(timer);
    // Whoever moves on leaves a view behind: the service need not draw it.
    under?.abort();
    under = new AbortController();
    const query = view ? `from=${view[0]}&to=${view[1]}&` : "";
    try {
      const [Plotly, answer] = await Promise.all([
        plotly,
        fetch(`/enclosures/${encodeURIComponent(element.dataset.key)}/figure?${query}theme=${theme()}&width=${Math.max(100, element.clientWidth)}`, { cache: "no-store", signal: under.signal }),
      ]);
      const figure = await answer.json();
      if (!answer.ok) throw new Error(figure.detail ?? "The service could not draw this.");
      if (turn !== asked) return;
      own = true;
      // On paper a dark drawing is turned light (print.css).
      element.dataset.drawn = theme();
      element.style.minHeight = `${figure.layout.height}px`;
      cursor.hide();
      await Plotly.react(element, figure.data, figure.layout, {
        displaylogo: false,
        responsive: true,
        scrollZoom: false,
        modeBarButtonsToRemove: ["select2d", "lasso2d", "autoScale2d", "toImage"],
      });
      own = false;
      listen();
      const range = figure.layout.xaxis.range;
      say(figure.data.length ? "" : "Nothing is known of this span.");
      shown(Math.round(range[0]), Math.round(range[1]));
    } catch (error) {
      own = false;
      if (turn === asked) say(`${error.message} The table below has the same data.`);
    }
  }

  let listening = false;
  function listen() {
    if (listening) return;
    listening = true;
    element.on("plotly_relayout", (change) => {
      if (own) return;
      const axis = Object.keys(change).find((name) => /^xaxis\d*\.(range|autorange)/.test(name));
      if (!axis) return;
      const name = axis.split(".")[0];
      if (change[`${name}.autorange`]) view = null;
      else {
        const range = change[`${name}.range`] ?? [change[`${name}.range[0]`], change[`${name}.range[1]`]];
        view = range.map((edge) => Math.round(edge));
        if (view[1] - view[0] < SHORTEST_MS) view[1] = view[0] + SHORTEST_MS;
      }
      // A pointer that was let go has chosen: the finer figure is asked for at once.
      draw();
    });
  }

  function later() {
    clearTimeout(timer);
    timer = setTimeout(draw, REFETCH_MS);
  }

  // The view moves at once, with what is drawn already; the finer figure follows when it stays.
  async function move(share, factor) {
    const drawn = element.layout?.xaxis?.range;
    if (!drawn) return;
    const [from, to] = view ?? drawn;
    const [middle, half] = [(from + to) / 2 + share * (to - from), Math.max(SHORTEST_MS, (to - from) * factor) / 2];
    view = [Math.max(0, Math.round(middle - half)), Math.round(middle + half)];
    later();
    own = true;
    await globalThis.Plotly.relayout(element, { "xaxis.range": [...view] });
    own = false;
  }

  // Paper is narrower than most screens, and no browser tells a drawing of it.
  const fit = (size) => element.layout && globalThis.Plotly.relayout(element, size);
  window.addEventListener("beforeprint", () => fit({ width: PAPER_PX, autosize: false }));
  window.addEventListener("afterprint", () => fit({ width: null, autosize: true }));
  document.addEventListener("themechange", draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  return {
    show(from, to) {
      view = from === null ? null : [from, to];
      return draw();
    },
    redraw: draw,
    /** @param {number} share of the view to move by, later than now for more than 0 @param {number} factor of its length */
    move,
    /** Hands what is shown to the person as a PNG. @param {string} name of the file, without its ending */
    async picture(name) {
      const Plotly = await plotly;
      await Plotly.downloadImage(element, { format: "png", filename: name, width: element.clientWidth, height: element.clientHeight, scale: 2 });
    },
    view: () => view,
  };
}
