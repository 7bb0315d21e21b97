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
  const { state, uncertainty } = now;
  const { achieved, target, balance } = state;
  const unsure = !Number.isFinite(uncertainty) ? "" : ` ±${words.fixed(words.COVERAGE_FACTOR * uncertainty, 2)}`;
  const ratioOff = achieved.ratio_error_stops;
  figure(
    "ratio",
    words.ratio(achieved.ratio),
    achieved.ratio_stops === null ? "needs key and fill" : `${words.fixed(achieved.ratio_stops, 2)}${unsure} ${words.noun(achieved.ratio_stops)}${off(ratioOff)}`,
    `Wanted ${words.wishedRatio(target.ratio)}, ${words.stops(target.ratio_stops, false)}`,
    state.mode === "dark" || (ratioOff !== null && Math.abs(ratioOff) <= ON_TARGET_STOPS),
  );
  const exposureOff = achieved.exposure_error_stops;
  figure(
    "exposure",
    exposureOff === null ? "dark" : words.fixed(exposureOff, 2, true),
    exposureOff === null ? "no light on the subject" : `${words.noun(exposureOff)}${verdict(exposureOff)}`,
    `${words.light(achieved.exposure_lux, settings.units)} of ${words.light(target.exposure_lux, settings.units)}`,
    state.mode === "dark" || (exposureOff !== null && Math.abs(exposureOff) <= ON_TARGET_STOPS),
  );
  say(byId("read-as"), `, ${balance.read_as}`);
  showFace(state.face);
  showStanding(now);
}

function off(error) {
  return error === null || Math.abs(error) <= ON_TARGET_STOPS ? "" : `, off by ${words.fixed(error, 2, true)}`;
}

function verdict(error) {
  if (Math.abs(error) <= ON_TARGET_STOPS) return ", on target";
  return error > 0 ? ", too bright" : ", too dark";
}

function showFace(face) {
  const box = byId("face");
  say(box.querySelector(".face-ratio"), words.ratio(face.ratio));
  say(box.querySelector(".face-key-lux"), words.light(face.key_side_lux, settings.units));
  say(box.querySelector(".face-fill-lux"), words.light(face.fill_side_lux, settings.units));
  mark(box, "data-none", face.key_side_lux + face.fill_side_lux > 0 ? null : "true");
  const both = face.key_side_lux + face.fill_side_lux;
  const share = both > 0 ? face.key_side_lux / both : 0.5;
  const width = `${(share * 100).toFixed(1)}%`;
  const key = box.querySelector(".face-key");
  if (key.style.width !== width) key.style.width = width;
}

/** What stands at a limit, the health of the wires, how sure the numbers are: one line each, always all three. */
function showStanding({ state, heads, uncertainty }) {
  const atLimit = heads.filter((head) => head.at_limit);
  const limit = atLimit.map((head) => `${head.name} at ${head.at_limit === "full" ? "full" : "its floor"}`);
  const drivers = Object.entries(state.drivers).filter(([, driver]) => driver.state !== "ok");
  const own = heads.filter((head) => head.health === "disobeying" || (["lost", "late"].includes(head.health) && !drivers.length));
  const unwell = [
    ...drivers.map(([name, driver]) => `${name} ${driver.state}`),
    ...own.map((head) => `${head.name} ${{ lost: "lost", late: "has not answered" }[head.health] ?? "disobeys"}`),
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
      sign: uncertainty === null ? "?" : "±",
      text:
        uncertainty === null
          ? "Not calibrated: uncertainty unknown"
          : Number.isNaN(uncertainty)
            ? "No ratio to be sure of"
            : `Ratio known to ${words.within(uncertainty)}`,
      bad: false,
    },
  ];
  for (const [line, element] of children(byId("standing"), lines, (l) => l.key, makeLine)) {
    say(element.firstChild, line.sign);
    say(element.lastChild, line.text);
    mark(element, "data-off", line.bad ? "true" : null);
  }
}

const makeLine = () => make("li", {}, make("span", { class: "sign", "aria-hidden": "true" }), make("span", { class: "words" }));

function shortList(things) {
  return things.length > 2 ? `${things[0]} and ${things.length - 1} more` : things.join(", ");
}
