// Assembles the page: one connection to the daemon, and parts that each show the present view.

import { Link, ask } from "./connection/link.js";
import { Strip } from "./connection/strip.js";
import { Acts } from "./hold/acts.js";
import { Announcer } from "./hold/announcer.js";
import { showFigures } from "./hold/figures.js";
import { showHeads } from "./hold/heads.js";
import { MarkChart } from "./hold/marks.js";
import { Rose, describeRose } from "./hold/rose.js";
import { showTrouble } from "./hold/trouble.js";
import { viewOf } from "./hold/view.js";
import { RoutineView } from "./meter/routine.js";
import { byId, mark, say } from "./shared/dom.js";
import { takeFromAddress } from "./shared/key.js";
import { settings, wireSettings } from "./shared/settings.js";
import * as words from "./shared/words.js";

const BARS_EVERY_MS = 90;
const WORDS_EVERY_MS = 190;
const SIGNS = { follow: "∿", freeze: "‖", dark: "○" };

class Page {
  #state = null;
  #places = null;
  #placesFor;
  #drawing = 0;
  #barsAt = -BARS_EVERY_MS;
  #wordsAt = -WORDS_EVERY_MS;
  #wordsTimer = 0;
  // The daemon's clock minus this browser's [ms].
  #clockOffset = 0;
  #lightChangedAt = null;
  // The time of the daemon's last message [ms]; null while it is connected, and before the first.
  #staleSince = null;

  constructor() {
    this.link = new Link({ onState: (state) => this.#onState(state), onStatus: (status) => this.#onStatus(status) });
    this.acts = new Acts(this.link);
    this.strip = new Strip({
      retry: () => this.link.connect(),
      all: () => this.acts.order({ do: "all" }, "acts-answer", "All heads are back"),
    });
    this.rose = new Rose(byId("rose"));
    this.announcer = new Announcer();
    this.marks = new MarkChart((name) => this.acts.order({ do: "move", mark: name }, "places-answer", `At ${name}`));
    this.routine = new RoutineView((body, where) =>
      where ? this.acts.order(body, where, "Begun") : this.link.order(body),
    );
    this.routine.redraw = () => this.#draw();
    wireSettings({
      onChange: () => {
        this.rose.redraw();
        this.#draw();
      },
      onKey: () => this.link.connect(),
    });
    addEventListener("hashchange", () => {
      if (takeFromAddress()) this.link.connect();
    });
    setInterval(() => this.#state && showTrouble(this.#view(), (at) => this.#age(at)), 5000);
  }

  start() {
    takeFromAddress();
    this.link.connect();
  }

  #onStatus(status) {
    this.strip.setStatus(status);
    this.#staleSince = status.phase === "live" ? null : status.heardAt;
    this.#draw();
  }

  #view() {
    return viewOf(this.#state, this.#places, this.#staleSince);
  }

  #onState(state) {
    const before = this.#state;
    this.#state = state;
    if (state.light_changed_at !== before?.light_changed_at) this.#lightChanged(before !== null);
    const placesFor = `${state.rig} ${state.calibrated_at}`;
    if (placesFor !== this.#placesFor) this.#fetchPlaces(placesFor);
    this.#draw();
  }

  /** Date a change seen here by this browser's clock, an earlier one by the daemon's. */
  #lightChanged(isLive) {
    const at = this.#state.light_changed_at;
    this.#lightChangedAt = isLive ? Date.now() : at === null ? null : at * 1000 - this.#clockOffset;
  }

  #age(at) {
    return at === null ? null : Math.max(0, (Date.now() + this.#clockOffset) / 1000 - at);
  }

  async #fetchPlaces(placesFor) {
    this.#placesFor = placesFor;
    try {
      const { status, answer, date } = await ask("/api/v1/places", 5000);
      if (status !== 200) throw new Error(`${status}`);
      // The header has whole seconds, so a smaller difference means nothing.
      const offset = Date.parse(date) + 500 - Date.now();
      this.#clockOffset = Math.abs(offset) > 1500 ? offset : 0;
      this.#places = answer;
      this.#lightChanged(false);
      this.#draw();
    } catch {
      // Retry at the next state.
      this.#placesFor = undefined;
    }
  }

  /** Schedule a drawing: bars at most ten times a second, words five, as fast as people read; the newest view is always drawn. */
  #draw() {
    if (this.#drawing || !this.#state) return;
    const wait = this.#barsAt + BARS_EVERY_MS - performance.now();
    this.#drawing = setTimeout(() => requestAnimationFrame(() => this.#drawNow()), Math.max(0, wait));
  }

  #drawNow() {
    this.#drawing = 0;
    this.#barsAt = performance.now();
    const view = this.#view();
    const wait = this.#wordsAt + WORDS_EVERY_MS - this.#barsAt;
    if (!this.routine.open) this.rose.show(view, wait <= 0);
    clearTimeout(this.#wordsTimer);
    if (wait <= 0) this.#drawWords(view);
    else this.#wordsTimer = setTimeout(() => this.#draw(), wait);
  }

  #drawWords(view) {
    this.#wordsAt = this.#barsAt;
    const { state } = view;
    say(byId("rig-name"), state.rig);
    const mode = byId("mode");
    say(mode.firstElementChild, SIGNS[state.mode] ?? "");
    say(mode.lastElementChild, state.mode);
    mark(document.body, "data-mode", state.mode);
    const { staleSince } = view;
    mark(document.body, "data-stale", staleSince === null ? null : "true");
    for (const place of document.querySelectorAll(".as-of")) say(place, staleSince === null ? "" : asOfText(staleSince));
    this.routine.show(view);
    showFigures(view);
    describeRose(byId("rose-says"), view);
    say(
      byId("rose-key"),
      `Longer bars give more light. Rings count stops from ${words.light(view.ringLux, settings.units)}, the exposure wanted; brackets are full light and floor. The gap between the two thick rings is the ratio, dashed is where it is wanted.`,
    );
    showHeads(view);
    this.marks.show(view);
    this.acts.show(view);
    showTrouble(view, (at) => this.#age(at));
    this.strip.setLight({ at: this.#lightChangedAt, changing: !state.settled, waits: state.waits, alone: view.alone, routine: this.routine.open });
    this.announcer.show(view);
  }
}

const asOfText = (at) => `as of ${words.clock(at)}`;

new Page().start();
