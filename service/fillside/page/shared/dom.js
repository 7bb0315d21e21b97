// The few things done to the document, each touching it only where something is different.

export const byId = (id) => document.getElementById(id);

/** An element with properties, attributes (`aria-…`, `data-…`, `role`, `class`) and children. */
export function make(tag, attributes = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value !== undefined && value !== null) element.setAttribute(name, value);
  }
  element.append(...children);
  return element;
}

const SVG = "http://www.w3.org/2000/svg";

/** An SVG element with attributes and children. */
export function draw(tag, attributes = {}, ...children) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  element.append(...children);
  return element;
}

/** Sets the text if it is another. */
export function say(element, text) {
  if (element.firstChild instanceof Text && element.childNodes.length === 1) {
    if (element.firstChild.data !== text) element.firstChild.data = text;
  } else if (element.textContent !== text) {
    element.textContent = text;
  }
}

/** Sets the attribute if it is another; null takes it away. */
export function mark(element, name, value) {
  if (value === null) {
    if (element.hasAttribute(name)) element.removeAttribute(name);
  } else if (element.getAttribute(name) !== String(value)) {
    element.setAttribute(name, value);
  }
}

/** Makes `list`'s children one element for each item, kept by key; returns [item, element] pairs in order. */
export function children(list, items, keyOf, makeOne) {
  const found = new Map();
  for (const element of list.children) found.set(element.dataset.key, element);
  const pairs = items.map((item) => {
    const key = String(keyOf(item));
    let element = found.get(key);
    if (!element) {
      element = makeOne(item);
      element.dataset.key = key;
    }
    found.delete(key);
    return [item, element];
  });
  for (const element of found.values()) element.remove();
  pairs.forEach(([, element], i) => {
    if (list.children[i] !== element) list.insertBefore(element, list.children[i] ?? null);
  });
  return pairs;
}
