// A page that follows the room: clock, theme, live stream, cover, and the pieces that it fetches anew.
import { ageOf, clockOf } from "./clock.js";
import { coverOf } from "./cover.js";
import { follow } from "./live.js";
import { refresher } from "./refresh.js";
import { themeSwitch } from "./theme-switch.js";

// An enclosure's name as its tile shows it, where there is one.
const nameOf = (key) => document.getElementById(`tile-${key}`)?.querySelector(".name")?.textContent ?? key;

const EVERYTHING_MS = 60_000;
const REBUILT_AFTER_MS = 6 * 3_600_000;

/**
 * @param {{address: (keys: string[] | null) => string, concerns: (key: string) => boolean, after?: () => void,
 *          rejoined?: () => void, follows?: string[]}} page `follows`: the events that it is fetched anew for
 */
export function livePage({ address, concerns, after, rejoined, follows = ["readings", "alarm"] }) {
  const { now, zone, after: position } = document.body.dataset;
  const clock = clockOf(now, zone);
  const cover = coverOf(document.getElementById("cover"), clock);
  const said = document.getElementById("said");
  const pulse = document.getElementById("pulse");
  let isOld = false;
  const pieces = refresher(address, (whole) => {
    // Only what was fetched since the stream is back is the present: until then the cover stays.
    if (whole && isOld && !stream.isLost()) {
      isOld = false;
      cover.hide();
    }
    if (document.getElementById("date")?.dataset.zone !== zone) location.reload();
    after?.();
  });
  const began = Date.now();

  themeSwitch(document.getElementById("theme"));
  clock.show(document.getElementById("clock"));

  const stream = follow(position, {
    pulse: (at) => clock.set(at),
    readings: ({ readings }) => follows.includes("readings") && pieces.touch(new Set(readings.map((r) => r.enclosure).filter(concerns))),
    alarm: (alarm) => {
      if (alarm.enclosure && !concerns(alarm.enclosure)) return;
      if (alarm.enclosure) pieces.touch([alarm.enclosure]);
      else pieces.everything();
      said.textContent = `${alarm.enclosure ? nameOf(alarm.enclosure) : "Room"}: ${alarm.condition.replaceAll("-", " ")}, ${alarm.state}`;
    },
    hold: ({ enclosure, kind, ended }) => {
      if (enclosure && !concerns(enclosure)) return;
      if (enclosure) pieces.touch([enclosure]);
      else pieces.everything();
      if (enclosure && kind === "out of service") said.textContent = `${nameOf(enclosure)}: ${ended ? "back in service" : "out of service"}`;
    },
    probes: () => follows.includes("probes") && pieces.everything(),
    lost: (since, why) => {
      isOld = true;
      cover.show(since, why);
    },
    joined: () => {
      // A new version, or another room: only a whole page is sure to be right after long.
      if (Date.now() - began > REBUILT_AFTER_MS) location.reload();
      pieces.anew();
      rejoined?.();
    },
    // Whether it may look no more is known from the pieces.
    refused: () => pieces.everything(),
  });

  setInterval(() => {
    if (!stream.isLost()) pulse.textContent = `live, ${ageOf(Date.now() - stream.heard())} ago`;
    else pulse.textContent = "not live";
  }, 1_000);
  // The line of the present moves on, and what is silent grows older, with no reading to say so.
  setInterval(() => pieces.everything(), EVERYTHING_MS);
  return { pieces, stream, now: clock.now };
}
