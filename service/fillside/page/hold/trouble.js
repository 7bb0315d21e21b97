// Health of the wires, limits of the balance, and remedies, each in one plain line.

import { byId, children, makeLine, mark, say } from "../shared/dom.js";
import * as words from "../shared/words.js";
import { ticked } from "./view.js";

const SIGNS = { ok: "✓", late: "◔", lost: "✕" };

export function showTrouble(view, age) {
  const { state, staleSince } = view;
  if (staleSince !== null) {
    const says = `Wires, limits and what would help are not known: nothing was heard since ${words.clock(staleSince)}.`;
    fill("drivers", [{ says, sign: "?" }]);
    fill("storage", []);
    fill("limits", []);
    fill("remedies", []);
    return;
  }
  showDrivers(state, age);
  showStorageAndJobs(state);
  const { limits, remedies } = state;
  const notes = state.notes.map((note) => ({ says: note, sign: "·" }));
  const rough = state.subject_seen.too_rough
    ? [{ says: roughness(state.subject_seen), sign: "✕", off: true }]
    : [];
  const inTheWay = [...rough, ...limits.map(lineOf), ...notes];
  // Only the daemon gives a tick: there is never one beside an error.
  const well = { says: "Nothing is in the way of the balance.", sign: "✓" };
  const underWay = { says: "The light is not as wanted yet.", sign: "◔" };
  fill("limits", inTheWay, ticked(view, "limits") ? well : underWay);
  fill(
    "remedies",
    remedies.map((remedy) => ({ says: `${remedy.do} Leaves ${words.atMost(remedy.leaves_stops)} of error.`, sign: "→" })),
    null,
  );
}

const lineOf = (limit) => {
  const chosen = words.isChosen(limit);
  return { says: words.sentence(limit.says), sign: chosen ? "·" : "▲", off: !chosen };
};

function roughness({ jitter_m: jitter, jitter_stops: stops }) {
  return `The tracker jitters by ${words.fixed(jitter * 100, 0)} cm, ${words.stops(stops, false)} of light: too rough to follow. Steady it, or freeze and use the marks.`;
}

function showDrivers(state, age) {
  const lines = Object.entries(state.drivers).flatMap(([name, driver]) => [
    { name, says: driverSays(name, driver, age), sign: signOf(driver), off: driver.state !== "ok" },
    ...(driver.notices ?? []).map((notice) => ({ says: `${name}: ${words.sentence(notice)}`, sign: "▲" })),
  ]);
  fill("drivers", lines, { says: "This rig has no wires.", sign: "·" });
}

/** A wire with a notice gets no tick. */
const signOf = ({ state, notices }) => (state === "ok" && notices?.length ? "·" : (SIGNS[state] ?? "?"));

function showStorageAndJobs({ storage, jobs }) {
  const disk = storage.kept ? [] : [{ name: "storage", says: words.sentence(storage.note), sign: "✕", off: true }];
  const failing = jobs.map((job) => ({ name: `job ${job.name}`, says: `${words.sentence(job.name)} fails and is tried again: ${job.says}`, sign: "✕", off: true }));
  fill("storage", [...disk, ...failing]);
}

function driverSays(name, driver, age) {
  const since = age(driver.since);
  const long = since === null ? "" : ` for ${words.span(since)}`;
  if (driver.state === "ok") return `${name}: well`;
  const why = driver.note ? ` ${words.sentence(driver.note)}` : "";
  if (driver.state === "late") return `${name}: late${long}.${why} It is behind with what it should send.`;
  return `${name}: lost${long}.${why} What light its heads give is not known; it is tried again by itself.`;
}

function fill(id, lines, otherwise = null) {
  const all = lines.length || !otherwise ? lines : [otherwise];
  for (const [line, element] of children(byId(id), all, (l) => l.name ?? l.says, makeLine)) {
    say(element.firstChild, line.sign);
    say(element.lastChild, line.says);
    mark(element, "data-off", line.off ? "true" : null);
  }
}

