// The names around the rose, kept inside the drawing and clear of each other.

import { draw, mark, say } from "../shared/dom.js";

const LINE = 14;
const HEIGHT = 2 * LINE;
const CHARACTER = 6.6;
const LONGEST = 10;
const CAMERA = "camera";
/** The most that the camera's label moves aside; farther off it would not be read as the camera's. */
const MOST_ASIDE = 64;

const short = (name) => (name.length > LONGEST ? `${name.slice(0, LONGEST - 1)}…` : name);

export class LabelRing {
  #group;
  #labels = new Map();
  #camera = draw("text", { class: "lens-name" }, CAMERA);

  constructor(group) {
    this.#group = group;
    group.append(this.#camera);
  }

  /** Show a label for each of `heads`, {name, angle, text, at}; the drawing is `size` wide, its rim at `radius`, the camera above
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
    const spot = cameraSpot(boxes, radius, up);
    mark(this.#camera, "x", spot.x);
    mark(this.#camera, "y", spot.y + 4);
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

function boxOf(head, radius, size) {
  const width = Math.max(short(head.name).length, head.text.length + (head.at ? 2 : 0)) * CHARACTER + 6;
  const sine = Math.sin(head.angle);
  const cosine = Math.cos(head.angle);
  const distance = radius + 5 + Math.abs(sine) * (width / 2) + Math.abs(cosine) * (HEIGHT / 2);
  const most = size / 2 - width / 2 - 1;
  const x = Math.max(-most, Math.min(most, sine * distance));
  let y = -cosine * distance;
  // Moved in from the edge, the label would cover its own bar: move it above or below.
  const overlap = Math.abs(sine * distance) - Math.abs(x);
  if (overlap > 0) y += (cosine > -0.05 ? -1 : 1) * Math.min(HEIGHT / 2 + 9, overlap);
  return { head, x, y, width, height: HEIGHT };
}

/** Place the camera's label: outside the rim, clear of the other labels, or else inside as far as needed. */
function cameraSpot(boxes, radius, up) {
  const isFree = (label) => !boxes.some((box) => overlapOf(label, box));
  const label = { x: 0, y: up * (radius + 20), width: CAMERA.length * CHARACTER + 6, height: LINE };
  for (let aside = 0; aside <= MOST_ASIDE; aside += 2) {
    for (const x of [-aside, aside]) if (isFree({ ...label, x })) return { ...label, x };
  }
  for (let deep = LINE; deep < radius; deep += 4) {
    if (isFree({ ...label, y: up * (radius - deep) })) return { ...label, y: up * (radius - deep) };
  }
  return label;
}

/** Move overlapping labels up and down, a little at a time, until they are clear of each other. */
function spread(boxes, size) {
  const most = size / 2 - HEIGHT / 2;
  for (let round = 0; round < 12; round++) {
    let moved = false;
    for (let i = 0; i < boxes.length; i++) {
      for (let j = i + 1; j < boxes.length; j++) moved = separate(boxes[i], boxes[j]) || moved;
    }
    for (const box of boxes) box.y = Math.max(-most, Math.min(most, box.y));
    if (!moved) return;
  }
}

function overlapOf(a, b) {
  const across = (a.width + b.width) / 2 - Math.abs(a.x - b.x);
  const down = (a.height + b.height) / 2 + 2 - Math.abs(a.y - b.y);
  return across <= 0 ? 0 : Math.max(0, down);
}

function separate(a, b) {
  const down = overlapOf(a, b);
  if (!down) return false;
  const way = a.y <= b.y ? 1 : -1;
  a.y -= (way * down) / 2;
  b.y += (way * down) / 2;
  return true;
}
