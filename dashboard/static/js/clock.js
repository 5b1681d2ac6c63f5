// The service's time in the site's zone. The viewing computer's clock may be wrong, so only its running is trusted.
export function clockOf(serverNow, zone) {
  let ahead = Date.parse(serverNow) - Date.now();
  const short = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit", timeZone: zone });
  const long = new Intl.DateTimeFormat("en-GB", {
    dateStyle: "medium",
    timeStyle: "long",
    timeZone: zone,
  });
  return {
    set(serverMs) {
      ahead = serverMs - Date.now();
    },
    now: () => Date.now() + ahead,
    timeOfLocal: (ms) => short.format(ms + ahead),
    show(element) {
      const tick = () => {
        const now = Date.now() + ahead;
        const text = short.format(now);
        if (element.textContent === text) return;
        element.textContent = text;
        element.dateTime = new Date(now).toISOString();
        element.title = long.format(now);
      };
      tick();
      setInterval(tick, 1_000);
    },
  };
}

// What a wall clock in the zone calls `text` (such as 2026-03-29T12:00), in milliseconds since 1970.
export function instantOf(text, zone) {
  const asked = Date.parse(`${text}Z`);
  if (Number.isNaN(asked)) return NaN;
  const parts = new Intl.DateTimeFormat("en-CA", {
    year: "numeric", month: "2-digit", day: "2-digit", hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: zone,
  });
  const wall = (ms) => {
    const part = Object.fromEntries(parts.formatToParts(ms).map(({ type, value }) => [type, value]));
    return Date.parse(`${part.year}-${part.month}-${part.day}T${part.hour}:${part.minute}Z`);
  };
  // Twice: the first guess may lie on the other side of a change of the clocks.
  const guess = asked - (wall(asked) - asked);
  return guess - (wall(guess) - asked);
}

export function ageOf(ms) {
  const seconds = Math.max(0, Math.round(ms / 1_000));
  if (seconds < 60) return `${seconds} s`;
  if (seconds < 3_600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3_600)} h ${Math.floor((seconds % 3_600) / 60)} min`;
}
