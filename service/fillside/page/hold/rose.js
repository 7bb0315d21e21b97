// The light as it comes in on the subject: one bearing a head, rings in stops.
//
// A bar grows from the rim inward: the nearer its tip comes to the subject, the more light. Stops are even along
// the way, so what one head gives more than another is read off the rings, and the gap between the lit and the
// shadow ring is the ratio. The two brackets on a bearing are the head's full light and its floor; the pale piece at
// the tip is how far the light may really be off.

import { draw, mark, say } from "../shared/dom.js";
import { LabelRing } from "./rose_labels.js";
import { settings } from "../shared/settings.js";
import * as words from "../shared/words.js";

const STOPS_SHOWN = 8;
const CENTRE = 20;

export class Rose {
  #svg;
  #size = 0;
  #top = null;
  #heads = new Map();
  #now = null;

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

  /** Shows the light; `words` false leaves the names and numbers around it as they are. */
  show(now, words = true) {
    this.#now = now;
    if (!this.#size) this.#resize();
    if (!this.#size) return;
    const top = this.#topFor(now);
    if (top !== this.#top) {
      this.#top = top;
      this.#drawRings();
    }
    this.#showBand(now);
    this.#showHeads(now, words);
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
    if (this.#now) this.show(this.#now);
  }

  /** The stops of the innermost ring: enough for every head's full light, and calm. */
  #topFor({ heads, ringLux }) {
    let most = 0.5;
    for (const head of heads) if (head.fullLux > 0) most = Math.max(most, Math.log2(head.fullLux / ringLux));
    const wanted = Math.min(5, Math.max(1, Math.ceil(most)));
    return this.#top === null || wanted > this.#top || wanted < this.#top - 1 ? wanted : this.#top;
  }

  /** Distance from the centre for so many stops over the ring at 0. */
  #at(stops) {
    const low = this.#top - STOPS_SHOWN;
    const share = Math.min(1, Math.max(0, (stops - low) / STOPS_SHOWN));
    return this.radius - share * (this.radius - CENTRE);
  }

  #atLux(lux) {
    return lux > 0 ? this.#at(Math.log2(lux / this.#now.ringLux)) : this.radius;
  }

  #drawRings() {
    const rings = [];
    for (let stops = this.#top; stops > this.#top - STOPS_SHOWN; stops--) {
      rings.push(draw("circle", { r: this.#at(stops), class: stops === 0 ? "ring zero" : "ring" }));
    }
    rings.push(draw("circle", { r: this.radius, class: "rim" }));
    rings.push(draw("circle", { r: 3.5, class: "here" }));
    const up = lensSide();
    const edge = up * (this.radius + 6);
    const notch = `M0 ${edge - up * 4} L-6 ${edge + up * 5} L6 ${edge + up * 5} Z`;
    rings.push(draw("path", { d: notch, class: "lens" }));
    this.rings.replaceChildren(...rings, ...this.#ringNumbers());
  }

  /** Ring numbers along the bearing that is farthest from any head. */
  #ringNumbers() {
    const angle = this.#freeBearing();
    const numbers = [];
    for (let stops = this.#top; stops > this.#top - STOPS_SHOWN; stops--) {
      if (stops % 2 && this.radius < 200) continue;
      const r = this.#at(stops);
      if (r < CENTRE + 6) continue;
      const text = stops === 0 ? "0" : words.fixed(stops, 0, true);
      numbers.push(draw("text", { x: Math.sin(angle) * r, y: 4 - Math.cos(angle) * r, class: "ring-number" }, text));
    }
    return numbers;
  }

  #freeBearing() {
    const taken = [0, ...(this.#now?.heads ?? []).filter((h) => h.from).map((h) => this.#turned(h))];
    let best = Math.PI;
    let widest = -1;
    for (let i = 0; i < 24; i++) {
      const angle = (i / 24) * 2 * Math.PI;
      const gap = Math.min(...taken.map((t) => Math.abs(Math.atan2(Math.sin(angle - t), Math.cos(angle - t)))));
      if (gap > widest + 1e-6) [best, widest] = [angle, gap];
    }
    return best;
  }

  #turned(head) {
    return head.from.bearing + (settings.camera === "bottom" ? Math.PI : 0);
  }

  /** Redraws all, after a setting changed. */
  turned() {
    if (!this.#now) return;
    this.#drawRings();
    this.show(this.#now);
  }

  #showBand({ sides }) {
    mark(this.band, "visibility", sides ? "visible" : "hidden");
    if (!sides) return;
    const lit = this.#atLux(sides.lit);
    const shadow = this.#atLux(sides.shadow);
    mark(this.lit, "r", half(lit));
    mark(this.shadow, "r", half(shadow));
    mark(this.between, "r", half((lit + shadow) / 2));
    mark(this.between, "stroke-width", half(Math.abs(shadow - lit)));
    mark(this.wanted, "visibility", sides.wanted === null ? "hidden" : "inherit");
    if (sides.wanted !== null) mark(this.wanted, "r", half(this.#atLux(sides.wanted)));
  }

  #showHeads({ heads }, words) {
    const shown = heads.filter((head) => head.from);
    const names = new Set(shown.map((head) => head.name));
    for (const [name, parts] of this.#heads) {
      if (names.has(name)) continue;
      parts.group.remove();
      this.#heads.delete(name);
    }
    if (shown.some((head) => !this.#heads.has(head.name))) this.#drawRings();
    for (const head of shown) this.#showHead(head);
    if (!words) return;
    this.labels.show(
      shown.map((head) => ({ name: head.name, angle: this.#turned(head), text: this.#light(head), at: head.at_limit })),
      this.radius,
      this.#size,
      lensSide(),
    );
  }

  #light(head) {
    if (!head.works) return "lost";
    return head.output > 0 ? words.light(head.lux, settings.units) : "out";
  }

  #showHead(head) {
    const parts = this.#heads.get(head.name) ?? this.#drawHead(head);
    const degrees = ((this.#turned(head) * 180) / Math.PI).toFixed(1);
    mark(parts.group, "transform", `rotate(${degrees})`);
    mark(parts.group, "class", `head ${head.rule}${head.works ? "" : " lost"}`);
    const rim = -this.radius;
    const tip = -this.#atLux(head.works ? head.lux : 0);
    box(parts.bar, rim, tip, this.width);
    const lit = head.output > 0 && head.works;
    mark(parts.reach, "visibility", lit ? "inherit" : "hidden");
    mark(parts.unsure, "visibility", lit && head.sigmaStops ? "inherit" : "hidden");
    mark(parts.goal, "visibility", lit && !head.settled ? "inherit" : "hidden");
    if (!lit) return;
    const full = -this.#atLux(head.fullLux);
    const floor = -this.#atLux(head.floorLux);
    box(parts.track, floor, full, 1.5);
    mark(parts.full, "d", bracket(full, this.width / 2 + 3, -4));
    mark(parts.floor, "d", bracket(floor, this.width / 2 + 3, 4));
    if (head.sigmaStops) {
      const within = words.COVERAGE_FACTOR * head.sigmaStops;
      const far = -this.#atLux(head.lux * 2 ** -within);
      const near = -this.#atLux(head.lux * 2 ** within);
      box(parts.unsure, far, near, this.width + 8);
    }
    if (!head.settled) {
      const goal = half(-this.#atLux(head.goalLux));
      mark(parts.goal, "d", `M${-this.width / 2 - 4} ${goal}h${this.width + 8}`);
    }
  }

  #drawHead(head) {
    const parts = {
      track: draw("rect", { class: "track" }),
      unsure: draw("rect", { class: "unsure" }),
      bar: draw("rect", { class: "bar" }),
      full: draw("path", { class: "end" }),
      floor: draw("path", { class: "end" }),
      goal: draw("path", { class: "goal" }),
    };
    parts.reach = draw("g", {}, parts.track, parts.full, parts.floor);
    parts.group = draw("g", {}, parts.reach, parts.unsure, parts.bar, parts.goal);
    this.bars.append(parts.group);
    this.#heads.set(head.name, parts);
    return parts;
  }
}

/** Up the drawing (−1) or down it (1). */
const lensSide = () => (settings.camera === "bottom" ? 1 : -1);

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

/** To half a pixel: finer changes cannot be seen and would be drawn all the same. */
const half = (value) => Math.round(value * 2) / 2;

/** The same in words, for those who do not see it. */
export function roseInWords(element, { heads, lost }) {
  const silent = lost.length ? ` What ${words.list(lost)} ${lost.length > 1 ? "give" : "gives"} is not known.` : "";
  const lit = heads.filter((head) => head.works && head.output > 0);
  const most = [...lit].sort((a, b) => b.lux - a.lux)[0];
  say(
    element,
    most
      ? `${lit.length} of ${heads.length} ${heads.length === 1 ? "head gives" : "heads give"} light; ${most.name} gives most, ${words.light(most.lux, settings.units)}.${silent} The table of heads has every number.`
      : `No head gives light.${silent}`,
  );
}
