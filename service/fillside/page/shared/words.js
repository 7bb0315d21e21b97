// Numbers as a person reads them: with a unit, a true minus sign and no more digits than they are worth.

export const LUX_PER_FOOT_CANDLE = 10.763910416709722; // 1 foot is 0.3048 m exactly (international yard and pound, 1959)
const METRES_PER_FOOT = 0.3048;
const NOTHING = "–";

const known = (value) => typeof value === "number" && Number.isFinite(value);

/** A number with a fixed count of decimals, "−" for minus, and no negative zero. */
export function fixed(value, decimals, sign = false) {
  if (!known(value)) return NOTHING;
  const text = Math.abs(value).toFixed(decimals);
  if (Number(text) === 0) return text;
  return (value < 0 ? "−" : sign ? "+" : "") + text;
}

export const noun = (value) => (Math.abs(value) > 1.0001 ? "stops" : "stop");

/** Expanded over standard uncertainty: about 95 % lie within (JCGM 100:2008, 6.2). */
export const COVERAGE_FACTOR = 2;

/** How many decimals a number of stops has that is known to within so many: two digits of that at most (JCGM
 * 100:2008, 7.2.6), never more than two decimals, and none from two stops on. */
export function decimals(withinStops) {
  if (!known(withinStops)) return 2;
  return withinStops >= 1.95 ? 0 : withinStops >= 0.495 ? 1 : 2;
}

/** An expanded uncertainty in stops, as "±0.12 stop". */
export const around = (withinStops) =>
  withinStops > 10 ? "±10 stops or more" : `±${stops(Math.max(withinStops, 0.01), false, decimals(withinStops))}`;

/** The expanded uncertainty for a standard one in stops. */
export const within = (sigma) => around(COVERAGE_FACTOR * sigma);

/** Stops, with two decimals unless fewer are worth it, as "+0.33 stop". */
export function stops(value, sign = true, places = 2) {
  return known(value) ? `${fixed(value, places, sign)} ${noun(value.toFixed(places))}` : NOTHING;
}

const LEAST_ERROR_STOPS = 0.05;

/** What is left of an error; below the least that counts it is not told as a number. */
export function atMost(value) {
  return known(value) && Math.abs(value) < LEAST_ERROR_STOPS ? `less than ${LEAST_ERROR_STOPS} stop` : stops(value, false);
}

const PARTS = { "1/6": "⅙", "1/3": "⅓", "1/2": "½", "2/3": "⅔", "5/6": "⅚" };

/** Stops as a person sets them: "−1⅓", "+½", "0", or with two decimals when it is no sixth. */
export function steps(value) {
  if (!known(value)) return NOTHING;
  const sixths = Math.round(Math.abs(value) * 6);
  if (Math.abs(Math.abs(value) * 6 - sixths) > 0.02) return fixed(value, 2, true);
  if (sixths === 0) return "0";
  const part = { 1: "1/6", 2: "1/3", 3: "1/2", 4: "2/3", 5: "5/6" }[sixths % 6];
  const whole = Math.floor(sixths / 6) || "";
  return (value < 0 ? "−" : "+") + whole + (part ? PARTS[part] : "");
}

/** A number of stops as the trade speaks it: "one third of a stop", "1 1/3 stops". */
export function spokenSteps(value) {
  const said = { "⅙": " 1/6", "⅓": " 1/3", "½": " 1/2", "⅔": " 2/3", "⅚": " 5/6" };
  const text = steps(Math.abs(value)).replace(/[⅙⅓½⅔⅚]/, (part) => said[part]).replace("+", "").trim();
  return `${text} ${noun(value)}`;
}

/** A ratio to one, as "2.00:1"; below one as "1:2.00"; with no digit that its uncertainty in stops makes meaningless. */
export function ratio(value, withinStops = null) {
  if (!known(value) || value <= 0) return NOTHING;
  const number = (x) => (known(withinStops) ? digits(x, withinStops) : x >= 99.5 ? x.toFixed(0) : x.toFixed(2));
  return value >= 1 ? `${number(value)}:1` : `1:${number(1 / value)}`;
}

/** A number above 0 with two digits, three where it is known to less than a tenth. */
function digits(value, withinStops) {
  const count = 2 ** Math.min(withinStops, 10) - 1 >= 0.1 ? 2 : 3;
  const shown = Number(value.toPrecision(count));
  return shown.toFixed(Math.max(0, count - 1 - Math.floor(Math.log10(shown))));
}

/** A wanted ratio without digits that say nothing: "2:1", "2.52:1". */
export function wishedRatio(value) {
  if (!known(value) || value <= 0) return NOTHING;
  const number = (x) => String(Number(x.toFixed(2)));
  return value >= 1 ? `${number(value)}:1` : `1:${number(1 / value)}`;
}

/** Light at a place, with its unit, and no digit that its uncertainty in stops makes meaningless. */
export function light(lux, units, withinStops = null) {
  if (!known(lux)) return NOTHING;
  const value = units === "feet" ? lux / LUX_PER_FOOT_CANDLE : lux;
  const unit = units === "feet" ? "fc" : "lx";
  if (known(withinStops) && value >= 0.005) return `${digits(value, withinStops)} ${unit}`;
  return `${fixed(value, value >= 100 ? 0 : value >= 10 ? 1 : 2)} ${unit}`;
}

/** A length with its unit. */
export function length(metres, units) {
  if (!known(metres)) return NOTHING;
  return units === "feet" ? `${fixed(metres / METRES_PER_FOOT, 1)} ft` : `${fixed(metres, 2)} m`;
}

/** A place as right, away and up. */
export function place(point, units) {
  const [x, y, z] = point;
  const sideways = Math.abs(x) < 0.005 ? "" : `${length(Math.abs(x), units)} ${x > 0 ? "right" : "left"}, `;
  const deep = Math.abs(y) < 0.005 ? "" : `${length(Math.abs(y), units)} ${y > 0 ? "back" : "forward"}, `;
  return `${sideways}${deep}${length(z, units)} up`;
}

/** How long something lasts already, coarser the longer. */
export function lasting(seconds) {
  if (seconds < 10) return `${seconds.toFixed(1)} s`;
  if (seconds < 60) return `${Math.floor(seconds)} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h`;
}

/** A span in seconds, as a person says it. */
export function span(seconds) {
  if (seconds < 60) return `${Math.max(0, Math.round(seconds))} s`;
  if (seconds < 3600) return `${Math.floor(seconds / 60)} min`;
  return `${Math.floor(seconds / 3600)} h ${Math.floor((seconds % 3600) / 60)} min`;
}

/** A time of the day, to the second, from local time [ms]. */
export function clock(at) {
  const time = new Date(at);
  return [time.getHours(), time.getMinutes(), time.getSeconds()].map((part) => String(part).padStart(2, "0")).join(":");
}

/** What the daemon says, as a sentence. */
export const sentence = (text) => `${text.charAt(0).toUpperCase()}${text.slice(1)}${/[.!?]$/.test(text) ? "" : "."}`;

/** Several things as one phrase. */
export function list(things) {
  if (things.length < 2) return things.join("");
  return `${things.slice(0, -1).join(", ")} and ${things.at(-1)}`;
}

/** Whether a limit is what somebody ordered: only some heads on, or none. */
export const isChosen = ({ at }) => at === "only" || at === "dark";

const SHORT = "not reached: ";

/** What became of an order that was done: `said` where the daemon says no more, and apart from it, with its own sign,
 * what keeps the light from being so. The tick before it is the order's. */
export function outcome(note, said) {
  note = (note ?? "").replace(/(^|[ (])-(?=\d)/g, "$1−");
  const at = note.indexOf(SHORT);
  if (at < 0) return note || said;
  return `${note.slice(0, at).replace(/; $/, "") || said}. ▲ ${sentence(note.slice(at))}`;
}
