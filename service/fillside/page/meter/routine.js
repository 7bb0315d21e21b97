// The guided routine on the whole screen: the step, the expected value, and a keypad for the meter's display.

import { byId, children, make, mark, say } from "../shared/dom.js";
import { wireLongPress } from "../shared/long_press.js";
import * as words from "../shared/words.js";
import { TAPES, displayOf, luxOf, readingOf } from "./display.js";
import { Findings } from "./findings.js";
import { Keypad } from "./keypad.js";

const STORAGE_KEY = "fillside.routine";
const NAMES = { calibrate: "Calibrate", lineup: "Line up", round: "Round" };
const DOUBTFUL_STOPS = 1;
const STAGES = { prepare: "before metering", warm: "warming up", read: "reading", verify: "checking", done: "done" };

export class RoutineView {
  #routine = null;
  #camera = {};
  #constants = { flat: 250, dome: 330 };
  #stepKey = "";
  #ticking = new Set();
  #busy = false;
  #settled = true;

  /** Call `order(body)` to send an order; it resolves to the answer. */
  constructor(order) {
    this.order = order;
    this.keypad = new Keypad({ onChange: () => this.#compare(), onEnter: () => this.#take() });
    this.findings = new Findings();
    this.#wire();
    setInterval(() => this.#routine?.wait_until && this.#showWait(), 500);
  }

  get open() {
    return sessionStorage.getItem(STORAGE_KEY) === "open";
  }

  show({ state, places }) {
    // The step stays while an order is on its way: those until the reading is weighed are of no interest.
    if (!this.#busy) this.#routine = state.routine ?? null;
    this.#settled = state.settled;
    this.#camera = state.camera;
    if (places?.constants) this.#constants = places.constants;
    const unfinished = this.#routine && this.#routine.stage !== "done" ? this.#routine : null;
    const button = byId("open-meter");
    const progress = unfinished ? `Meter: ${NAMES[unfinished.routine]}, ${STAGES[unfinished.stage]}, ${count(unfinished)}` : null;
    mark(button, "data-under", unfinished ? "" : null);
    mark(button, "aria-label", progress);
    mark(button, "title", progress);
    const showing = this.open && this.#routine !== null && !this.#routine.left;
    mark(document.body, "data-view", showing ? "routine" : null);
    mark(byId("routine"), "hidden", showing ? null : "");
    this.#showStart(state, unfinished);
    if (showing) this.#showStep();
  }

  #showStart(state, routine) {
    say(byId("calibrated"), state.calibrated_at ? `Calibrated ${localTime(state.calibrated_at)}.` : "Not calibrated yet.");
    mark(byId("routine-resume"), "hidden", routine ? null : "");
    if (routine) say(byId("routine-resume"), `Go on: ${NAMES[routine.routine].toLowerCase()}, ${STAGES[routine.stage]}`);
  }

  #showStep() {
    const routine = this.#routine;
    // The number counts ticked cautions, but all of them are one step.
    const number = routine.stage === "prepare" ? "" : routine.number;
    const key = `${routine.routine} ${routine.stage} ${number} ${routine.title}`;
    say(byId("routine-where"), `${NAMES[routine.routine]}, ${STAGES[routine.stage]}: ${count(routine)}`);
    say(byId("routine-title"), routine.title);
    for (const [text, line] of children(byId("routine-says"), routine.says, (t) => t, () => make("li"))) say(line, text);
    this.#showTicks(routine);
    this.#showAsks(routine, key);
    this.#showVerdict(routine);
    this.findings.show(routine);
    this.#showActs(routine);
    if (key !== this.#stepKey) this.#entered(key);
  }

  #entered(key) {
    const isFirst = this.#stepKey === "";
    this.#stepKey = key;
    scrollTo(0, 0);
    if (isFirst) stayAwake().then((awake) => mark(byId("sleeps"), "hidden", awake ? "" : null));
    // Focus has the title read out and starts the keyboard at the top of the new step.
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

  /** Tick a caution; a ticked box stays ticked, since reading it cannot be undone. */
  #tick(box) {
    box.checked = true;
    this.#ticking.add(box.value);
    this.#act("tick", { item: box.value });
  }

  #showAsks({ asks, stage, number, routine }, key) {
    mark(byId("routine-asks"), "hidden", asks ? null : "");
    this.#showWait();
    if (!asks) return;
    if (key !== this.#stepKey) this.keypad.begin(`${routine} ${stage} ${number} ${asks.head} ${asks.unit}`, this.#camera, asks.unit === "m");
    this.#compare();
  }

  #compare() {
    const asks = this.#routine?.asks;
    if (!asks) return;
    const constant = this.#constants[asks.receptor];
    const { entry } = this.keypad;
    if (asks.unit === "m") {
      this.#compareTape(asks.expected_m, entry);
      return;
    }
    const uncertainty = asks.sigma_stops === null ? "" : ` ${words.within(asks.sigma_stops)}`;
    const lux = asks.expected_lux;
    say(byId("expected"), lux === null ? "Nothing to compare with yet" : `Expect ${displayOf(lux, entry, constant)}${uncertainty}`);
    const entered = luxOf(entry, constant);
    const off = entered > 0 && lux > 0 ? Math.log2(entered / lux) : null;
    const isDoubtful = off !== null && Math.abs(off) > Math.max(DOUBTFUL_STOPS, 3 * (asks.sigma_stops ?? 0));
    const difference = off === null ? "" : `${words.stops(Math.abs(off), false)} ${off < 0 ? "under" : "over"} what was expected`;
    say(byId("off-expected"), isDoubtful ? `▲ ${difference}: look again at head, unit and receptor` : difference);
    mark(byId("off-expected"), "data-off", isDoubtful ? "true" : null);
    this.#showTake();
  }

  #compareTape(stoodM, { scale, text }) {
    const length = (m) => words.length(m, scale === "ft" ? "feet" : "metric");
    say(byId("expected"), `It stood ${length(stoodM)} away`);
    const offM = Number(text) > 0 && scale in TAPES ? Number(text) * TAPES[scale] - stoodM : 0;
    say(byId("off-expected"), offM ? `${length(Math.abs(offM))} ${offM < 0 ? "nearer" : "farther"} than it stood` : "");
    mark(byId("off-expected"), "data-off", offM > 3 * stoodM ? "true" : null);
    this.#showTake();
  }

  #waitLeft() {
    const until = this.#routine?.wait_until;
    return until ? Math.max(0, until - Date.now() / 1000) : 0;
  }

  #showWait() {
    const leftS = this.#waitLeft();
    const moving = this.#settled || !this.#routine?.asks ? "" : "Light is moving";
    const text = leftS > 0 ? `Again in ${Math.floor(leftS / 60)}:${String(Math.floor(leftS % 60)).padStart(2, "0")}` : moving;
    say(byId("waits"), text);
    this.#showTake();
  }

  #showTake() {
    const ready = readingOf(this.keypad.entry) !== null && !this.#busy && this.#settled && this.#waitLeft() === 0;
    mark(byId("take"), "aria-disabled", ready ? null : "true");
  }

  #obstacleTo(reading) {
    if (!reading) return `Enter what the ${this.keypad.entry.scale in TAPES ? "tape" : "meter"} shows first`;
    if (!this.#settled) return "The light is still moving: take it once it rests";
    return this.#waitLeft() > 0 ? "The lamp is still warming: take it when the time is up" : null;
  }

  async #take() {
    const reading = readingOf(this.keypad.entry);
    if (this.#busy || !this.#routine?.asks) return;
    const obstacle = this.#obstacleTo(reading);
    if (obstacle) {
      this.#answer(obstacle, false);
      return;
    }
    this.#answer("Taking it…", true);
    const { purpose } = this.keypad;
    const answer = await this.#send({ do: "read", ...reading });
    if (answer.ok) this.keypad.clear(purpose);
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
    const focused = document.activeElement;
    for (const button of byId("routine").querySelectorAll("[data-routine]")) {
      const { routine: act } = button.dataset;
      mark(button, "hidden", allowed.has(act) && (act !== "repeat" || number > 1) ? null : "");
    }
    mark(byId("go"), "aria-disabled", ticks.every((tick) => tick.ticked) ? null : "true");
    const isDark = stage === "read" && allowed.has("go");
    mark(byId("go"), "hidden", allowed.has("go") && !isDark ? null : "");
    mark(byId("go-dark"), "hidden", isDark ? null : "");
    mark(byId("take"), "hidden", stage === "prepare" || stage === "done" || isDark ? "" : null);
    mark(byId("routine-close"), "hidden", stage === "done" ? null : "");
    // Keep the keyboard's focus when its button disappears.
    if (focused?.hidden && byId("routine").contains(focused)) byId("routine-title").focus({ preventScroll: true });
    say(byId("weighing"), weighing ? "Weighing the readings…" : "");
  }

  #wire() {
    byId("routine").addEventListener("click", (event) => {
      const act = event.target.closest("[data-routine]")?.dataset.routine;
      if (act) this.#act(act);
    });
    byId("take").addEventListener("click", () => this.#take());
    byId("go").addEventListener("click", () => this.#act("go"));
    wireLongPress(byId("go-dark"), {
      onLongPress: () => this.#act("go"),
      onShortPress: () => this.#answer("Hold it for a second: the lights go out for this reading", false),
      onClick: () => this.#act("go"),
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
    sessionStorage.setItem(STORAGE_KEY, "open");
    this.#stepKey = "";
    this.#answer("", true);
    if (this.#routine?.left) await this.order({ do: this.#routine.routine, act: "resume" }, "acts-answer");
    this.redraw();
  }

  #close() {
    sessionStorage.removeItem(STORAGE_KEY);
    this.#stepKey = "";
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

function count({ stage, number, of }) {
  if (stage === "warm") return `${number}, until two agree`;
  if (stage !== "read") return `${Math.min(number, of)} of ${of}`;
  return number < of ? `${number} of about ${of}` : `${number}, probably the last`;
}

const verdictRow = () => make("tr", {}, make("th", { scope: "row" }), make("td"), make("td"), make("td"));

const localTime = (iso) => new Date(iso).toLocaleString(undefined, { dateStyle: "medium", timeStyle: "short" });

// Some browsers allow a wake lock only at secure addresses, others not at all.
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

async function stayAwake() {
  wakeWanted = true;
  return wakeLock !== null || ("wakeLock" in navigator && (await requestWakeLock()));
}

function maySleep() {
  wakeWanted = false;
  wakeLock?.release();
  wakeLock = null;
}
