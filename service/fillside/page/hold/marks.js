// The chart of the marks, around the subject: touch one, or step with the arrow keys, and the light follows.

import { byId, children, make, mark, say } from "../shared/dom.js";
import { settings } from "../shared/settings.js";
import * as words from "../shared/words.js";
import { directionOf } from "./bearing.js";

const SPOT_WIDTH = 108;
const SPOT_HEIGHT = 52;
// From the middle of a spot to the chart's edge: half its height, and the line that names the camera's side.
const MARGIN = 46;
const ARROWS = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };

export class MarkChart {
  #chart = byId("chart");
  #view = null;
  #spots = new Map();
  #layoutKey = "";
  #pending = null;

  /** Call `move(mark)` to order the subject to a mark; it resolves with the answer. */
  constructor(move) {
    this.move = move;
    this.subjectDot = make("span", { class: "spot-here", "aria-hidden": "true" });
    this.#chart.addEventListener("keydown", (event) => this.#key(event));
    this.#chart.addEventListener("click", (event) => {
      const spot = event.target.closest("[role=radio]");
      if (spot) this.#choose(spot);
    });
    new ResizeObserver(() => this.#arrange()).observe(this.#chart);
  }

  show(view) {
    this.#view = view;
    const { state, places } = view;
    const from = state.subject_seen;
    const where = from.mark ? `at ${from.mark}` : distanceText(view);
    const who = { tracker: "says the tracker", hand: "told by hand", file: "as the rig file says" }[from.source];
    say(byId("place-now"), `Subject ${where}, ${who}`);
    if (places) this.#arrange();
  }

  #arrange() {
    if (!this.#view?.places) return;
    const { state, places } = this.#view;
    const width = this.#chart.clientWidth;
    const height = this.#chart.clientHeight;
    const key = JSON.stringify([width, height, settings.camera, state.subject, places.marks]);
    if (key !== this.#layoutKey) {
      this.#layoutKey = key;
      this.#spots = spotPositions(places, state.subject, width, height);
    }
    const names = Object.keys(places.marks);
    const pairs = children(this.#chart, names, (name) => name, makeSpot);
    if (!this.subjectDot.isConnected) this.#chart.append(this.subjectDot);
    const subject = this.#spots.get("");
    mark(this.subjectDot, "hidden", state.subject_seen.mark ? "" : null);
    mark(this.#chart, "data-camera", settings.camera);
    this.subjectDot.style.transform = `translate(${subject.x}px, ${subject.y}px)`;
    const chosen = this.#pending ?? state.subject_seen.mark;
    for (const [name, spot] of pairs) {
      const at = this.#spots.get(name);
      spot.style.transform = `translate(${at.x}px, ${at.y}px) translate(-50%, -50%)`;
      const distance = Math.hypot(...places.marks[name].map((v, i) => v - state.subject[i]));
      say(spot.querySelector(".spot-name"), name);
      say(spot.querySelector(".spot-far"), distance < 0.005 ? "here" : words.length(distance, settings.units));
      mark(spot, "aria-checked", String(name === chosen));
      mark(spot, "tabindex", name === (chosen ?? names[0]) ? 0 : -1);
    }
  }

  async #choose(spot) {
    const name = spot.dataset.key;
    this.#pending = name;
    this.#arrange();
    spot.focus();
    await this.move(name);
    if (this.#pending === name) this.#pending = null;
    this.#arrange();
  }

  #key(event) {
    const way = ARROWS[event.key];
    if (!way || event.altKey || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const from = document.activeElement.dataset.key;
    const to = nextMark(this.#spots, from, way);
    const spot = to && [...this.#chart.querySelectorAll("[role=radio]")].find((s) => s.dataset.key === to);
    if (spot) this.#choose(spot);
  }
}

const makeSpot = () =>
  make(
    "button",
    { role: "radio", class: "spot" },
    make("span", { class: "spot-name" }),
    make("span", { class: "spot-far" }),
  );

/** Return positions on the chart in px by mark name, "" for the subject; the camera is beyond the top or bottom edge. */
function spotPositions(places, subject, width, height) {
  const first = Object.values(places.marks)[0];
  const turn = settings.camera === "bottom" ? Math.PI : 0;
  const flat = new Map();
  for (const [name, point] of [...Object.entries(places.marks), ["", subject]]) {
    // Directions are measured at the first mark, so that the chart stays still while the subject walks.
    const { bearing } = directionOf(point, first, places.camera);
    const distance = Math.hypot(point[0] - first[0], point[1] - first[1]);
    flat.set(name, { x: Math.sin(bearing + turn) * distance, y: -Math.cos(bearing + turn) * distance });
  }
  const all = [...flat.entries()].filter(([name]) => name !== "").map(([, spot]) => spot);
  const span = (axis) => Math.max(...all.map((s) => s[axis])) - Math.min(...all.map((s) => s[axis]));
  const middle = (axis) => (Math.max(...all.map((s) => s[axis])) + Math.min(...all.map((s) => s[axis]))) / 2;
  const inside = { x: width - SPOT_WIDTH - 8, y: height - 2 * MARGIN };
  const scale = Math.min(inside.x / Math.max(0.5, span("x")), inside.y / Math.max(0.5, span("y")));
  const centre = { x: middle("x"), y: middle("y") };
  for (const spot of flat.values()) {
    spot.x = width / 2 + (spot.x - centre.x) * scale;
    spot.y = height / 2 + (spot.y - centre.y) * scale;
  }
  separate(all, width, height);
  const dot = flat.get("");
  dot.x = Math.round(Math.max(8, Math.min(width - 8, dot.x)));
  dot.y = Math.round(Math.max(8, Math.min(height - 8, dot.y)));
  return flat;
}

/** Move spots that are too close for a finger away from each other. */
function separate(spots, width, height) {
  for (let round = 0; round < 40; round++) {
    for (let i = 0; i < spots.length; i++) {
      for (let j = i + 1; j < spots.length; j++) push(spots[i], spots[j]);
    }
    for (const spot of spots) {
      spot.x = Math.max(SPOT_WIDTH / 2, Math.min(width - SPOT_WIDTH / 2, spot.x));
      spot.y = Math.max(MARGIN, Math.min(height - MARGIN, spot.y));
    }
  }
  for (const spot of spots) {
    spot.x = Math.round(spot.x);
    spot.y = Math.round(spot.y);
  }
}

function push(a, b) {
  const across = SPOT_WIDTH + 6 - Math.abs(a.x - b.x);
  const down = SPOT_HEIGHT - Math.abs(a.y - b.y);
  if (across <= 0 || down <= 0) return;
  // Along the shorter way; spots at the same place end up one above the other.
  const axis = across < down ? "x" : "y";
  const by = Math.min(across, down) / 2;
  const way = a[axis] <= b[axis] ? 1 : -1;
  a[axis] -= way * by;
  b[axis] += way * by;
}

/** Return the nearest mark in a direction, by its distance and twice its offset to the side; null where there is none. */
function nextMark(spots, from, [dx, dy]) {
  const start = spots.get(from) ?? spots.get("");
  let best = null;
  let least = Infinity;
  for (const [name, spot] of spots) {
    if (name === "" || name === from) continue;
    const along = (spot.x - start.x) * dx + (spot.y - start.y) * dy;
    const sideways = Math.abs((spot.x - start.x) * dy) + Math.abs((spot.y - start.y) * dx);
    if (along > 4 && along + 2 * sideways < least) [best, least] = [name, along + 2 * sideways];
  }
  return best;
}

function distanceText({ state, places }) {
  if (!places) return words.place(state.subject, settings.units);
  const distances = Object.entries(places.marks).map(([name, p]) => [name, Math.hypot(...p.map((v, i) => v - state.subject[i]))]);
  const [name, distance] = distances.reduce((a, b) => (b[1] < a[1] ? b : a));
  return `${words.length(distance, settings.units)} from ${name}`;
}
