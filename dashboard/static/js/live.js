// The live stream, and the certainty that it lives: without a pulse the picture is old, whatever the connection says.
const SILENT_MS = 12_000;
// The browser itself has said that the connection broke: a pulse that is missed then is no accident.
const BROKEN_MS = 6_000;
const LOOK_MS = 1_000;
const RETRY_MS = 2_000;

/**
 * @param {string} after where the page stands in the stream
 * @param {{readings: (e: object) => void, alarm: (e: object) => void, hold: (e: object) => void, pulse: (at: number) => void,
 *          lost: (since: number, why: string) => void, joined: () => void, refused: () => void}} on
 *        `joined` is called when the stream is back after it was lost: everything shown may be old then; `refused` when
 *        an answer came, and it was no stream.
 */
export function follow(after, on) {
  let source = null;
  let heard = Date.now();
  let lost = false;
  let well = true;
  let opened = 0;
  let broken = false;

  const lose = (why) => {
    lost = true;
    on.lost(heard, why);
  };

  const pulse = (event) => {
    const said = JSON.parse(event.data);
    if (!said.ok) {
      well = false;
      explain();
      return;
    }
    well = true;
    heard = Date.now();
    on.pulse(Date.parse(said.at));
    if (lost) {
      lost = false;
      on.joined();
    }
  };

  async function explain() {
    let why = "The service says that it does not hear or watch the room.";
    if (!lost) lose(why);
    try {
      const answer = await fetch("/readyz", { cache: "no-store", signal: AbortSignal.timeout(SILENT_MS) });
      const said = await answer.json();
      if (said.detail) why = said.detail;
    } catch {
      why = "The service does not answer.";
    }
    if (!well) lose(why);
  }

  function open() {
    source?.close();
    opened = Date.now();
    source = new EventSource(`/api/v1/live?after=${encodeURIComponent(after)}`);
    source.addEventListener("pulse", pulse);
    for (const name of ["readings", "alarm", "hold", "probes"]) {
      source.addEventListener(name, (event) => {
        after = event.lastEventId || after;
        on[name]?.(JSON.parse(event.data));
      });
    }
    source.addEventListener("open", () => {
      broken = false;
    });
    source.addEventListener("error", () => {
      broken = true;
      if (source.readyState === EventSource.CLOSED) on.refused();
      if (lost) lose("The connection to the service is gone. This page comes back by itself.");
    });
  }

  function look() {
    const now = Date.now();
    if (now - heard > (broken ? BROKEN_MS : SILENT_MS) && well) {
      lose(
        navigator.onLine
          ? "The service has not been heard. This page comes back by itself."
          : "This screen has no network. This page comes back by itself.",
      );
    }
    // A stream that was refused, or that stands open and says nothing, does not come back by itself.
    const idle = now - Math.max(heard, opened);
    if (source.readyState === EventSource.CLOSED ? now - opened > RETRY_MS : idle > SILENT_MS) open();
  }

  open();
  setInterval(look, LOOK_MS);
  // A page that slept looks at once, before anybody takes it for live.
  for (const name of ["visibilitychange", "focus", "online", "pageshow"]) {
    (name === "visibilitychange" ? document : window).addEventListener(name, look);
  }
  window.addEventListener("pagehide", () => source.close());
  return { heard: () => heard, isLost: () => lost };
}
