// Renews an element in place from how it was written and how it is written now: what is alike is neither parsed nor
// touched. Both are the service's own markup, in which <, > and " belong to tags alone: everywhere else they are escaped.
const NAMED = { amp: "&", lt: "<", gt: ">", quot: '"', "#34": '"', "#39": "'" };
const SLASH = "/".charCodeAt(0);
const written = new WeakMap();

/** Notes how an element that was just made is written. @param {Element} element @param {string} html */
export function note(element, html) {
  const tags = tagsOf(html);
  const places = placesOf(tags);
  // A browser may have put in what was not written: then its parts cannot be counted.
  if (places.count === element.getElementsByTagName("*").length + 1) written.set(element, { tags, places: places.found });
  else written.delete(element);
}

/**
 * Brings an element up to date.
 * @param {Element} element
 * @param {string} html how it is written now
 * @returns {boolean} whether it is up to date; if not, it has to be made anew
 */
export function patch(element, html) {
  const known = written.get(element);
  if (known === undefined) return false;
  const [was, is] = [known.tags, tagsOf(html)];
  if (was.length !== is.length) return false;
  const within = element.getElementsByTagName("*");
  for (let at = 1; at < is.length; at += 1) {
    if (was[at] === is[at]) continue;
    const { number, isOver } = known.places[at];
    if (!renewed(number === 0 ? element : within[number - 1], isOver, was[at], is[at])) return false;
  }
  known.tags = is;
  return true;
}

// Put together anew before it is taken apart: parts of an answer would keep the whole of it in memory.
function tagsOf(html) {
  return `${html}\n`.split("<");
}

// Which element each tag is of, counted as a document counts them, and whether the element is over behind it.
function placesOf(tags) {
  const open = [];
  let count = 0;
  const found = tags.map((tag, at) => {
    if (at === 0) return null;
    const closes = tag.charCodeAt(0) === SLASH;
    if (!closes) open.push(count++);
    const isOver = closes || tag.charCodeAt(tag.indexOf(">") - 1) === SLASH;
    return { number: isOver ? open.pop() : open.at(-1), isOver };
  });
  return { found, count };
}

function renewed(node, isOver, was, is) {
  const [before, now] = [was.indexOf(">"), is.indexOf(">")];
  return (
    setAttributes(node, was.slice(0, before), is.slice(0, now)) &&
    setText(isOver ? node.nextSibling : node.firstChild, was.slice(before + 1), is.slice(now + 1))
  );
}

// What stands between the quotes are values; anything else that differs is another tag.
function setAttributes(node, before, now) {
  if (before === now) return true;
  const [was, is] = [before.split('"'), now.split('"')];
  if (was.length !== is.length) return false;
  for (let at = 0; at < is.length; at += 1) {
    if (was[at] === is[at]) continue;
    if (at % 2 === 0) return false;
    node.setAttribute(is[at - 1].trim().split(/\s/).at(-1).slice(0, -1), plain(is[at]));
  }
  return true;
}

// Text that comes or goes between two tags is a node that comes or goes.
function setText(node, before, now) {
  if (before === now) return true;
  if (!before || !now || node?.nodeType !== Node.TEXT_NODE) return false;
  node.data = plain(now);
  return true;
}

function plain(text) {
  return text.includes("&") ? text.replace(/&(#?\w+);/g, (whole, name) => NAMED[name] ?? whole) : text;
}
