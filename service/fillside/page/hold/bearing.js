// Directions as the subject sees them.
//
// A rig's x goes right as the camera sees it, y away from the camera, z up. The subject faces the camera, so what
// is at the camera's right is at the subject's left. A bearing is in radians clockwise from the camera,
// seen from above.

const difference = (a, b) => [a[0] - b[0], a[1] - b[1], a[2] - b[2]];

/** Return {bearing, above, distance} of `point` from `subject`, with the camera straight ahead. */
export function directionOf(point, subject, camera) {
  const [x, y, z] = difference(point, subject);
  const [cx, cy] = difference(camera, subject);
  const ahead = Math.hypot(cx, cy) > 1e-6 ? [cx, cy] : [0, -1];
  const forward = x * ahead[0] + y * ahead[1];
  const right = x * ahead[1] - y * ahead[0];
  const flat = Math.hypot(x, y);
  return {
    bearing: flat < 1e-6 ? 0 : Math.atan2(right, forward),
    above: Math.atan2(z, flat),
    distance: Math.hypot(x, y, z),
  };
}

const degrees = (radians) => Math.round((radians * 180) / Math.PI);

/** Describe a direction, with left and right as the camera sees them, as in the rig file: "40° camera left, 30° up". */
export function directionText({ bearing, above }) {
  const azimuth = degrees(Math.atan2(Math.sin(bearing), Math.cos(bearing)));
  const up = degrees(above);
  const height = Math.abs(up) < 3 ? "level" : `${Math.abs(up)}° ${up > 0 ? "up" : "down"}`;
  if (up > 80) return "overhead";
  if (Math.abs(azimuth) < 3) return `from the camera, ${height}`;
  if (Math.abs(azimuth) > 177) return `from behind, ${height}`;
  return `${Math.abs(azimuth)}° camera ${azimuth < 0 ? "right" : "left"}, ${height}`;
}
