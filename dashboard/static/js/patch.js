// Renews an element in place from how it was written and how it is written now: what is alike is neither parsed nor
// touched. Both are the service's own markup, in which <, > and " belong to tags alone: everywhere else they are escaped.
const NAMED = { amp: "&", lt: "<", gt: ">", quot: '"', "#34": '"', "#39": "'" };
const SLASH = "/".charCodeAt(0);
const written = new WeakMap();

/** Notes how an element that was just made is written. @param {Element} element @param {string} html */
export function note(element, html) {
  const tags = html.split("<");
  const opening = tags.filter((tag, at) => at > 0 && tag.charCodeAt(0) !== SLASH);
  // A browser may have put in what was not written: then its parts cannot be counted.
  if (opening.length !== element.getElementsByTagName("*").length + 1) written.delete(element);
  // Joined anew: a part of an answer would keep all of it in memory.
  else written.set(element, tags.join("<"));
}

/**
 * Brings an element up to date.
 * @param {Element} element
 * @param {string} html how it is written now
 * @returns {boolean} whether it is up to date; if not, it has to be made anew
 */
export function patch(element, html) {
  const before = written.get(element);
  if (before === undefined) return false;
  if (before === html) return true;
  const [was, is] = [before.split("<"), html.split("<")];
  if (was.length !== is.length || !renewed(element, was, is)) return false;
  written.set(element, is.join("<"));
  return true;
}

function renewed(element, was, is) {
  const within = element.getElementsByTagName("*");
  const open = [];
  let count = 0;
  for (let at = 1; at < is.length; at += 1) {
    const end = is[at].indexOf(">");
    const closes = is[at].charCodeAt(0) === SLASH;
    const ended = closes || is[at].charCodeAt(end - 1) === SLASH;
    if (!closes) {
      open.push(count);
      count += 1;
    }
    if (was[at] !== is[at]) {
      const number = open.at(-1);
      const node = number === 0 ? element : within[number - 1];
      if (!setAttributes(node, was[at].slice(0, was[at].indexOf(">")), is[at].slice(0, end))) return false;
      if (!setText(ended ? node.nextSibling : node.firstChild, was[at].slice(was[at].indexOf(">")), is[at].slice(end))) return false;
    }
    if (ended) open.pop();
  }
  return true;
}

// What stands between the quotes are values; anything else that differs is another tag.
function setAttributes(node, before, now) {
  if (before === now) return true;
  const [was, is] = [before.split('"'), now.split('"')];
  if (was.length !== is.length || was.some((part, at) => at % 2 === 0 && part !== is[at])) return false;
  for (let at = 1; at < is.length; at += 2) {
    if (was[at] !== is[at]) node.setAttribute(is[at - 1].trim().split(/\s/).at(-1).slice(0, -1), plain(is[at]));
  }
  return true;
}

// Text that comes or goes between two tags is a node that comes or goes. Both begin with the end of the tag.
function setText(node, before, now) {
  if (before === now) return true;
  if (before.length === 1 || now.length === 1 || node?.nodeType !== Node.TEXT_NODE) return false;
  node.data = plain(now.slice(1));
  return true;
}

function plain(text) {
  return text.includes("&") ? text.replace(/&(#?\w+);/g, (whole, name) => NAMED[name] ?? whole) : text;
}
