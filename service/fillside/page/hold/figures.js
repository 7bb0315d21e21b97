// The main figures: ratio and exposure in large type, the face as two numbers and a bar, and three lines of status.

import { byId, children, makeLine, mark, say } from "../shared/dom.js";
import { settings } from "../shared/settings.js";
import * as words from "../shared/words.js";
import { ticked } from "./view.js";

// With an uncertainty up to this, "on target" needs no "as far as is known".
const SURE_STOPS = 0.1;

function figure(id, value, beside, wanted, good) {
  const box = byId(id);
  say(box.querySelector(".value"), value);
  say(box.querySelector(".beside"), beside);
  say(box.querySelector(".wanted"), wanted);
  mark(box, "data-off", good ? null : "true");
}

export function showFigures(view) {
  const { state, staleSince, lost } = view;
  const stale = staleSince !== null;
  // Replaces the verdict while the daemon is silent, or while the light of a lamp is not known.
  const caveat = stale ? `as of ${words.clock(staleSince)}` : lost.length ? `not counting ${shortList(lost)}` : null;
  const { achieved, target, balance, uncertainty, ticks } = state;
  const { ratio_stops: ratioUncertainty, exposure_stops: exposureUncertainty } = uncertainty;
  const ratioOff = achieved.ratio_error_stops;
  figure(
    "ratio",
    words.ratio(achieved.ratio, ratioUncertainty),
    caveat !== null ? caveat : achieved.ratio_stops === null ? "needs key and fill" : `${withUncertainty(achieved.ratio_stops, ratioUncertainty)}${errorText(ratioOff, ratioUncertainty, ticks.ratio)}`,
    `Wanted ${words.wishedRatio(target.ratio)}, ${words.stops(target.ratio_stops, false)}`,
    stale || state.mode === "dark" || ticks.ratio,
  );
  const exposureOff = achieved.exposure_error_stops;
  figure(
    "exposure",
    exposureOff === null ? (caveat === null ? "dark" : "–") : words.fixed(exposureOff, words.decimals(exposureUncertainty), true),
    caveat !== null ? caveat : exposureOff === null ? "no light on the subject" : `${amount(exposureOff, exposureUncertainty)}${verdict(exposureOff, exposureUncertainty, ticks.exposure)}`,
    `${words.light(achieved.exposure_lux, settings.units, exposureUncertainty)} of ${words.light(target.exposure_lux, settings.units)}`,
    stale || state.mode === "dark" || ticks.exposure,
  );
  say(byId("read-as"), `, ${balance.read_as}`);
  say(byId("face-title"), lost.length && !stale ? `Face, not counting ${shortList(lost)}` : "Face");
  showFace(state.face, uncertainty);
  showStatusLines(view);
}

const withUncertainty = (stops, uncertainty) => `${words.fixed(stops, words.decimals(uncertainty))} ${amount(stops, uncertainty)}`;

const amount = (stops, uncertainty) => (uncertainty === null ? words.noun(stops) : words.around(uncertainty));

function errorText(error, uncertainty, onTarget) {
  return error === null || onTarget || roundsToZero(error, uncertainty) ? "" : `, off by ${words.fixed(error, words.decimals(uncertainty), true)}`;
}

const roundsToZero = (error, uncertainty) => Number(Math.abs(error).toFixed(words.decimals(uncertainty))) === 0;

function verdict(error, uncertainty, onTarget) {
  if (onTarget) return uncertainty > SURE_STOPS ? ", on target as far as is known" : ", on target";
  return roundsToZero(error, uncertainty) ? "" : error > 0 ? ", too bright" : ", too dark";
}

function showFace(face, { face_stops, exposure_stops }) {
  const box = byId("face");
  const { key_side_lux: key, fill_side_lux: fill } = face;
  const put = (name, text) => say(box.querySelector(`.face-${name}`), text);
  const ratio = (value) => words.ratio(value, face_stops);
  const lux = (side) => words.light(side, settings.units, exposure_stops);
  put("ratio", ratio(face.ratio));
  put("halves", ratio(face.halves_ratio));
  put("key-lux", lux(key));
  put("fill-lux", lux(fill));
  mark(box, "data-none", key + fill > 0 ? null : "true");
  const width = `${((100 * key) / (key + fill || 1)).toFixed(1)}%`;
  const { style } = box.querySelector(".face-key");
  if (style.width !== width) style.width = width;
}

/** Show three lines, always all of them: limits, health of the wires, uncertainty of the numbers. */
function showStatusLines(view) {
  for (const [line, element] of children(byId("standing"), view.staleSince === null ? statusLines(view) : UNKNOWN_LINES, (l) => l.key, makeLine)) {
    say(element.firstChild, line.sign);
    say(element.lastChild, line.text);
    mark(element, "data-off", line.bad ? "true" : null);
  }
}

const UNKNOWN_LINES = [
  { key: "limit", sign: "?", text: "Limits are not known now" },
  { key: "health", sign: "?", text: "Wires are not known now" },
  { key: "unsure", sign: "?", text: "Ratio is not known now" },
];

function statusLines(view) {
  const { state, heads } = view;
  const { limits } = state;
  const atEnd = heads.filter((head) => head.at_limit).map((head) => `${head.name} at ${head.at_limit === "full" ? "full" : "its floor"}`);
  const inTheWay = limits.find((one) => one.head === null) ?? limits.find((one) => one.at !== "full" && one.at !== "floor");
  return [
    limitLine(atEnd, inTheWay, ticked(view, "limits")),
    healthLine(state, heads, ticked(view, "wires")),
    {
      key: "unsure",
      sign: "±",
      text: uncertaintyText(state.uncertainty, state.calibrated_at !== null),
      bad: false,
    },
  ];
}

function limitLine(atEnd, inTheWay, allWell) {
  const line = { key: "limit", sign: "▲", bad: true };
  if (atEnd.length) return { ...line, text: shortList(atEnd) };
  if (inTheWay) return { ...line, text: words.sentence(inTheWay.says), ...(words.isChosen(inTheWay) && { sign: "·", bad: false }) };
  return allWell ? { ...line, text: "Nothing in the way", sign: "✓", bad: false } : { ...line, text: "Not as wanted yet", sign: "◔", bad: false };
}

function healthLine(state, heads, allWell) {
  const drivers = Object.entries(state.drivers).filter(([, driver]) => driver.state !== "ok");
  const own = heads.filter((head) => head.health === "disobeying" || (["lost", "late"].includes(head.health) && !drivers.length));
  const unwell = [
    ...drivers.map(([name, driver]) => `${name} ${driver.state}`),
    ...own.map((head) => `${head.name} ${{ lost: "lost", late: "has not answered" }[head.health] ?? "disobeys"}`),
  ];
  const rough = state.subject_seen.too_rough;
  const bad = unwell.length > 0 || rough;
  const well = allWell ? "All wires well" : "See the wires below";
  return {
    key: "health",
    sign: bad ? "✕" : allWell ? "✓" : "▲",
    text: unwell.length ? shortList(unwell) : rough ? "Tracker too rough" : well,
    bad,
  };
}

function uncertaintyText({ ratio_stops: ratio, exposure_stops: exposure }, calibrated) {
  const by = calibrated ? "" : ", by labels alone";
  if (ratio !== null) return `Ratio ${words.around(ratio)}${by}`;
  return exposure === null ? "No light to be sure of" : `Exposure ${words.around(exposure)}${by}`;
}


function shortList(things) {
  return things.length > 2 ? `${things[0]} and ${things.length - 1} more` : things.join(", ");
}
