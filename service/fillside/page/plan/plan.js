// The plan: for each mark the ratios and exposures that can be reached, drawn as a region, and the points to mind.

import { ask } from "../connection/link.js";
import { byId, draw, make, mark, say } from "../shared/dom.js";
import { settings } from "../shared/settings.js";
import * as words from "../shared/words.js";

const WAIT_MS = 30_000;
const WIDE = 340;
const HIGH = 280;
const EDGE = { left: 36, right: 14, top: 36, bottom: 58 };
/** The region is cut at this distance from the target. */
const MOST_STOPS = 9;

class PlanView {
  #request = 0;

  constructor() {
    this.dialog = byId("plan");
    byId("open-plan").addEventListener("click", () => this.#open());
    byId("plan-close").addEventListener("click", () => this.dialog.close());
  }

  async #open() {
    this.dialog.showModal();
    const request = ++this.#request;
    say(byId("plan-says"), "Working the plan out…");
    try {
      const { status, answer } = await ask("/api/v1/plan", WAIT_MS);
      if (request !== this.#request) return;
      if (status !== 200) throw new Error(answer?.error?.message ?? `the daemon answered ${status}`);
      this.#show(answer);
    } catch (error) {
      if (request !== this.#request) return;
      const why = error.name === "TimeoutError" ? "the daemon did not answer in time" : error.message;
      this.#clear();
      say(byId("plan-says"), `No plan: ${words.sentence(why)} Close and open it again to ask once more.`);
    }
  }

  #clear() {
    byId("plan-marks").replaceChildren();
    mark(byId("plan-mind"), "hidden", "");
  }

  #show(plan) {
    say(byId("plan-rig"), `of ${plan.rig}, as wanted now`);
    say(byId("plan-says"), "The shaded region is what key and fill can reach together; the dot is what is wanted.");
    byId("plan-marks").replaceChildren(...plan.marks.map(markPart));
    const body = byId("plan-mind").lastElementChild;
    body.replaceChildren(...toMind(plan).filter(([, lines]) => lines.length).flatMap(([title, lines]) => listed(title, lines)));
    mark(byId("plan-mind"), "hidden", body.childElementCount ? null : "");
  }
}

function markPart(one, i) {
  const id = `plan-mark-${i}`;
  return make(
    "section",
    { class: "plan-mark", "aria-labelledby": id },
    make("h3", { id }, one.mark, " ", make("span", { class: "soft small" }, words.place(one.point, settings.units))),
    ...reachPart(one, i),
    table("To full and to floor", ["Head", "Light", "To full", "To floor"], one.margins.map(marginRow)),
    table("Ratio on the face", ["Read as", "Ratio", "Stops"], one.face.readings.map(faceRow)),
    ...listed("Limits", one.balance.limits.map((limit) => limit.says)),
    ...listed("Glasses", one.glasses.filter((g) => g.margin_deg < g.wanted_margin_deg).map(glassesText)),
    ...listed("Lens", one.lens.filter((lens) => lens.do).map((lens) => lens.do)),
  );
}

const marginRow = (m) => [m.head, `${words.fixed(m.output * 100, 0)} %`, words.stops(m.to_full_stops, false), words.stops(m.to_floor_stops, false)];
const faceRow = (r) => [r.read_as, words.ratio(r.ratio), words.fixed(r.stops, 2)];

function reachPart({ reach, balance }, i) {
  if (!reach.corners.length) return [make("p", { class: "soft" }, "No ratio to speak of: it takes a key and a fill.")];
  const target = words.light(reach.target_exposure_lux, settings.units);
  const wanted = words.wishedRatio(reach.target_ratio);
  const { ratio_stops: ratioUncertainty, exposure_stops: exposureUncertainty } = balance.uncertainty;
  const ratio = (corner) => words.ratio(corner.ratio, ratioUncertainty);
  const exposure = (corner) => words.stops(corner.exposure_stops, true, words.decimals(exposureUncertainty));
  const sentences = [
    reach.ratios
      ? `At ${target}: ${ratio(reach.ratios.least)} (${endedBy(reach.ratios.least)}) to ${ratio(reach.ratios.most)} (${endedBy(reach.ratios.most)}).`
      : `${target} cannot be had here at any ratio.`,
    reach.exposures
      ? `At ${wanted}: exposure ${exposure(reach.exposures.least)} (${endedBy(reach.exposures.least)}) to ${exposure(reach.exposures.most)} (${endedBy(reach.exposures.most)}).`
      : `${wanted} cannot be had here at any exposure.`,
  ];
  const id = `plan-says-${i}`;
  const svg = draw("svg", { class: "reach", viewBox: `0 0 ${WIDE} ${HIGH}`, role: "img", "aria-labelledby": id });
  svg.append(...region(reach, balance.target.ratio_stops, i));
  return [
    svg,
    make("p", { id, class: "small" }, sentences.join(" ")),
    table("Corners of the region", ["Limited by", "Ratio", "Exposure"], reach.corners.map((c) => [endedBy(c), ratio(c), exposure(c)])),
  ];
}

function endedBy({ full, floor }) {
  const parts = [full.length ? `${words.list(full)} full` : "", floor.length ? `${words.list(floor)} at floor` : ""];
  return parts.filter(Boolean).join(", ") || "between its ends";
}

function cornerLines({ full, floor }) {
  const names = (heads) => (heads.length > 2 ? `${heads[0]} +${heads.length - 1}` : heads.join(", "));
  return [full.length ? `${names(full)} full` : "", floor.length ? `${names(floor)} floor` : ""].filter(Boolean);
}

function region(reach, wantedStops, i) {
  const has = typeof wantedStops === "number";
  const points = [...reach.outline, ...(has ? [[wantedStops, 0]] : [])];
  const xs = span(points.map((point) => point[0]));
  const ys = span(points.map((point) => point[1]));
  const x = (stops) => EDGE.left + ((stops - xs.low) / (xs.high - xs.low)) * (WIDE - EDGE.left - EDGE.right);
  const y = (stops) => HIGH - EDGE.bottom - ((stops - ys.low) / (ys.high - ys.low)) * (HIGH - EDGE.top - EDGE.bottom);
  const [left, right, top, bottom] = [x(xs.low), x(xs.high), y(ys.high), y(ys.low)];
  const path = reach.outline.map(([ratio, exposure], n) => `${n ? "L" : "M"}${x(ratio).toFixed(1)} ${y(exposure).toFixed(1)}`).join("");
  const clip = `plan-clip-${i}`;
  const visible = reach.corners.filter((c) => isInside(c.ratio_stops, xs) && isInside(c.exposure_stops, ys));
  const middle = (left + right) / 2;
  return [
    draw("clipPath", { id: clip }, draw("rect", { x: left, y: top, width: right - left, height: bottom - top })),
    ...ticks(xs).flatMap((at) => [
      draw("path", { class: at === 0 ? "grid zero" : "grid", d: `M${x(at)} ${top}V${bottom}` }),
      draw("text", { class: "tick", x: x(at), y: bottom + 30 }, words.fixed(at, 0, at !== 0)),
    ]),
    ...ticks(ys).flatMap((at) => [
      draw("path", { class: at === 0 ? "grid zero" : "grid", d: `M${left} ${y(at)}H${right}` }),
      draw("text", { class: "tick side", x: left - 5, y: y(at) + 4 }, words.fixed(at, 0, at !== 0)),
    ]),
    draw("text", { class: "tick", x: middle, y: HIGH - 9 }, "ratio, stops"),
    draw("text", { class: "tick across", x: left, y: 12 }, "exposure off target, stops"),
    draw("path", { class: "region", d: `${path}Z`, "clip-path": `url(#${clip})` }),
    ...visible.flatMap((corner) => cornerMark(corner, x(corner.ratio_stops), y(corner.exposure_stops), middle, (top + bottom) / 2)),
    ...(has ? [draw("circle", { class: "wanted", cx: x(wantedStops), cy: y(0), r: 6 })] : []),
  ];
}

function cornerMark(corner, cx, cy, middle, half) {
  const anchor = cx > middle + 60 ? "end" : cx < middle - 60 ? "start" : "middle";
  const lines = cornerLines(corner);
  const above = cy < half;
  const first = above ? cy - 6 - 13 * (lines.length - 1) : cy + 15;
  return [
    draw("rect", { class: "corner", x: cx - 3, y: cy - 3, width: 6, height: 6 }),
    ...lines.map((line, n) => draw("text", { class: "ended", x: cx, y: first + 13 * n, "text-anchor": anchor }, line)),
  ];
}

function span(values) {
  const low = Math.max(-MOST_STOPS, Math.floor(Math.min(0, ...values)));
  const high = Math.min(MOST_STOPS, Math.ceil(Math.max(1, ...values)));
  return { low, high };
}

const isInside = (value, { low, high }) => typeof value === "number" && value >= low && value <= high;

function ticks({ low, high }) {
  const step = high - low > 8 ? 2 : 1;
  const found = [];
  for (let at = Math.ceil(low / step) * step; at <= high; at += step) found.push(at);
  return found;
}

function table(title, heads, rows) {
  const top = heads.map((head) => make("th", { scope: "col" }, head));
  const body = rows.map(([first, ...rest]) => make("tr", {}, make("th", { scope: "row" }, first), ...rest.map((cell) => make("td", {}, cell))));
  return make("table", { class: "plan-table" }, make("caption", {}, title), make("thead", {}, make("tr", {}, ...top)), make("tbody", {}, ...body));
}

function listed(title, lines) {
  if (!lines.length) return [];
  return [make("h4", {}, title), make("ul", { class: "plan-lines" }, ...lines.map((line) => make("li", {}, words.sentence(line))))];
}

function glassesText(one) {
  const state = one.seen
    ? `${one.source}: seen in the lenses over ${words.fixed(Math.max(one.covered_percent, 1), 0)} % of them`
    : `${one.source}: only ${words.fixed(one.margin_deg, 0)}° off the lenses`;
  const cures = one.cures.map((cure) => cure.do).join("; or ");
  return `${state}. ${cures ? `To clear it: ${cures}` : "Nothing tried clears it"}`;
}

function toMind({ flicker, power, cautions, camera, unknown }) {
  return [
    ["Flicker", flicker.filter((one) => one.visible).map(flickerText)],
    ["Power and heat", powerLines(power)],
    ["Cautions", cautions],
    ["Camera", camera],
    ["Not known", unknown],
  ];
}

function flickerText(one) {
  const kind = one.pulsed
    ? `pulses at ${one.ripple_hz} Hz`
    : one.known
      ? `${words.fixed(one.modulation_percent, 0)} % ripple at ${one.ripple_hz} Hz`
      : `ripple not known, at worst full at ${one.ripple_hz} Hz`;
  const times = one.safe_times_s.map((time) => `1/${Number((1 / time).toPrecision(4))}`).join(", ");
  return `${one.head} ${kind}: frames differ by up to ${words.stops(one.variation_stops, false)}, bands of ${words.stops(one.banding_stops, false)} across a frame${times ? `; no flicker at ${times} s` : ""}`;
}

function powerLines({ volts, total_watts, total_amps, unknown, unplugged, circuits, hot }) {
  const amps = total_amps === null ? "" : `, ${words.fixed(total_amps, 1)} A at ${volts} V`;
  const lacks = unknown.length ? `, not counting ${words.list(unknown)}` : "";
  return [
    ...(total_watts > 0 ? [`${words.fixed(total_watts, 0)} W in all at full${amps}${lacks}`] : []),
    ...circuits.map(
      (c) => `${c.circuit}: ${words.fixed(c.load_amps, 1)} A of ${c.amps_rated} A${c.over ? `, more than the ${words.fixed(c.most_watts, 0)} W it should carry for long: move a head to another circuit` : ""}`,
    ),
    ...(unplugged.length ? [`on no circuit: ${words.list(unplugged)}`] : []),
    ...hot.map((one) => `${one.head}: ${words.fixed(one.load_watts, 0)} W in a modifier for ${words.fixed(one.max_watts, 0)} W: mind the heat`),
  ];
}

new PlanView();
