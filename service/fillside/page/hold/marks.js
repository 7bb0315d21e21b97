// The marks as the subject sees them from where it is: touch one, or step with the arrow keys, and the light follows.

import { seen } from "./bearing.js";
import { byId, children, make, mark, say } from "../shared/dom.js";
import { settings } from "../shared/settings.js";
import * as words from "../shared/words.js";

const WIDEST = 108;
const APART = 52;
// From the middle of a mark to the chart's edge: half of it, and the line that says where the camera is.
const EDGE = 46;
const ARROWS = { ArrowUp: [0, -1], ArrowDown: [0, 1], ArrowLeft: [-1, 0], ArrowRight: [1, 0] };

export class Places {
  #chart = byId("chart");
  #now = null;
  #spots = new Map();
  #at = "";
  #asked = null;

  /** `go(mark)` orders the subject there and resolves once that was answered. */
  constructor(go) {
    this.go = go;
    this.here = make("span", { class: "spot-here", "aria-hidden": "true" });
    this.#chart.addEventListener("keydown", (event) => this.#key(event));
    this.#chart.addEventListener("click", (event) => {
      const spot = event.target.closest("[role=radio]");
      if (spot) this.#choose(spot);
    });
    new ResizeObserver(() => this.#lay()).observe(this.#chart);
  }

  show(now) {
    this.#now = now;
    const { state, room } = now;
    const from = state.subject_seen;
    const where = from.mark ? `at ${from.mark}` : near(now);
    const who = { tracker: "says the tracker", hand: "told by hand", file: "as the rig file says" }[from.source];
    say(byId("place-now"), `Subject ${where}, ${who}`);
    if (room) this.#lay();
  }

  #lay() {
    if (!this.#now?.room) return;
    const { state, room } = this.#now;
    const width = this.#chart.clientWidth;
    const height = this.#chart.clientHeight;
    const key = JSON.stringify([width, height, settings.camera, state.subject, room.marks]);
    if (key !== this.#at) {
      this.#at = key;
      this.#spots = layOut(room, state.subject, width, height);
    }
    const names = Object.keys(room.marks);
    const pairs = children(this.#chart, names, (name) => name, makeSpot);
    if (!this.here.isConnected) this.#chart.append(this.here);
    const here = this.#spots.get("");
    mark(this.here, "hidden", state.subject_seen.mark ? "" : null);
    mark(this.#chart, "data-camera", settings.camera);
    this.here.style.transform = `translate(${here.x}px, ${here.y}px)`;
    const chosen = this.#asked ?? state.subject_seen.mark;
    for (const [name, spot] of pairs) {
      const at = this.#spots.get(name);
      spot.style.transform = `translate(${at.x}px, ${at.y}px) translate(-50%, -50%)`;
      const away = Math.hypot(...room.marks[name].map((v, i) => v - state.subject[i]));
      say(spot.querySelector(".spot-name"), name);
      say(spot.querySelector(".spot-far"), away < 0.005 ? "here" : words.length(away, settings.units));
      mark(spot, "aria-checked", String(name === chosen));
      mark(spot, "tabindex", name === (chosen ?? names[0]) ? 0 : -1);
    }
  }

  async #choose(spot) {
    const name = spot.dataset.key;
    this.#asked = name;
    this.#lay();
    spot.focus();
    await this.go(name);
    if (this.#asked === name) this.#asked = null;
    this.#lay();
  }

  #key(event) {
    const way = ARROWS[event.key];
    if (!way || event.altKey || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const from = document.activeElement.dataset.key;
    const to = nextOn(this.#spots, from, way);
    const spot = to && [...this.#chart.querySelectorAll("[role=radio]")].find((s) => s.dataset.key === to);
    if (spot) this.#choose(spot);
  }
}

const makeSpot = () =>
  make(
    "button",
    { type: "button", role: "radio", class: "spot" },
    make("span", { class: "spot-name" }),
    make("span", { class: "spot-far" }),
  );

/** Places on the chart in px by mark name, "" for the subject; the camera is beyond the top or bottom edge. */
function layOut(room, subject, width, height) {
  const first = Object.values(room.marks)[0];
  const turn = settings.camera === "bottom" ? Math.PI : 0;
  const flat = new Map();
  for (const [name, point] of [...Object.entries(room.marks), ["", subject]]) {
    // Directions are taken at the first mark, so that the chart stands still while the subject walks.
    const { bearing } = seen(point, first, room.camera);
    const far = Math.hypot(point[0] - first[0], point[1] - first[1]);
    flat.set(name, { x: Math.sin(bearing + turn) * far, y: -Math.cos(bearing + turn) * far });
  }
  const all = [...flat.entries()].filter(([name]) => name !== "").map(([, spot]) => spot);
  const span = (axis) => Math.max(...all.map((s) => s[axis])) - Math.min(...all.map((s) => s[axis]));
  const middle = (axis) => (Math.max(...all.map((s) => s[axis])) + Math.min(...all.map((s) => s[axis]))) / 2;
  const inside = { x: width - WIDEST - 8, y: height - 2 * EDGE };
  const scale = Math.min(inside.x / Math.max(0.5, span("x")), inside.y / Math.max(0.5, span("y")));
  const centre = { x: middle("x"), y: middle("y") };
  for (const spot of flat.values()) {
    spot.x = width / 2 + (spot.x - centre.x) * scale;
    spot.y = height / 2 + (spot.y - centre.y) * scale;
  }
  keepApart(all, width, height);
  const here = flat.get("");
  here.x = Math.round(Math.max(8, Math.min(width - 8, here.x)));
  here.y = Math.round(Math.max(8, Math.min(height - 8, here.y)));
  return flat;
}

/** Marks that lie too near for a finger are moved apart. */
function keepApart(spots, width, height) {
  for (let round = 0; round < 40; round++) {
    for (let i = 0; i < spots.length; i++) {
      for (let j = i + 1; j < spots.length; j++) push(spots[i], spots[j]);
    }
    for (const spot of spots) {
      spot.x = Math.max(WIDEST / 2, Math.min(width - WIDEST / 2, spot.x));
      spot.y = Math.max(EDGE, Math.min(height - EDGE, spot.y));
    }
  }
  for (const spot of spots) {
    spot.x = Math.round(spot.x);
    spot.y = Math.round(spot.y);
  }
}

function push(a, b) {
  const across = WIDEST + 6 - Math.abs(a.x - b.x);
  const down = APART - Math.abs(a.y - b.y);
  if (across <= 0 || down <= 0) return;
  // Whichever way is shorter; equal places part one above the other.
  const axis = across < down ? "x" : "y";
  const by = Math.min(across, down) / 2;
  const way = a[axis] <= b[axis] ? 1 : -1;
  a[axis] -= way * by;
  b[axis] += way * by;
}

/** The nearest mark in a direction, by distance and how little it lies aside; null when there is none. */
function nextOn(spots, from, [dx, dy]) {
  const start = spots.get(from) ?? spots.get("");
  let best = null;
  let least = Infinity;
  for (const [name, spot] of spots) {
    if (name === "" || name === from) continue;
    const along = (spot.x - start.x) * dx + (spot.y - start.y) * dy;
    const aside = Math.abs((spot.x - start.x) * dy) + Math.abs((spot.y - start.y) * dx);
    if (along > 4 && along + 2 * aside < least) [best, least] = [name, along + 2 * aside];
  }
  return best;
}

/** Where a subject is that stands on no mark: so far from the nearest one. */
function near({ state, room }) {
  if (!room) return words.place(state.subject, settings.units);
  const away = Object.entries(room.marks).map(([name, p]) => [name, Math.hypot(...p.map((v, i) => v - state.subject[i]))]);
  const [name, far] = away.reduce((a, b) => (b[1] < a[1] ? b : a));
  return `${words.length(far, settings.units)} from ${name}`;
}
