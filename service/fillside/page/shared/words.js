// Numbers for people: with a unit, a true minus sign and no more digits than their uncertainty allows.

export const LUX_PER_FOOT_CANDLE = 10.763910416709722; // 1 foot is 0.3048 m exactly (international yard and pound, 1959)
export const METRES_PER_FOOT = 0.3048;
const NOTHING = "–";

const isNumber = (value) => typeof value === "number" && Number.isFinite(value);

/** A number with a fixed count of decimals, "−" for minus, and no negative zero. */
export function fixed(value, decimals, sign = false) {
  if (!isNumber(value)) return NOTHING;
  const text = Math.abs(value).toFixed(decimals);
  if (Number(text) === 0) return text;
  return (value < 0 ? "−" : sign ? "+" : "") + text;
}

export const noun = (value) => (Math.abs(value) > 1.0001 ? "stops" : "stop");

/** The decimals of a number of stops with this expanded uncertainty: at most two digits of the uncertainty (JCGM
 * 100:2008, 7.2.6), never more than two decimals, and none from two stops on. */
export function decimals(withinStops) {
  if (!isNumber(withinStops)) return 2;
  return withinStops >= 1.95 ? 0 : withinStops >= 0.495 ? 1 : 2;
}

export const around = (withinStops) =>
  withinStops === null ? "" : withinStops > 10 ? "±10 stops or more" : `±${stops(Math.max(withinStops, 0.01), false, decimals(withinStops))}`;

/** Of a standard uncertainty. */
export const within = (sigma) => around(2 * sigma);

export function stops(value, sign = true, places = 2) {
  return isNumber(value) ? `${fixed(value, places, sign)} ${noun(value.toFixed(places))}` : NOTHING;
}

const LEAST_ERROR_STOPS = 0.05;

/** Format a remaining error; one too small to matter is given as a bound. */
export function atMost(value) {
  return isNumber(value) && Math.abs(value) < LEAST_ERROR_STOPS ? `less than ${LEAST_ERROR_STOPS} stop` : stops(value, false);
}

const PARTS = { "1/6": "⅙", "1/3": "⅓", "1/2": "½", "2/3": "⅔", "5/6": "⅚" };

/** Format stops as a person sets them: "−1⅓", "+½", "0", or with two decimals when they are no sixths. */
export function steps(value) {
  if (!isNumber(value)) return NOTHING;
  const sixths = Math.round(Math.abs(value) * 6);
  if (Math.abs(Math.abs(value) * 6 - sixths) > 0.02) return fixed(value, 2, true);
  if (sixths === 0) return "0";
  const part = { 1: "1/6", 2: "1/3", 3: "1/2", 4: "2/3", 5: "5/6" }[sixths % 6];
  const whole = Math.floor(sixths / 6) || "";
  return (value < 0 ? "−" : "+") + whole + (part ? PARTS[part] : "");
}

/** Format a number of stops for a screen reader, as "1 1/3 stops". */
export function stepsForSpeech(value) {
  const fractions = { "⅙": " 1/6", "⅓": " 1/3", "½": " 1/2", "⅔": " 2/3", "⅚": " 5/6" };
  const text = steps(Math.abs(value)).replace(/[⅙⅓½⅔⅚]/, (part) => fractions[part]).replace("+", "").trim();
  return `${text} ${noun(value)}`;
}

/** Format a ratio to one, as "2.00:1", below one as "1:2.00", with the digits that its uncertainty in stops allows. */
export function ratio(value, withinStops = null) {
  if (!isNumber(value) || value <= 0) return NOTHING;
  const number = (x) => (isNumber(withinStops) ? digits(x, withinStops) : x >= 99.5 ? x.toFixed(0) : x.toFixed(2));
  return value >= 1 ? `${number(value)}:1` : `1:${number(1 / value)}`;
}

function digits(value, withinStops) {
  const count = 2 ** Math.min(withinStops, 10) - 1 >= 0.1 ? 2 : 3;
  const rounded = Number(value.toPrecision(count));
  return rounded.toFixed(Math.max(0, count - 1 - Math.floor(Math.log10(rounded))));
}

/** Format a wanted ratio without trailing zeros: "2:1", "2.52:1". */
export function wishedRatio(value) {
  if (!isNumber(value) || value <= 0) return NOTHING;
  const number = (x) => String(Number(x.toFixed(2)));
  return value >= 1 ? `${number(value)}:1` : `1:${number(1 / value)}`;
}

/** Format an illuminance with its unit and the digits that its uncertainty in stops allows. */
export function light(lux, units, withinStops = null) {
  if (!isNumber(lux)) return NOTHING;
  const value = units === "feet" ? lux / LUX_PER_FOOT_CANDLE : lux;
  const unit = units === "feet" ? "fc" : "lx";
  if (isNumber(withinStops) && value >= 0.005) return `${digits(value, withinStops)} ${unit}`;
  return `${fixed(value, value >= 100 ? 0 : value >= 10 ? 1 : 2)} ${unit}`;
}

export function length(metres, units) {
  if (!isNumber(metres)) return NOTHING;
  return units === "feet" ? `${fixed(metres / METRES_PER_FOOT, 1)} ft` : `${fixed(metres, 2)} m`;
}

/** Format a position as distances to the right, back and up. */
export function place(point, units) {
  const [x, y, z] = point;
  const sideways = Math.abs(x) < 0.005 ? "" : `${length(Math.abs(x), units)} ${x > 0 ? "right" : "left"}, `;
  const deep = Math.abs(y) < 0.005 ? "" : `${length(Math.abs(y), units)} ${y > 0 ? "back" : "forward"}, `;
  return `${sideways}${deep}${length(z, units)} up`;
}

export function elapsed(seconds) {
  if (seconds < 10) return `${seconds.toFixed(1)} s`;
  if (seconds < 60) return `${Math.floor(seconds)} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h`;
}

export function span(seconds) {
  if (seconds < 60) return `${Math.max(0, Math.round(seconds))} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h ${Math.floor((seconds % 3600) / 60)} min`;
}

export function clock(at) {
  const time = new Date(at);
  return [time.getHours(), time.getMinutes(), time.getSeconds()].map((part) => String(part).padStart(2, "0")).join(":");
}

export const sentence = (text) => `${text.charAt(0).toUpperCase()}${text.slice(1)}${/[.!?]$/.test(text) ? "" : "."}`;

export function list(items) {
  if (items.length < 2) return items.join("");
  return `${items.slice(0, -1).join(", ")} and ${items.at(-1)}`;
}

export const isChosen = ({ at }) => at === "only" || at === "dark";

const SHORT = "not reached: ";

/** Describe the result of an order that was carried out: the daemon's note, or `otherwise` where it has none, then, marked ▲,
 * the part of the target that is not reached. The caller's tick belongs to the order alone. */
export function outcome(note, otherwise) {
  note = (note ?? "").replace(/(^|[ (])-(?=\d)/g, "$1−");
  const at = note.indexOf(SHORT);
  if (at < 0) return note || otherwise;
  return `${note.slice(0, at).replace(/; $/, "") || otherwise}. ▲ ${sentence(note.slice(at))}`;
}
