// The guided routine on the whole screen: what to do, what to expect, and a keypad for what the meter shows.

import { byId, children, make, mark, say } from "../shared/dom.js";
import { wireHold } from "../shared/long_press.js";
import { Keypad } from "./keypad.js";
import { Learned } from "./learned.js";
import { asLux, asSent, expected } from "./display.js";
import * as words from "../shared/words.js";

const OPEN = "fillside.routine";
const NAMES = { calibrate: "Calibrate", lineup: "Line up" };
const STRANGE_STOPS = 1;
const STAGES = { prepare: "before metering", warm: "warming up", read: "reading", verify: "checking", done: "done" };

export class RoutineView {
  #routine = null;
  #camera = {};
  #constants = { flat: 250, dome: 330 };
  #step = "";
  #ticking = new Set();
  #busy = false;
  #settled = true;

  /** `order(body)` sends an order and resolves to its answer. */
  constructor(order) {
    this.order = order;
    this.keypad = new Keypad({ changed: () => this.#compare(), done: () => this.#take() });
    this.learned = new Learned();
    this.#wire();
    setInterval(() => this.#routine?.wait_until && this.#wait(), 500);
  }

  get open() {
    return sessionStorage.getItem(OPEN) === "open";
  }

  show({ state, room }) {
    // While an order is on its way the step stays: between reading and weighing others come and go.
    if (!this.#busy) this.#routine = state.routine ?? null;
    this.#settled = state.settled;
    this.#camera = state.camera;
    if (room?.constants) this.#constants = room.constants;
    const under = this.#routine && this.#routine.stage !== "done" ? this.#routine : null;
    const button = byId("open-meter");
    const where = under ? `Meter: ${NAMES[under.routine]}, ${STAGES[under.stage]}, ${count(under)}` : null;
    mark(button, "data-under", under ? "" : null);
    mark(button, "aria-label", where);
    mark(button, "title", where);
    const showing = this.open && this.#routine !== null && !this.#routine.left;
    mark(document.body, "data-view", showing ? "routine" : null);
    mark(byId("routine"), "hidden", showing ? null : "");
    this.#showStart(state);
    if (showing) this.#showStep();
  }

  #showStart(state) {
    const routine = this.#routine;
    const under = routine && routine.stage !== "done";
    say(byId("calibrated"), state.calibrated_at ? `Calibrated ${when(state.calibrated_at)}.` : "Not calibrated yet.");
    mark(byId("routine-resume"), "hidden", under ? null : "");
    if (under) say(byId("routine-resume"), `Go on: ${NAMES[routine.routine].toLowerCase()}, ${STAGES[routine.stage]}`);
  }

  #showStep() {
    const routine = this.#routine;
    // Cautions are counted as they are ticked, and all are one step.
    const number = routine.stage === "prepare" ? "" : routine.number;
    const key = `${routine.routine} ${routine.stage} ${number} ${routine.title}`;
    say(byId("routine-where"), `${NAMES[routine.routine]}, ${STAGES[routine.stage]}: ${count(routine)}`);
    say(byId("routine-title"), routine.title);
    for (const [text, line] of children(byId("routine-says"), routine.says, (t) => t, () => make("li"))) say(line, text);
    this.#showTicks(routine);
    this.#showAsks(routine, key);
    this.#showVerdict(routine);
    this.learned.show(routine);
    this.#showActs(routine);
    if (key !== this.#step) this.#entered(key);
  }

  #entered(key) {
    const first = this.#step === "";
    this.#step = key;
    scrollTo(0, 0);
    if (first) stayAwake().then((awake) => mark(byId("sleeps"), "hidden", awake ? "" : null));
    // The title is read out, and the keyboard begins at the top of the new step.
    byId("routine-title").focus({ preventScroll: true });
  }

  #showTicks({ ticks, stage }) {
    mark(byId("routine-ticks"), "hidden", stage === "prepare" ? null : "");
    for (const [tick, row] of children(byId("routine-ticks"), ticks, (t) => t.item, () => this.#tickRow())) {
      const box = row.querySelector("input");
      box.value = tick.item;
      if (tick.ticked) this.#ticking.delete(tick.item);
      box.checked = tick.ticked || this.#ticking.has(tick.item);
      say(row.querySelector("span"), tick.says);
    }
  }

  #tickRow() {
    const box = make("input", { type: "checkbox" });
    box.addEventListener("change", () => this.#tick(box));
    return make("li", {}, make("label", {}, box, make("span")));
  }

  /** A ticked box stays ticked: there is nothing to take back in having read it. */
  #tick(box) {
    box.checked = true;
    this.#ticking.add(box.value);
    this.#act("tick", { item: box.value });
  }

  #showAsks({ asks, stage, number, routine }, key) {
    mark(byId("routine-asks"), "hidden", asks ? null : "");
    this.#wait();
    if (!asks) return;
    if (key !== this.#step) this.keypad.begin(`${routine} ${stage} ${number} ${asks.head}`, this.#camera);
    this.#compare();
  }

  /** The expected value in the meter's own language, and how far what is entered lies from it. */
  #compare() {
    const asks = this.#routine?.asks;
    if (!asks) return;
    const constant = this.#constants[asks.receptor];
    const { entry } = this.keypad;
    const unsure = asks.sigma_stops === null ? "" : ` ${words.within(asks.sigma_stops)}`;
    const lux = asks.expected_lux;
    say(byId("expected"), lux === null ? "Nothing to compare with yet" : `Expect ${expected(lux, entry, constant)}${unsure}`);
    const entered = asLux(entry, constant);
    const off = entered > 0 && lux > 0 ? Math.log2(entered / lux) : null;
    const strange = off !== null && Math.abs(off) > Math.max(STRANGE_STOPS, 3 * (asks.sigma_stops ?? 0));
    const far = off === null ? "" : `${words.stops(Math.abs(off), false)} ${off < 0 ? "under" : "over"} what was expected`;
    say(byId("off-expected"), strange ? `▲ ${far}: look again at head, unit and receptor` : far);
    mark(byId("off-expected"), "data-off", strange ? "true" : null);
    this.#showTake();
  }

  #left() {
    const until = this.#routine?.wait_until;
    return until ? Math.max(0, until - Date.now() / 1000) : 0;
  }

  #wait() {
    const left = this.#left();
    const moving = this.#settled || !this.#routine?.asks ? "" : "Light is moving";
    const text = left > 0 ? `Again in ${Math.floor(left / 60)}:${String(Math.floor(left % 60)).padStart(2, "0")}` : moving;
    say(byId("waits"), text);
    this.#showTake();
  }

  #showTake() {
    const ready = asSent(this.keypad.entry) !== null && !this.#busy && this.#settled && this.#left() === 0;
    mark(byId("take"), "aria-disabled", ready ? null : "true");
  }

  #whyNotYet(sent) {
    if (!sent) return "Enter what the meter shows first";
    if (!this.#settled) return "The light is still moving: take it once it rests";
    return this.#left() > 0 ? "The lamp is still warming: take it when the time is up" : null;
  }

  async #take() {
    const sent = asSent(this.keypad.entry);
    if (this.#busy || !this.#routine?.asks) return;
    const tooSoon = this.#whyNotYet(sent);
    if (tooSoon) {
      this.#answer(tooSoon, false);
      return;
    }
    this.#answer("Taking it…", true);
    const { what } = this.keypad;
    const answer = await this.#send({ do: "read", ...sent });
    if (answer.ok) this.keypad.clear(what);
    this.#answer(answer.ok ? answer.note : `Not taken: ${answer.message}`, answer.ok);
  }

  #showVerdict({ verdict }) {
    mark(byId("verdict"), "hidden", verdict ? null : "");
    if (!verdict) return;
    const rows = [
      ["Ratio", words.ratio(verdict.ratio_wanted), words.ratio(verdict.ratio_metered), verdict.ratio_off_stops],
      ["Exposure", words.light(verdict.exposure_wanted_lux), words.light(verdict.exposure_metered_lux), verdict.exposure_off_stops],
    ];
    const body = byId("verdict").querySelector("tbody");
    for (const [[name, wanted, metered, off], row] of children(body, rows, (r) => r[0], verdictRow)) {
      [name, wanted, metered, words.stops(off)].forEach((text, i) => say(row.children[i], text));
    }
    mark(byId("routine-title"), "data-go", String(verdict.go));
  }

  #showActs({ may, stage, ticks, weighing, number }) {
    const allowed = new Set(may);
    const had = document.activeElement;
    for (const button of byId("routine").querySelectorAll("[data-routine]")) {
      const { routine: act } = button.dataset;
      const useful = act !== "repeat" || number > 1;
      mark(button, "hidden", allowed.has(act) && useful ? null : "");
    }
    mark(byId("go"), "aria-disabled", ticks.every((tick) => tick.ticked) ? null : "true");
    const forDark = stage === "read" && allowed.has("go");
    mark(byId("go"), "hidden", allowed.has("go") && !forDark ? null : "");
    mark(byId("go-dark"), "hidden", forDark ? null : "");
    mark(byId("take"), "hidden", stage === "prepare" || stage === "done" || forDark ? "" : null);
    mark(byId("routine-close"), "hidden", stage === "done" ? null : "");
    // A button that is gone may not take the keyboard with it.
    if (had?.hidden && byId("routine").contains(had)) byId("routine-title").focus({ preventScroll: true });
    say(byId("weighing"), weighing ? "Weighing the readings…" : "");
  }

  #wire() {
    byId("routine").addEventListener("click", (event) => {
      const act = event.target.closest("[data-routine]")?.dataset.routine;
      if (act) this.#act(act);
    });
    byId("take").addEventListener("click", () => this.#take());
    byId("go").addEventListener("click", () => this.#act("go"));
    wireHold(byId("go-dark"), {
      held: () => this.#act("go"),
      tooShort: () => this.#answer("Hold it for a second: the lights go out for this reading", false),
      pressed: () => this.#act("go"),
    });
    byId("routine-close").addEventListener("click", () => this.#close());
    const dialog = byId("meter");
    byId("open-meter").addEventListener("click", () => dialog.showModal());
    dialog.addEventListener("close", () => {
      const { returnValue } = dialog;
      dialog.returnValue = "";
      if (returnValue === "resume") this.#open();
      else if (NAMES[returnValue]) this.#begin(returnValue);
    });
  }

  async #begin(kind) {
    const answer = await this.order({ do: kind, act: "start" }, "acts-answer");
    if (answer.ok) this.#open();
  }

  async #open() {
    sessionStorage.setItem(OPEN, "open");
    this.#step = "";
    this.#answer("", true);
    if (this.#routine?.left) await this.order({ do: this.#routine.routine, act: "resume" }, "acts-answer");
    this.redraw();
  }

  #close() {
    sessionStorage.removeItem(OPEN);
    this.#step = "";
    maySleep();
    this.redraw();
    byId("open-meter").focus();
  }

  async #send(body) {
    this.#busy = true;
    this.#showTake();
    const answer = await this.order(body);
    this.#busy = false;
    this.redraw();
    return answer;
  }

  async #act(act, more = {}) {
    if (act === "go" && byId("go").getAttribute("aria-disabled")) {
      this.#answer("Tick each of them first", false);
      return;
    }
    const order = { do: this.#routine.routine, act, ...more };
    const answer = await (act === "tick" ? this.order(order) : this.#send(order));
    if (answer.ok && act === "leave") this.#close();
    else if (!answer.ok) {
      this.#answer(`Not done: ${answer.message}`, false);
      this.#ticking.clear();
      this.redraw();
    } else if (act !== "tick") this.#answer("", true);
  }

  #answer(text, ok) {
    say(byId("routine-answer"), text && !ok ? `✕ ${text}` : text);
    mark(byId("routine-answer"), "data-off", ok ? null : "true");
  }
}

/** Which reading this is of how many, as far as that is known: how many more it takes is only estimated. */
function count({ stage, number, of }) {
  if (stage === "warm") return `${number}, until two agree`;
  if (stage !== "read") return `${Math.min(number, of)} of ${of}`;
  return number < of ? `${number} of about ${of}` : `${number}, probably the last`;
}

const verdictRow = () => make("tr", {}, make("th", { scope: "row" }), make("td"), make("td"), make("td"));

/** A time in the reader's own words. */
function when(iso) {
  const time = new Date(iso);
  return Number.isNaN(time.getTime()) ? iso : time.toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });
}

// Browsers keep a screen awake only at secure addresses, or not at all.
let wakeLock = null;
let wakeWanted = false;

async function requestWakeLock() {
  if (!wakeWanted || wakeLock || document.visibilityState !== "visible") return false;
  try {
    wakeLock = await navigator.wakeLock.request("screen");
    wakeLock.addEventListener("release", () => (wakeLock = null));
  } catch {
    return false;
  }
  return true;
}

document.addEventListener("visibilitychange", requestWakeLock);

/** Asks for it; resolves to whether the screen will stay awake. */
async function stayAwake() {
  wakeWanted = true;
  return wakeLock !== null || ("wakeLock" in navigator && (await requestWakeLock()));
}

function maySleep() {
  wakeWanted = false;
  wakeLock?.release();
  wakeLock = null;
}
