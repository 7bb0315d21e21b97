// The daemon's state and room as the page needs them; the one place that knows their shape.
//
// The room (marks, camera, where heads are) changes only with the rig file or a calibration; the state is what
// changes all the time.

import { seen } from "./bearing.js";
import { list } from "../shared/words.js";

const log2 = (x) => (x > 0 ? Math.log2(x) : -Infinity);

/** Everything the parts of the page show; `staleSince` is when the daemon was last heard [ms], null while it is. */
export function reading(state, room, staleSince = null) {
  const heads = headsOf(state, room);
  return {
    state,
    room,
    heads,
    staleSince,
    alone: aloneOf(state, heads),
    lost: heads.filter((head) => head.health === "lost").map((head) => head.name),
    roles: rolesOf(state, heads),
    // Rings count stops from the exposure wanted before trims, so that a trim does not move them.
    ringLux: state.balance.exposure_lux,
    sides: sidesOf(state, heads, room),
  };
}

/** The names of the heads that are on alone, one that cannot be put out among them; null when all are as the mode has them. */
function aloneOf({ alone, shown }, heads) {
  const wanted = alone ? [alone] : shown;
  if (!wanted) return null;
  const burning = heads.filter((head) => head.rule !== "work" && !head.dimmable && !wanted.includes(head.name));
  return list([...wanted, ...burning.map((head) => head.name)]) || "no head";
}

/** Whether a tick may stand at "balance", "limits" or "wires": only the daemon says so, and only while it is heard. */
export function ticked({ state, staleSince }, what) {
  return staleSince === null && state.ticks?.[what] === true;
}

function headsOf(state, room) {
  const known = new Map((room?.heads ?? []).map((head) => [head.name, head]));
  return state.heads.map((head) => {
    const fixed = known.get(head.name) ?? { rule: head.role, floor: 0, sigma_stops: null, dimmable: true };
    // The light of a lamp that disobeys is not that of its output.
    const full = head.output > 0 && head.state !== "disobeying" ? head.lux / head.output : null;
    return {
      ...head,
      rule: fixed.rule,
      // A head that is out on purpose is at no limit.
      at_limit: head.works && head.output > 0 ? head.at_limit : null,
      health: head.state ?? (head.works ? "ok" : "lost"),
      dimmable: fixed.dimmable,
      sigmaStops: fixed.sigma_stops,
      fullLux: full,
      floorLux: full === null ? null : full * fixed.floor,
      goalLux: full === null ? null : full * head.goal.output,
      toFull: head.output > 0 ? -log2(head.output) : null,
      toFloor: head.output > 0 && fixed.floor > 0 ? log2(head.output / fixed.floor) : null,
      from: fixed.position ? seen(fixed.position, state.subject, room.camera) : null,
    };
  });
}

/** The roles that take trims, in the rig's order, with the light each gives together. */
function rolesOf(state, heads) {
  const roles = new Map();
  for (const head of heads) {
    if (head.rule === "work" || !head.dimmable) continue;
    const role = roles.get(head.role) ?? { name: head.role, lux: 0, trim: state.trims[head.role] ?? 0 };
    role.lux += head.lux;
    roles.set(head.role, role);
  }
  return [...roles.values()];
}

/** The lit and the shadow side in lux, as their ratio says; null without a ratio. */
function sidesOf(state, heads, room) {
  const stops = state.achieved.ratio_stops;
  if (stops === null) return null;
  const key = heads.reduce((sum, head) => sum + (head.rule === "key" && head.works ? head.lux : 0), 0);
  const lit = key + (room?.ambient?.toward_key ?? 0);
  if (!(lit > 0)) return null;
  const wanted = state.target.ratio_stops;
  return { lit, shadow: lit / 2 ** stops, wanted: wanted === null ? null : lit / 2 ** wanted };
}
