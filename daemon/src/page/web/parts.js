// Elements. Whatever the daemon tells becomes text, never markup.

/** An element with attributes and children: elements, text, or nothing. */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== null && value !== undefined && value !== false) {
      element.setAttribute(name, value === true ? "" : value);
    }
  }
  element.append(...children.flat().filter((child) => child !== null && child !== undefined));
  return element;
}

/** Puts these in the place of all that an element holds. */
export function fill(element, ...children) {
  element.replaceChildren(...children.flat().filter((child) => child !== null && child !== undefined));
}

/** Makes what an element holds like these, and touches nothing that is so already: who has selected something in it, or is being read it, keeps their
 * place. What has a `data-key` is taken for what had the same, everything else for what stood there. */
export function renew(element, ...children) {
  const wanted = children.flat().filter((child) => child !== null && child !== undefined);
  const keys = new Set(wanted.map(key).filter(Boolean));
  const keyed = new Map([...element.children].filter(key).map((child) => [key(child), child]));
  let at = element.firstChild;
  for (const next of wanted.map((child) => (typeof child === "string" ? document.createTextNode(child) : child))) {
    while (at && key(at) && !keys.has(key(at))) {
      at = gone(at);
    }
    const kept = key(next) ? keyed.get(key(next)) : key(at) ? null : at;
    if (kept && kept.nodeName === next.nodeName) {
      if (kept === at) {
        at = at.nextSibling;
      } else {
        element.insertBefore(kept, at);
      }
      become(kept, next);
    } else {
      element.insertBefore(next, at);
    }
  }
  while (at) {
    at = gone(at);
  }
}

function key(node) {
  return node?.dataset?.key;
}

/** Takes a node away; gives that behind it. */
function gone(node) {
  const next = node.nextSibling;
  node.remove();
  return next;
}

/** Makes a node like another of its kind. */
function become(node, next) {
  if (node.nodeType === Node.TEXT_NODE) {
    write(node, next.data);
    return;
  }
  for (const { name } of [...node.attributes]) {
    if (!next.hasAttribute(name)) {
      node.removeAttribute(name);
    }
  }
  for (const { name, value } of next.attributes) {
    mark(node, name, value);
  }
  renew(node, [...next.childNodes]);
}

/** Sets an attribute, if it is another. */
export function mark(element, name, value) {
  if (element.getAttribute(name) !== value) {
    element.setAttribute(name, value);
  }
}

/** Writes what is another of a text, and nothing else: what is selected beside that stays selected. */
function write(node, text) {
  const before = node.data;
  const least = Math.min(before.length, text.length);
  let [start, end] = [0, 0];
  while (start < least && before[start] === text[start]) {
    start += 1;
  }
  while (end < least - start && before.at(-1 - end) === text.at(-1 - end)) {
    end += 1;
  }
  if (before !== text) {
    node.replaceData(start, before.length - start - end, text.slice(start, text.length - end));
  }
}

/** Sets an element's text, if it is another. */
export function say(element, text) {
  renew(element, text);
}

/** A state: a shape, a word, and a colour that says no more than those. */
export function state(kind, word) {
  const shapes = { good: "●", caution: "◆", bad: "▲", none: "○", busy: "◐" };
  return make("span", { class: `state ${kind}` }, make("span", { "aria-hidden": "true" }, shapes[kind]), ` ${word}`);
}

/** What must not be taken for a measurement. */
export function badges({ simulated, replayed }) {
  return [
    simulated ? make("span", { class: "badge" }, "SIMULATED") : null,
    replayed ? make("span", { class: "badge" }, "REPLAYED") : null,
  ];
}

/** Names and what they are. */
export function list(rows) {
  return make(
    "dl",
    {},
    rows.filter((row) => row[1] !== null && row[1] !== undefined).flatMap(([name, what]) => [make("dt", { "data-key": `${name}:` }, name), make("dd", { "data-key": name }, what)]),
  );
}
