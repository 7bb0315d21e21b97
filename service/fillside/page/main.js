// Puts the page together: one link to the daemon, and parts that each show what they are told.

import { Acts } from "./hold/acts.js";
import { Aloud } from "./hold/announcer.js";
import { byId, mark, say } from "./shared/dom.js";
import { showFigures } from "./hold/figures.js";
import { showHeads } from "./hold/heads.js";
import { takeFromAddress } from "./shared/key.js";
import { Link, ask } from "./connection/link.js";
import { Places } from "./hold/marks.js";
import { reading } from "./hold/view.js";
import { Rose, roseInWords } from "./hold/rose.js";
import { RoutineView } from "./meter/routine.js";
import { settings, wireSettings } from "./shared/settings.js";
import { Strip } from "./connection/strip.js";
import { showTrouble } from "./hold/trouble.js";
import * as words from "./shared/words.js";

const BARS_EVERY_MS = 90;
const WORDS_EVERY_MS = 190;
const SIGNS = { follow: "∿", freeze: "‖", dark: "○" };

class Page {
  #state = null;
  #room = null;
  #roomFor;
  #drawing = 0;
  #barsAt = -BARS_EVERY_MS;
  #wordsAt = -WORDS_EVERY_MS;
  #later = 0;
  // How far the daemon's clock is ahead of ours, ms.
  #ahead = 0;
  #lightAt = null;
  // When the daemon was last heard, ms; null while it is, and before it ever was.
  #staleSince = null;

  constructor() {
    this.link = new Link({ told: (state) => this.#told(state), turned: (how) => this.#turned(how) });
    this.acts = new Acts(this.link);
    this.strip = new Strip({
      retry: () => this.link.now(),
      all: () => this.acts.order({ do: "all" }, "acts-answer", "All heads are back"),
    });
    this.rose = new Rose(byId("rose"));
    this.aloud = new Aloud();
    this.places = new Places((name) => this.acts.order({ do: "move", mark: name }, "places-answer", `At ${name}`));
    this.routine = new RoutineView((body, where) =>
      where ? this.acts.order(body, where, "Begun") : this.link.order(body),
    );
    this.routine.redraw = () => this.#draw();
    wireSettings({
      changed: () => {
        this.rose.turned();
        this.#draw();
      },
      keyed: () => this.link.now(),
    });
    addEventListener("hashchange", () => {
      if (takeFromAddress()) this.link.now();
    });
    setInterval(() => this.#state && showTrouble(this.#now(), (at) => this.#age(at)), 5000);
  }

  start() {
    takeFromAddress();
    this.link.now();
  }

  #turned(how) {
    this.strip.turned(how);
    this.#staleSince = how.is === "live" ? null : how.heard;
    this.#draw();
  }

  #now() {
    return reading(this.#state, this.#room, this.#staleSince);
  }

  #told(state) {
    const before = this.#state;
    this.#state = state;
    if (state.light_changed_at !== before?.light_changed_at) this.#lightChanged(before !== null);
    const roomFor = `${state.rig} ${state.calibrated_at}`;
    if (roomFor !== this.#roomFor) this.#fetchRoom(roomFor);
    this.#draw();
  }

  /** When it changed under our eyes, our own clock knows best; before that the daemon's must do. */
  #lightChanged(seen) {
    const at = this.#state.light_changed_at;
    this.#lightAt = seen ? Date.now() : at === null ? null : at * 1000 - this.#ahead;
  }

  #age(at) {
    return at === null ? null : Math.max(0, (Date.now() + this.#ahead) / 1000 - at);
  }

  async #fetchRoom(roomFor) {
    this.#roomFor = roomFor;
    try {
      const { status, said, date } = await ask("/api/v1/places", 5000);
      if (status !== 200) throw new Error(`${status}`);
      // The header counts whole seconds: a difference below that says nothing.
      const ahead = Date.parse(date) + 500 - Date.now();
      this.#ahead = Math.abs(ahead) > 1500 ? ahead : 0;
      this.#room = said;
      this.#lightChanged(false);
      this.#draw();
    } catch {
      // The next state asks again.
      this.#roomFor = undefined;
    }
  }

  /** Draws soon: bars at most ten times a second, words five, for nobody reads faster; the newest is always drawn. */
  #draw() {
    if (this.#drawing || !this.#state) return;
    const wait = this.#barsAt + BARS_EVERY_MS - performance.now();
    this.#drawing = setTimeout(() => requestAnimationFrame(() => this.#drawNow()), Math.max(0, wait));
  }

  #drawNow() {
    this.#drawing = 0;
    this.#barsAt = performance.now();
    const now = this.#now();
    const wait = this.#wordsAt + WORDS_EVERY_MS - this.#barsAt;
    if (!this.routine.open) this.rose.show(now, wait <= 0);
    clearTimeout(this.#later);
    if (wait <= 0) this.#drawWords(now);
    else this.#later = setTimeout(() => this.#draw(), wait);
  }

  #drawWords(now) {
    this.#wordsAt = this.#barsAt;
    const { state } = now;
    say(byId("rig-name"), state.rig);
    const mode = byId("mode");
    say(mode.firstElementChild, SIGNS[state.mode] ?? "");
    say(mode.lastElementChild, state.mode);
    mark(document.body, "data-mode", state.mode);
    const { staleSince } = now;
    mark(document.body, "data-stale", staleSince === null ? null : "true");
    for (const place of document.querySelectorAll(".as-of")) say(place, staleSince === null ? "" : asOf(staleSince));
    this.routine.show(now);
    showFigures(now);
    roseInWords(byId("rose-says"), now);
    say(
      byId("rose-key"),
      `Longer bars give more light. Rings count stops from ${words.light(now.ringLux, settings.units)}, the exposure wanted; brackets are full light and floor. The gap between the two thick rings is the ratio, dashed is where it is wanted.`,
    );
    showHeads(now);
    this.places.show(now);
    this.acts.show(now);
    showTrouble(now, (at) => this.#age(at));
    this.strip.light({ at: this.#lightAt, changing: !state.settled, waits: state.waits, alone: now.alone, routine: this.routine.open });
    this.aloud.show(now);
  }
}

const asOf = (at) => `as of ${words.clock(at)}`;

new Page().start();
