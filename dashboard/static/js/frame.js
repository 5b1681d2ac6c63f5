// What every page has around its content: the search field, and notes that wait to be sent.
import { finder } from "./find.js";
import { outbox } from "./outbox.js";

finder(document.getElementById("find"));
// A list of what is due has changed when something of it was done.
outbox(() => {
  if (document.body.classList.contains("care")) location.reload();
});
