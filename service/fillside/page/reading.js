// The daemon's state and room as the page needs them; the one place that knows their shape.
//
// The room (marks, camera, where heads are) changes only with the rig file or a calibration; the state is what
// changes all the time.

import { seen } from "./bearing.js";

const log2 = (x) => (x > 0 ? Math.log2(x) : -Infinity);

/** Everything the parts of the page show. */
export function reading(state, room) {
  const heads = headsOf(state, room);
  return {
    state,
    room,
    heads,
    roles: rolesOf(state, heads),
    // Rings count stops from the exposure wanted before trims, so that a trim does not move them.
    ringLux: state.balance.exposure_lux,
    uncertainty: uncertaintyOf(heads),
    sides: sidesOf(state, heads, room),
  };
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

/** Standard uncertainty of the ratio in stops from that of its two lights, each weighed by its share;
 * null when it is not calibrated, NaN when there is no ratio. */
function uncertaintyOf(heads) {
  if (heads.some((head) => (head.rule === "key" || head.rule === "fill") && head.sigmaStops === null)) return null;
  let variance = 0;
  for (const rule of ["key", "fill"]) {
    const own = heads.filter((head) => head.rule === rule && head.works);
    const lux = own.reduce((sum, head) => sum + head.lux, 0);
    if (lux <= 0) return NaN;
    variance += own.reduce((sum, head) => sum + ((head.lux / lux) * head.sigmaStops) ** 2, 0);
  }
  return Math.sqrt(variance);
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
