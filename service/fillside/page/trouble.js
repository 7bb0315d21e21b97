// Health of the wires, what stands in the way of the wish, and what would help, each in one plain line.

import { byId, children, make, mark, say } from "./dom.js";
import { ticked } from "./reading.js";
import * as words from "./words.js";

const SIGNS = { ok: "✓", late: "◔", lost: "✕" };

export function showTrouble(now, age) {
  const { state, staleSince, lost } = now;
  if (staleSince !== null) {
    const says = `Wires, limits and what would help are not known: nothing was heard since ${words.clock(staleSince)}.`;
    fill("drivers", [{ says, sign: "?" }]);
    fill("storage", []);
    fill("limits", []);
    fill("remedies", []);
    return;
  }
  showDrivers(now, age);
  showStorage(state.storage);
  const { limits, remedies } = state;
  const notes = state.notes.map((note) => ({ says: note, sign: "·" }));
  const rough = state.subject_seen.too_rough
    ? [{ says: roughness(state.subject_seen), sign: "✕", off: true }]
    : [];
  const inTheWay = [...rough, ...limits.map((limit) => ({ says: words.sentence(limit.says), sign: "▲", off: true })), ...notes];
  const free = ticked(now, "limits") && lost.length === 0;
  fill("limits", inTheWay, free ? "Nothing is in the way of the balance." : "No head is at a limit.", free);
  fill(
    "remedies",
    remedies.map((remedy) => ({ says: `${remedy.do} Leaves ${words.stops(remedy.leaves_stops, false)} of error.`, sign: "→" })),
  );
}

function roughness({ jitter_m: jitter, jitter_stops: stops }) {
  return `The tracker jitters by ${words.fixed(jitter * 100, 0)} cm, ${words.stops(stops, false)} of light: too rough to follow. Steady it, or freeze and use the marks.`;
}

function showDrivers(now, age) {
  const { state } = now;
  const well = ticked(now, "wires") ? SIGNS.ok : "·";
  const lines = Object.entries(state.drivers).flatMap(([name, driver]) => [
    { name, says: driverSays(name, driver, age), sign: driver.state === "ok" ? well : (SIGNS[driver.state] ?? "?"), off: driver.state !== "ok" },
    ...(driver.notices ?? []).map((notice) => ({ says: `${name}: ${words.sentence(notice)}`, sign: "▲" })),
  ]);
  fill("drivers", lines, "This rig has no wires.");
}

function showStorage({ kept, note }) {
  fill("storage", kept ? [] : [{ name: "storage", says: words.sentence(note), sign: "✕", off: true }], "");
}

function driverSays(name, driver, age) {
  const since = age(driver.since);
  const long = since === null ? "" : ` for ${words.span(since)}`;
  if (driver.state === "ok") return `${name}: well`;
  const why = driver.note ? ` ${words.sentence(driver.note)}` : "";
  if (driver.state === "late") return `${name}: late${long}.${why} It is behind with what it should send.`;
  return `${name}: lost${long}.${why} What light its heads give is not known; it is tried again by itself.`;
}

/** Lines, or what is said where there are none, with a tick only where one may stand. */
function fill(id, lines, otherwise = "", tick = false) {
  const all = lines.length || !otherwise ? lines : [{ says: otherwise, sign: tick ? "✓" : "·" }];
  for (const [line, element] of children(byId(id), all, (l) => l.name ?? l.says, makeLine)) {
    say(element.firstChild, line.sign);
    say(element.lastChild, line.says);
    mark(element, "data-off", line.off ? "true" : null);
  }
}

const makeLine = () => make("li", {}, make("span", { class: "sign", "aria-hidden": "true" }), make("span", { class: "words" }));
