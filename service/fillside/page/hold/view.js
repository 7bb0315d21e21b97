// The daemon's answers in the form that the parts of the page show; no other module depends on their raw shape.
//
// `places` (marks, camera, positions of the heads) changes only with the rig file or a calibration; `state` changes
// all the time.

import { list } from "../shared/words.js";
import { directionOf } from "./bearing.js";

const log2 = (x) => (x > 0 ? Math.log2(x) : -Infinity);

/** Return the view that the parts of the page show; `staleSince` is the time of the daemon's last message [ms], null while
 * it is connected. */
export function viewOf(state, places, staleSince = null) {
  const heads = headsOf(state, places);
  return {
    state,
    places,
    heads,
    staleSince,
    alone: aloneOf(state, heads),
    lost: heads.filter((head) => head.health === "lost").map((head) => head.name),
    roles: rolesOf(state, heads),
    // Rings count stops from the exposure wanted before trims, so that a trim does not move them.
    ringLux: state.balance.exposure_lux,
    sides: sidesOf(state, heads, places),
  };
}

/** Name the heads that are on alone, with those that cannot be put out; null where the mode decides on all of them. */
function aloneOf({ alone, shown: visible }, heads) {
  const wanted = alone ? [alone] : visible;
  if (!wanted) return null;
  const burning = heads.filter((head) => head.rule !== "work" && !head.dimmable && !wanted.includes(head.name));
  return list([...wanted, ...burning.map((head) => head.name)]) || "no head";
}

/** Return whether "balance", "limits" or "wires" gets a tick: the daemon alone decides, and only while it is connected. */
export function ticked({ state, staleSince }, what) {
  return staleSince === null && state.ticks?.[what] === true;
}

function headsOf(state, places) {
  const placed = new Map((places?.heads ?? []).map((head) => [head.name, head]));
  return state.heads.map((head) => {
    const fixed = placed.get(head.name) ?? { rule: head.role, floor: 0, dimmable: true };
    // A lamp that disobeys does not give the light of its output.
    const full = head.output > 0 && head.state !== "disobeying" ? head.lux / head.output : null;
    return {
      ...head,
      rule: fixed.rule,
      // A head that was put out on purpose is at no limit.
      at_limit: head.works && head.output > 0 ? head.at_limit : null,
      health: head.state ?? (head.works ? "ok" : "lost"),
      dimmable: fixed.dimmable,
      fullLux: full,
      floorLux: full === null ? null : full * fixed.floor,
      goalLux: full === null ? null : full * head.goal.output,
      toFull: head.output > 0 ? -log2(head.output) : null,
      toFloor: head.output > 0 && fixed.floor > 0 ? log2(head.output / fixed.floor) : null,
      from: fixed.position ? directionOf(fixed.position, state.subject, places.camera) : null,
    };
  });
}

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

/** Return the light on the lit and on the shadow side in lux, by the ratio; null without a ratio. */
function sidesOf(state, heads, places) {
  const stops = state.achieved.ratio_stops;
  if (stops === null) return null;
  const key = heads.reduce((sum, head) => sum + (head.rule === "key" && head.works ? head.lux : 0), 0);
  const lit = key + (places?.ambient?.toward_key ?? 0);
  if (!(lit > 0)) return null;
  const wanted = state.target.ratio_stops;
  return { lit, shadow: lit / 2 ** stops, wanted: wanted === null ? null : lit / 2 ** wanted };
}
