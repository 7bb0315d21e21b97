// The meter's display: the value it shows for a light, and the light that a reading stands for (ISO 2720).
//
// E = C N² / (t S) for an aperture N at a time t and a speed S, and E = C 2^EV / 100 for an exposure value at ISO
// 100; C is the receptor's constant. A third-stop name means its exact value, f/5.6 is 2^2.5.

import * as words from "../shared/words.js";

export const SCALES = {
  lux: { name: "lx", says: "lux" },
  fc: { name: "fc", says: "foot-candles" },
  ev: { name: "EV", says: "exposure value at ISO 100" },
  tenths: { name: "f/ ⅒", says: "f-stops in tenths" },
  thirds: { name: "f/ ⅓", says: "f-stops in thirds" },
  m: { name: "m", says: "metres of a tape" },
  ft: { name: "ft", says: "feet of a tape" },
};

/** Metres in each unit of a tape. */
export const TAPES = { m: 1, ft: words.METRES_PER_FOOT };

const THIRD_STOPS = "0.7 0.8 0.9 1 1.1 1.2 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5 4 4.5 5 5.6 6.3 7.1 8 9 10 11 13 14 16 18 20 22 25 29 32 36 40".split(" ");
export const FULL_STOPS = THIRD_STOPS.filter((_, i) => i % 3 === 0);
const thirdStop = (full, part) => THIRD_STOPS[3 * FULL_STOPS.indexOf(full) + part];

/** Parse a time such as "1/50" or "0.02" to seconds; NaN for anything else. */
export function seconds(text) {
  const match = /^\s*(?:1\s*\/\s*(\d+(?:\.\d+)?)|(\d+(?:\.\d+)?))\s*s?\s*$/.exec(text);
  if (!match) return NaN;
  return match[1] ? 1 / Number(match[1]) : Number(match[2]);
}

/** Return the {value, unit} to send for an entry, null while it is no reading. */
export function readingOf(entry) {
  const { scale, text, full, part, iso, shutter } = entry;
  if (scale === "tenths" || scale === "thirds") {
    if (!full || part === null || !(Number(iso) > 0) || !(seconds(shutter) > 0)) return null;
    const at = `@${iso}@${shutter.replace(/\s/g, "")}`;
    if (scale === "thirds") return { unit: `f/${thirdStop(full, part)}${at}` };
    return { unit: `f/${full}+${(part / 10).toFixed(1)}${at}` };
  }
  if (!/\d/.test(text)) return null;
  return { value: Number(text), unit: scale === "ev" ? "ev100" : scale };
}

export function luxOf(entry, constant) {
  if (!readingOf(entry) || entry.scale in TAPES) return null;
  const { scale, text, full, part, iso, shutter } = entry;
  if (scale === "lux") return Number(text);
  if (scale === "fc") return Number(text) * words.LUX_PER_FOOT_CANDLE;
  if (scale === "ev") return (constant * 2 ** Number(text)) / 100;
  const stops = FULL_STOPS.indexOf(full) - 1 + (scale === "tenths" ? part / 10 : part / 3);
  return (constant * 2 ** stops) / (seconds(shutter) * Number(iso));
}

export function displayOf(lux, entry, constant) {
  const { scale, iso, shutter } = entry;
  if (scale === "lux" || scale === "fc") return words.light(lux, scale === "fc" ? "feet" : "metric");
  if (scale === "ev") return `${words.fixed(Math.log2((lux * 100) / constant), 1)} EV`;
  const stops = Math.log2((lux * seconds(shutter) * Number(iso)) / constant);
  return Number.isFinite(stops) ? fStop(stops, scale) : "set ISO and time below";
}

function fStop(stops, scale) {
  const steps = scale === "tenths" ? 10 : 3;
  const whole = Math.round(stops * steps);
  const index = Math.floor(whole / steps) + 1;
  if (index < 0) return "less than f/0.7";
  if (index >= FULL_STOPS.length) return "more than f/32";
  return scale === "tenths" ? `f/${FULL_STOPS[index]} .${whole - (index - 1) * steps}` : `f/${THIRD_STOPS[whole + 3]}`;
}

export function entryText(entry) {
  const { scale, text, full, part } = entry;
  if (scale === "tenths") return full ? `f/${full} .${part ?? "_"}` : "f/_";
  if (scale === "thirds") return full ? `f/${thirdStop(full, part ?? 0)}` : "f/_";
  return `${(text || "_").replace("-", "−")} ${SCALES[scale].name}`;
}
