// The Room page.
import { answering } from "./answering.js";
import { livePage } from "./live-page.js";
import { pager } from "./pager.js";

const { pieces } = livePage({
  address: (keys) => (keys ? `/fragments/tiles?enclosures=${keys.map(encodeURIComponent).join(",")}` : "/fragments/tiles"),
  concerns: (key) => document.getElementById(`tile-${key}`) !== null,
});
answering(() => pieces.everything());
const wall = document.getElementById("wall");
if (wall) pager(wall, document.getElementById("turn"), document.getElementById("hold"));
