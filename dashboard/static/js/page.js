// What every page does: the theme switch, and a clock that runs on the service's time.
import { clockOf } from "./clock.js";
import { themeSwitch } from "./theme-switch.js";

themeSwitch(document.getElementById("theme"));
const clock = clockOf(document.body.dataset.now, document.body.dataset.zone);
clock.show(document.getElementById("clock"));
