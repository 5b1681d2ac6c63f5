// Charts drawn by plotly.js from figures that the service builds for the view: a zoom asks for a finer one.
const REFETCH_MS = 350;

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

  async function draw() {
    const turn = ++asked;
    const query = view ? `from=${view[0]}&to=${view[1]}&` : "";
    try {
      const [Plotly, answer] = await Promise.all([
        plotly,
        fetch(`/enclosures/${encodeURIComponent(element.dataset.key)}/figure?${query}theme=${theme()}&width=${Math.max(100, element.clientWidth)}`, { cache: "no-store" }),
      ]);
      const figure = await answer.json();
      if (!answer.ok) throw new Error(figure.detail ?? "The service could not draw this.");
      if (turn !== asked) return;
      own = true;
      element.style.minHeight = `${figure.layout.height}px`;
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
        if (view[1] - view[0] < 120_000) view[1] = view[0] + 120_000;
      }
      clearTimeout(timer);
      timer = setTimeout(draw, REFETCH_MS);
    });
  }

  document.addEventListener("themechange", draw);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  return {
    show(from, to) {
      view = from === null ? null : [from, to];
      return draw();
    },
    redraw: draw,
    /** Hands what is shown to the person as a PNG. @param {string} name of the file, without its ending */
    async picture(name) {
      const Plotly = await plotly;
      await Plotly.downloadImage(element, { format: "png", filename: name, width: element.clientWidth, height: element.clientHeight, scale: 2 });
    },
    view: () => view,
  };
}
