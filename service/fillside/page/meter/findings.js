// The results of a calibration so far: the dimming curve with its readings, and the uncertainty of the light.

import { byId, draw, mark, say } from "../shared/dom.js";
import * as words from "../shared/words.js";

const WIDE = 300;
const HIGH = 160;
const EDGE = { left: 44, right: 22, top: 8, bottom: 26 };
const MOST_BARS = 14;

const x = (level) => EDGE.left + level * (WIDE - EDGE.left - EDGE.right);
const y = (output) => HIGH - EDGE.bottom - output * (HIGH - EDGE.top - EDGE.bottom);

export class Findings {
  #curveKey = "";
  #barsKey = "";
  #bars = [];

  constructor() {
    this.svg = byId("curve");
    mark(this.svg, "viewBox", `0 0 ${WIDE} ${HIGH}`);
    this.barChart = byId("surer");
  }

  show(routine) {
    this.#showCurve(routine.curve ?? null);
    this.#showUncertainty(routine);
  }

  #showCurve(curve) {
    mark(byId("curve-panel"), "hidden", curve ? null : "");
    const key = JSON.stringify(curve);
    if (!curve || key === this.#curveKey) return;
    this.#curveKey = key;
    const d = curve.levels.map((level, i) => `${i ? "L" : "M"}${x(level).toFixed(1)} ${y(curve.outputs[i]).toFixed(1)}`);
    const dots = curve.readings.map((reading) =>
      draw("path", { class: reading.suspect ? "dot suspect" : "dot", d: reading.suspect ? cross(reading) : ring(reading) }),
    );
    const grid = [0, 0.5, 1].flatMap((v) => [
      draw("path", { class: "grid", d: `M${x(0)} ${y(v)}H${x(1)}M${x(v)} ${y(0)}V${y(1)}` }),
      draw("text", { x: x(v), y: HIGH - 10, class: "tick" }, `${v * 100} %`),
      draw("text", { x: EDGE.left - 5, y: y(v) + 4, class: "tick side" }, `${v * 100} %`),
    ]);
    this.svg.replaceChildren(...grid, draw("path", { class: "learned", d: d.join("") }), ...dots);
    say(byId("curve-says"), `${curve.head}: light given over level sent, with ${count(curve.readings.length, "reading")}`);
  }

  #showUncertainty({ stage, ratio_sigma_stops: ratio, exposure_sigma_stops: exposure, face_sigma_stops: face, number }) {
    const isKnown = ratio > 0 && exposure > 0;
    mark(byId("uncertainty-panel"), "hidden", isKnown ? null : "");
    if (!isKnown) return;
    say(byId("sure-says"), `Ratio known to ${words.within(ratio)}, exposure to ${words.within(exposure)}${face ? `, face to ${words.within(face)}` : ""}`);
    if (stage !== "read" || this.#barsKey === `${number} ${ratio}`) return;
    this.#barsKey = `${number} ${ratio}`;
    this.#bars = [...this.#bars.filter((one) => one.number < number), { number, ratio }];
    const visible = this.#bars.slice(-MOST_BARS);
    const most = Math.max(...visible.map((one) => one.ratio));
    this.barChart.replaceChildren(
      ...visible.map((one, i) =>
        draw("rect", {
          x: i * 20,
          width: 14,
          y: (44 - 40 * (one.ratio / most)).toFixed(1),
          height: (40 * (one.ratio / most)).toFixed(1),
          class: i === visible.length - 1 ? "now" : "past",
        }),
      ),
    );
  }
}

const count = (n, noun) => `${n} ${noun}${n === 1 ? "" : "s"}`;
const ring = ({ level, output }) => `M${x(level) - 4} ${y(output)}a4 4 0 1 0 8 0a4 4 0 1 0 -8 0`;
const cross = ({ level, output }) => {
  const [cx, cy] = [x(level), y(output)];
  return `M${cx - 4} ${cy - 4}l8 8M${cx - 4} ${cy + 4}l8 -8`;
};
