// The Room page.
import { answering } from "./answering.js";
import { bannerOf } from "./banner.js";
import { livePage } from "./live-page.js";
import { pager } from "./pager.js";
import { soundOf } from "./sound.js";

const sound = soundOf([...document.querySelectorAll("[data-sound]")]);
const banner = bannerOf(document.getElementById("banner"), (calls) => sound.ring(calls > 0));

const { pieces } = livePage({
  address: (keys) => (keys ? `/fragments/tiles?enclosures=${keys.map(encodeURIComponent).join(",")}` : "/fragments/tiles"),
  concerns: (key) => document.getElementById(`tile-${key}`) !== null,
  after: () => banner.look(),
});
banner.look();
answering(() => pieces.everything());
const wall = document.getElementById("wall");
if (wall) pager(wall, document.getElementById("turn"), document.getElementById("hold"));
