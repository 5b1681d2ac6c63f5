// What every page has around its content: the search field.
import { finder } from "./find.js";

finder(document.getElementById("find"));
