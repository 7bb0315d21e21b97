// Create and update elements, touching the document only where a value differs.

export const byId = (id) => document.getElementById(id);

/** Create an element with attributes and children; attributes that are null or undefined are left out. */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== undefined && value !== null) element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

export function draw(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

export function say(element, text) {
  if (element.firstChild instanceof Text && element.childNodes.length === 1) {
    if (element.firstChild.data !== text) element.firstChild.data = text;
  } else if (element.textContent !== text) {
    element.textContent = text;
  }
}

export function mark(element, name, value) {
  if (value === null) {
    if (element.hasAttribute(name)) element.removeAttribute(name);
  } else if (element.getAttribute(name) !== String(value)) {
    element.setAttribute(name, value);
  }
}

/** Give `list` one child element for each item, reused by key; return [item, element] pairs in order. */
export function children(list, items, keyOf, makeOne) {
  const existing = new Map();
  for (const element of list.children) existing.set(element.dataset.key, element);
  const pairs = items.map((item) => {
    const key = String(keyOf(item));
    let element = existing.get(key);
    if (!element) {
      element = makeOne(item);
      element.dataset.key = key;
    }
    existing.delete(key);
    return [item, element];
  });
  for (const element of existing.values()) element.remove();
  pairs.forEach(([, element], i) => {
    if (list.children[i] !== element) list.insertBefore(element, list.children[i] ?? null);
  });
  return pairs;
}

/** Make a line of a list: a sign and words. */
export const makeLine = () => make("li", {}, make("span", { class: "sign", "aria-hidden": "true" }), make("span", { class: "words" }));
