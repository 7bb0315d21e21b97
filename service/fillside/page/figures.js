// The numbers that matter, large, and the face as two numbers and one bar.

import { byId, children, make, mark, say } from "./dom.js";
import { settings } from "./settings.js";
import * as words from "./words.js";

const ON_TARGET_STOPS = 0.1;

function figure(id, value, beside, wanted, good) {
  const box = byId(id);
  say(box.querySelector(".value"), value);
  say(box.querySelector(".beside"), beside);
  say(box.querySelector(".wanted"), wanted);
  mark(box, "data-off", good ? null : "true");
}

export function showFigures(now) {
  const { state } = now;
  const { achieved, target, balance, uncertainty } = state;
  const { ratio_stops: ratioSure, exposure_stops: exposureSure } = uncertainty;
  const ratioOff = achieved.ratio_error_stops;
  figure(
    "ratio",
    words.ratio(achieved.ratio, ratioSure),
    achieved.ratio_stops === null ? "needs key and fill" : `${known(achieved.ratio_stops, ratioSure)}${off(ratioOff, ratioSure)}`,
    `Wanted ${words.wishedRatio(target.ratio)}, ${words.stops(target.ratio_stops, false)}`,
    state.mode === "dark" || (ratioOff !== null && Math.abs(ratioOff) <= ON_TARGET_STOPS),
  );
  const exposureOff = achieved.exposure_error_stops;
  figure(
    "exposure",
    exposureOff === null ? "dark" : words.fixed(exposureOff, words.decimals(exposureSure), true),
    exposureOff === null ? "no light on the subject" : `${amount(exposureOff, exposureSure)}${verdict(exposureOff, exposureSure)}`,
    `${words.light(achieved.exposure_lux, settings.units, exposureSure)} of ${words.light(target.exposure_lux, settings.units)}`,
    state.mode === "dark" || (exposureOff !== null && Math.abs(exposureOff) <= ON_TARGET_STOPS),
  );
  say(byId("read-as"), `, ${balance.read_as}`);
  showFace(state.face, uncertainty);
  showStanding(now);
}

/** Stops with how sure they are, as "1.0 ±0.3 stop". */
const known = (stops, sure) => `${words.fixed(stops, words.decimals(sure))} ${amount(stops, sure)}`;

const amount = (stops, sure) => (sure === null ? words.noun(stops) : words.around(sure));

function off(error, sure) {
  if (error === null || Math.abs(error) <= ON_TARGET_STOPS || drowns(error, sure)) return "";
  return `, off by ${words.fixed(error, words.decimals(sure), true)}`;
}

/** Whether nothing is left of a number at the digits that its uncertainty leaves it. */
const drowns = (error, sure) => Number(Math.abs(error).toFixed(words.decimals(sure))) === 0;

function verdict(error, sure) {
  if (Math.abs(error) <= ON_TARGET_STOPS || drowns(error, sure)) return sure > ON_TARGET_STOPS ? ", on target as far as is known" : ", on target";
  return error > 0 ? ", too bright" : ", too dark";
}

function showFace(face, uncertainty) {
  const box = byId("face");
  const lux = (side) => words.light(side, settings.units, uncertainty.exposure_stops);
  say(box.querySelector(".face-ratio"), words.ratio(face.ratio, uncertainty.face_stops));
  say(box.querySelector(".face-key-lux"), lux(face.key_side_lux));
  say(box.querySelector(".face-fill-lux"), lux(face.fill_side_lux));
  mark(box, "data-none", face.key_side_lux + face.fill_side_lux > 0 ? null : "true");
  const both = face.key_side_lux + face.fill_side_lux;
  const share = both > 0 ? face.key_side_lux / both : 0.5;
  const width = `${(share * 100).toFixed(1)}%`;
  const key = box.querySelector(".face-key");
  if (key.style.width !== width) key.style.width = width;
}

/** What stands at a limit, the health of the wires, how sure the numbers are: one line each, always all three. */
function showStanding({ state, heads }) {
  const atLimit = heads.filter((head) => head.at_limit);
  const limit = atLimit.map((head) => `${head.name} at ${head.at_limit === "full" ? "full" : "its floor"}`);
  const drivers = Object.entries(state.drivers).filter(([, driver]) => driver.state !== "ok");
  const own = heads.filter((head) => head.health === "disobeying" || (head.health === "lost" && !drivers.length));
  const unwell = [
    ...drivers.map(([name, driver]) => `${name} ${driver.state}`),
    ...own.map((head) => `${head.name} ${head.health === "lost" ? "lost" : "disobeys"}`),
  ];
  const rough = state.subject_seen.too_rough;
  const bound = state.limits.find((one) => one.head === null);
  const lines = [
    {
      key: "limit",
      sign: limit.length || bound ? "▲" : "✓",
      text: limit.length ? shortList(limit) : bound ? words.sentence(bound.says) : "Nothing at its limit",
      bad: limit.length > 0 || bound !== undefined,
    },
    {
      key: "health",
      sign: unwell.length || rough ? "✕" : "✓",
      text: unwell.length
        ? shortList(unwell)
        : rough
          ? "Tracker too rough"
          : "All wires well",
      bad: unwell.length > 0 || rough,
    },
    {
      key: "unsure",
      sign: "±",
      text: sureness(state.uncertainty, state.calibrated_at !== null),
      bad: false,
    },
  ];
  for (const [line, element] of children(byId("standing"), lines, (l) => l.key, makeLine)) {
    say(element.firstChild, line.sign);
    say(element.lastChild, line.text);
    mark(element, "data-off", line.bad ? "true" : null);
  }
}

function sureness({ ratio_stops: ratio, exposure_stops: exposure }, calibrated) {
  const by = calibrated ? "" : ", by labels alone";
  if (ratio !== null) return `Ratio known to ${words.around(ratio)}${by}`;
  return exposure === null ? "No light to be sure of" : `Exposure known to ${words.around(exposure)}${by}`;
}

const makeLine = () => make("li", {}, make("span", { class: "sign", "aria-hidden": "true" }), make("span", { class: "words" }));

function shortList(things) {
  return things.length > 2 ? `${things[0]} and ${things.length - 1} more` : things.join(", ");
}
