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

/** Sets an element's text, if it is another. */
export function say(element, text) {
  if (element.textContent !== text) {
    element.textContent = text;
  }
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
    rows.filter((row) => row[1] !== null && row[1] !== undefined).flatMap(([name, what]) => [make("dt", {}, name), make("dd", {}, what)]),
  );
}
