// The rose: the light on the subject, one bearing for each head, with rings in stops.
//
// A bar grows from the rim inward: the closer its tip comes to the subject, the more light. Stops are evenly spaced,
// so that the rings show how much more one head gives than another, and the gap between the lit and the shadow ring
// is the ratio. The two brackets on a bearing are the head's full light and its floor; the pale piece at the tip is
// the uncertainty of its light.

import { draw, mark, say } from "../shared/dom.js";
import { settings } from "../shared/settings.js";
import * as words from "../shared/words.js";
import { LabelRing } from "./rose_labels.js";

const STOPS_SHOWN = 8;
const CENTRE = 20;

export class Rose {
  #svg;
  #size = 0;
  #top = null;
  #heads = new Map();
  #view = null;

  constructor(svg) {
    this.#svg = svg;
    this.rings = draw("g", { class: "rings" });
    this.band = draw("g", { class: "band" });
    this.bars = draw("g", { class: "bars" });
    this.names = draw("g", { class: "names" });
    svg.append(this.band, this.rings, this.bars, this.names);
    this.lit = draw("circle", { class: "lit" });
    this.shadow = draw("circle", { class: "shadow" });
    this.between = draw("circle", { class: "between" });
    this.wanted = draw("circle", { class: "wanted" });
    this.band.append(this.between, this.lit, this.shadow, this.wanted);
    this.labels = new LabelRing(this.names);
    new ResizeObserver(() => this.#resize()).observe(svg);
  }

  show(view, labels = true) {
    this.#view = view;
    if (!this.#size) this.#resize();
    if (!this.#size) return;
    const top = this.#topFor(view);
    if (top !== this.#top) {
      this.#top = top;
      this.#drawRings();
    }
    this.#showBand(view);
    this.#showHeads(view, labels);
  }

  #resize() {
    const size = Math.round(this.#svg.clientWidth);
    if (!size || size === this.#size) return;
    this.#size = size;
    mark(this.#svg, "viewBox", `0 0 ${size} ${size}`);
    this.radius = size / 2 - (size < 420 ? 42 : 56);
    this.width = size < 420 ? 9 : 13;
    const middle = `translate(${size / 2} ${size / 2})`;
    for (const group of [this.rings, this.band, this.bars, this.names]) mark(group, "transform", middle);
    if (this.#top !== null) this.#drawRings();
    if (this.#view) this.show(this.#view);
  }

  /** Return the stops of the innermost ring: enough for every head's full light, and changed only when needed. */
  #topFor({ heads, ringLux }) {
    let most = 0.5;
    for (const head of heads) if (head.fullLux > 0) most = Math.max(most, Math.log2(head.fullLux / ringLux));
    const wanted = Math.min(5, Math.max(1, Math.ceil(most)));
    return this.#top === null || wanted > this.#top || wanted < this.#top - 1 ? wanted : this.#top;
  }

  #radiusOf(stops) {
    const low = this.#top - STOPS_SHOWN;
    const share = Math.min(1, Math.max(0, (stops - low) / STOPS_SHOWN));
    return this.radius - share * (this.radius - CENTRE);
  }

  #radiusOfLux(lux) {
    return lux > 0 ? this.#radiusOf(Math.log2(lux / this.#view.ringLux)) : this.radius;
  }

  #drawRings() {
    const rings = [];
    for (let stops = this.#top; stops > this.#top - STOPS_SHOWN; stops--) {
      rings.push(draw("circle", { r: this.#radiusOf(stops), class: stops === 0 ? "ring zero" : "ring" }));
    }
    rings.push(draw("circle", { r: this.radius, class: "rim" }));
    rings.push(draw("circle", { r: 3.5, class: "here" }));
    const up = cameraSide();
    const edge = up * (this.radius + 6);
    const notch = `M0 ${edge - up * 4} L-6 ${edge + up * 5} L6 ${edge + up * 5} Z`;
    rings.push(draw("path", { d: notch, class: "lens" }));
    this.rings.replaceChildren(...rings, ...this.#ringNumbers());
  }

  #ringNumbers() {
    const angle = this.#freeBearing();
    const numbers = [];
    for (let stops = this.#top; stops > this.#top - STOPS_SHOWN; stops--) {
      if (stops % 2 && this.radius < 200) continue;
      const r = this.#radiusOf(stops);
      if (r < CENTRE + 6) continue;
      const text = stops === 0 ? "0" : words.fixed(stops, 0, true);
      numbers.push(draw("text", { x: Math.sin(angle) * r, y: 4 - Math.cos(angle) * r, class: "ring-number" }, text));
    }
    return numbers;
  }

  #freeBearing() {
    const taken = [0, ...(this.#view?.heads ?? []).filter((h) => h.from).map((h) => this.#angleOf(h))];
    let best = Math.PI;
    let widest = -1;
    for (let i = 0; i < 24; i++) {
      const angle = (i / 24) * 2 * Math.PI;
      const gap = Math.min(...taken.map((t) => Math.abs(Math.atan2(Math.sin(angle - t), Math.cos(angle - t)))));
      if (gap > widest + 1e-6) [best, widest] = [angle, gap];
    }
    return best;
  }

  #angleOf(head) {
    return head.from.bearing + (settings.camera === "bottom" ? Math.PI : 0);
  }

  redraw() {
    if (!this.#view) return;
    this.#drawRings();
    this.show(this.#view);
  }

  #showBand({ sides }) {
    mark(this.band, "visibility", sides ? "visible" : "hidden");
    if (!sides) return;
    const lit = this.#radiusOfLux(sides.lit);
    const shadow = this.#radiusOfLux(sides.shadow);
    mark(this.lit, "r", half(lit));
    mark(this.shadow, "r", half(shadow));
    mark(this.between, "r", half((lit + shadow) / 2));
    mark(this.between, "stroke-width", half(Math.abs(shadow - lit)));
    mark(this.wanted, "visibility", sides.wanted === null ? "hidden" : "inherit");
    if (sides.wanted !== null) mark(this.wanted, "r", half(this.#radiusOfLux(sides.wanted)));
  }

  #showHeads({ heads }, labels) {
    const placed = heads.filter((head) => head.from);
    const names = new Set(placed.map((head) => head.name));
    for (const [name, parts] of this.#heads) {
      if (names.has(name)) continue;
      parts.group.remove();
      this.#heads.delete(name);
    }
    if (placed.some((head) => !this.#heads.has(head.name))) this.#drawRings();
    for (const head of placed) this.#showHead(head);
    if (!labels) return;
    this.labels.show(
      placed.map((head) => ({ name: head.name, angle: this.#angleOf(head), text: this.#light(head), at: head.at_limit })),
      this.radius,
      this.#size,
      cameraSide(),
    );
  }

  #light(head) {
    if (!head.works) return "lost";
    return head.output > 0 ? words.light(head.lux, settings.units, head.uncertainty_stops) : "out";
  }

  #showHead(head) {
    const parts = this.#heads.get(head.name) ?? this.#drawHead(head);
    const degrees = ((this.#angleOf(head) * 180) / Math.PI).toFixed(1);
    mark(parts.group, "transform", `rotate(${degrees})`);
    mark(parts.group, "class", `head ${head.rule}${head.works ? "" : " lost"}`);
    const rim = -this.radius;
    const tip = -this.#radiusOfLux(head.works ? head.lux : 0);
    box(parts.bar, rim, tip, this.width);
    const lit = head.output > 0 && head.works;
    mark(parts.reach, "visibility", lit ? "inherit" : "hidden");
    mark(parts.uncertainty, "visibility", lit && head.uncertainty_stops ? "inherit" : "hidden");
    mark(parts.goal, "visibility", lit && !head.settled ? "inherit" : "hidden");
    if (!lit) return;
    const full = -this.#radiusOfLux(head.fullLux);
    const floor = -this.#radiusOfLux(head.floorLux);
    box(parts.track, floor, full, 1.5);
    mark(parts.full, "d", bracket(full, this.width / 2 + 3, -4));
    mark(parts.floor, "d", bracket(floor, this.width / 2 + 3, 4));
    const within = head.uncertainty_stops;
    if (within) {
      const low = -this.#radiusOfLux(head.lux * 2 ** -within);
      const high = -this.#radiusOfLux(head.lux * 2 ** within);
      box(parts.uncertainty, low, high, this.width + 8);
    }
    if (!head.settled) {
      const goal = half(-this.#radiusOfLux(head.goalLux));
      mark(parts.goal, "d", `M${-this.width / 2 - 4} ${goal}h${this.width + 8}`);
    }
  }

  #drawHead(head) {
    const parts = {
      track: draw("rect", { class: "track" }),
      uncertainty: draw("rect", { class: "unsure" }),
      bar: draw("rect", { class: "bar" }),
      full: draw("path", { class: "end" }),
      floor: draw("path", { class: "end" }),
      goal: draw("path", { class: "goal" }),
    };
    parts.reach = draw("g", {}, parts.track, parts.full, parts.floor);
    parts.group = draw("g", {}, parts.reach, parts.uncertainty, parts.bar, parts.goal);
    this.bars.append(parts.group);
    this.#heads.set(head.name, parts);
    return parts;
  }
}

/** The camera's side of the drawing: up (−1) or down (1). */
const cameraSide = () => (settings.camera === "bottom" ? 1 : -1);

function box(rect, from, to, width) {
  mark(rect, "x", -width / 2);
  mark(rect, "width", width);
  mark(rect, "y", half(Math.min(from, to)));
  mark(rect, "height", half(Math.max(from, to)) - half(Math.min(from, to)));
}

const bracket = (at, side, foot) => {
  const y = half(at);
  return `M${-side} ${y + foot}V${y}H${side}V${y + foot}`;
};

/** Round to half a pixel: finer changes cannot be seen and would be drawn all the same. */
const half = (value) => Math.round(value * 2) / 2;

export function describeRose(element, { heads, lost }) {
  const silent = lost.length ? ` What ${words.list(lost)} ${lost.length > 1 ? "give" : "gives"} is not known.` : "";
  const lit = heads.filter((head) => head.works && head.output > 0);
  const most = [...lit].sort((a, b) => b.lux - a.lux)[0];
  say(
    element,
    most
      ? `${lit.length} of ${heads.length} ${heads.length === 1 ? "head gives" : "heads give"} light; ${most.name} gives most, ${words.light(most.lux, settings.units, most.uncertainty_stops)}.${silent} The table of heads has every number.`
      : `No head gives light.${silent}`,
  );
}
