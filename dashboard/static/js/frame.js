// What every page has around its content: the search field, and notes that wait to be sent.
import { finder } from "./find.js";
import { outbox } from "./outbox.js";

finder(document.getElementById("find"));
// On a phone the ways are a line that is pushed aside: the page that is shown is in sight.
const ways = document.querySelector(".ways ul");
const here = ways?.querySelector("[aria-current]");
if (here) ways.scrollLeft = here.offsetLeft - (ways.clientWidth - here.offsetWidth) / 2;
// A list of what is due has changed when something of it was done.
outbox(() => {
  if (document.body.classList.contains("care")) location.reload();
});
