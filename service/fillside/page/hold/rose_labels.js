// Names around the rose, kept inside the drawing and off each other.

import { draw, mark, say } from "../shared/dom.js";

const LINE = 14;
const HEIGHT = 2 * LINE;
const CHARACTER = 6.6;
const LONGEST = 10;
const LENS = "camera";
/** So far its word goes aside; farther off nobody would take it for the lens's. */
const ASIDE = 64;

const short = (name) => (name.length > LONGEST ? `${name.slice(0, LONGEST - 1)}…` : name);

export class LabelRing {
  #group;
  #labels = new Map();
  #lens = draw("text", { class: "lens-name" }, LENS);

  constructor(group) {
    this.#group = group;
    group.append(this.#lens);
  }

  /** Each of `heads` is {name, angle, text, at}; the drawing is `size` wide, its rim at `radius`, the lens is above
   * (`up` −1) or below (1). */
  show(heads, radius, size, up) {
    const names = new Set(heads.map((head) => head.name));
    for (const [name, label] of this.#labels) {
      if (names.has(name)) continue;
      label.group.remove();
      this.#labels.delete(name);
    }
    const boxes = heads.map((head) => boxOf(head, radius, size));
    spread(boxes, size);
    for (const box of boxes) this.#place(box);
    const lens = besideLens(boxes, radius, up);
    mark(this.#lens, "x", lens.x);
    mark(this.#lens, "y", lens.y + 4);
  }

  #place(box) {
    const label = this.#labels.get(box.head.name) ?? this.#draw(box.head);
    mark(label.group, "transform", `translate(${box.x.toFixed(1)} ${box.y.toFixed(1)})`);
    say(label.name, short(box.head.name));
    say(label.text, box.head.at ? `${box.head.text} ▲` : box.head.text);
  }

  #draw(head) {
    const name = draw("text", { class: "head-name", y: -2 });
    const text = draw("text", { class: "head-light", y: LINE - 3 });
    const group = draw("g", {}, name, text);
    this.#group.append(group);
    const label = { group, name, text };
    this.#labels.set(head.name, label);
    return label;
  }
}

/** A label's middle outside the rim on its bearing; one to the side goes over or under its bar. */
function boxOf(head, radius, size) {
  const width = Math.max(short(head.name).length, head.text.length + (head.at ? 2 : 0)) * CHARACTER + 6;
  const sine = Math.sin(head.angle);
  const cosine = Math.cos(head.angle);
  const away = radius + 5 + Math.abs(sine) * (width / 2) + Math.abs(cosine) * (HEIGHT / 2);
  const most = size / 2 - width / 2 - 1;
  const x = Math.max(-most, Math.min(most, sine * away));
  let y = -cosine * away;
  // Pushed in from the side, the label would lie on its own bar: it goes above or below.
  const overlap = Math.abs(sine * away) - Math.abs(x);
  if (overlap > 0) y += (cosine > -0.05 ? -1 : 1) * Math.min(HEIGHT / 2 + 9, overlap);
  return { head, x, y, width, height: HEIGHT };
}

/** The middle of the lens's word: outside the rim, aside of what is there; where all is full, as far in as it must. */
function besideLens(boxes, radius, up) {
  const free = (word) => !boxes.some((box) => lap(word, box));
  const word = { x: 0, y: up * (radius + 20), width: LENS.length * CHARACTER + 6, height: LINE };
  for (let aside = 0; aside <= ASIDE; aside += 2) {
    for (const x of [-aside, aside]) if (free({ ...word, x })) return { ...word, x };
  }
  for (let deep = LINE; deep < radius; deep += 4) {
    if (free({ ...word, y: up * (radius - deep) })) return { ...word, y: up * (radius - deep) };
  }
  return word;
}

/** Moves labels that lie on each other apart, a little at a time, up and down. */
function spread(boxes, size) {
  const most = size / 2 - HEIGHT / 2;
  for (let round = 0; round < 12; round++) {
    let moved = false;
    for (let i = 0; i < boxes.length; i++) {
      for (let j = i + 1; j < boxes.length; j++) moved = apart(boxes[i], boxes[j]) || moved;
    }
    for (const box of boxes) box.y = Math.max(-most, Math.min(most, box.y));
    if (!moved) return;
  }
}

/** How far two boxes have to part down the drawing; 0 where they do not meet. */
function lap(a, b) {
  const across = (a.width + b.width) / 2 - Math.abs(a.x - b.x);
  const down = (a.height + b.height) / 2 + 2 - Math.abs(a.y - b.y);
  return across <= 0 ? 0 : Math.max(0, down);
}

function apart(a, b) {
  const down = lap(a, b);
  if (!down) return false;
  const way = a.y <= b.y ? 1 : -1;
  a.y -= (way * down) / 2;
  b.y += (way * down) / 2;
  return true;
}
