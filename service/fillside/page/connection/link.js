// The connection to the daemon: the state as it changes, and orders. It comes back by itself.
//
// `how.heard` is when the daemon last said something, local time [ms]; what it said then may be so no more.
// It is "asking" (no answer yet), "live", "lost" (no answer; tried again ever more slowly, and at once when the
// browser says that the network or the page is back), "key" (the daemon wants a key, or another one), "full" (it lets
// nobody more in for now) or "ill" (it answers, but only that it failed). A browser does not tell why a WebSocket was refused, so that is asked over HTTP.

import { changeForLasting, headers, isForOnce, protocols } from "../shared/key.js";

const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 4000;
// Wrong keys are counted against an address; asking more often would lock out the one who comes with a right one.
const KEY_WAIT_MS = 20000;
// The daemon says something at least every five seconds.
const SILENCE_MS = 12000;
const ORDER_TIMEOUT_MS = 6000;
// A reading is weighed before it is answered.
const METER_TIMEOUT_MS = 30000;
const METER_ORDERS = new Set(["read", "calibrate", "lineup"]);
const ASK_TIMEOUT_MS = 3000;
// The daemon tells what changed at least three times a second, however many look on.
const TOLD_WITHIN_MS = 400;
const MEANS = { 401: "key", 403: "key", 429: "full", 500: "ill", 503: "full" };

export class Link {
  #socket = null;
  #wait = FIRST_WAIT_MS;
  #retry = 0;
  #watch = 0;
  #state = null;
  #generation = 0;
  #texts = 0;
  #toldNext = [];

  /** `told(state)` hears of every change of the state, `turned(how)` of every change of the link. */
  constructor({ told, turned }) {
    this.told = told;
    this.turned = turned;
    this.how = { is: "asking", says: "", heard: null };
    addEventListener("online", () => this.now());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible" && this.how.is === "lost") this.now();
    });
  }

  /** The newest state, null before there is one. */
  get state() {
    return this.#state;
  }

  /** Connects at once, with the key as it is now. */
  now() {
    const generation = ++this.#generation;
    clearTimeout(this.#retry);
    this.#drop();
    if (isForOnce()) {
      this.#changeKey(generation);
      return;
    }
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/api/v1/live`, protocols());
    this.#socket = socket;
    this.#listenForSilence();
    socket.onmessage = (event) => this.#hear(JSON.parse(event.data));
    socket.onclose = (event) => {
      if (generation === this.#generation) this.#lost(event.reason);
    };
  }

  /** One order; resolves, once `state` holds what it did, to {ok, note} or {ok: false, message}, and never rejects. */
  async order(body) {
    const request = { method: "POST", body: JSON.stringify(body), headers: { "Content-Type": "application/json" } };
    const heardBefore = this.#texts;
    const patience = METER_ORDERS.has(body.do) ? METER_TIMEOUT_MS : ORDER_TIMEOUT_MS;
    try {
      const { status, said } = await ask("/api/v1/do", patience, request);
      if (said?.ok) {
        // What the WebSocket told meanwhile may be newer than the answer, and would not be told again.
        if (this.#texts === heardBefore) this.#take(said.state);
        else await this.#nextText();
        return { ok: true, note: said.note || "" };
      }
      if (status === 401) this.now();
      return { ok: false, message: said?.error?.message ?? `the daemon answered ${status} and nothing readable` };
    } catch (error) {
      if (this.how.is === "live") this.now();
      const slow = error.name === "TimeoutError";
      return { ok: false, message: slow ? "no answer in time; look whether the light changed" : "the daemon does not answer" };
    }
  }

  async #changeKey(generation) {
    const settled = await changeForLasting();
    if (generation !== this.#generation) return;
    if (settled) this.now();
    else this.#lost("");
  }

  #hear(said) {
    this.how.heard = Date.now();
    this.#texts += 1;
    this.#listenForSilence();
    if (said.full) {
      this.#wait = FIRST_WAIT_MS;
      this.#state = said.full;
      this.#turn("live");
      this.told(this.#state);
    } else if (said.changed) {
      this.#take(said.changed);
    }
    for (const told of this.#toldNext.splice(0)) told();
  }

  /** Resolves when the daemon has told something more, or could have. */
  #nextText() {
    return new Promise((told) => {
      this.#toldNext.push(told);
      setTimeout(told, TOLD_WITHIN_MS);
    });
  }

  #take(changes) {
    if (!this.#state || !Object.keys(changes).length) return;
    this.#state = { ...this.#state, ...changes };
    this.told(this.#state);
  }

  #listenForSilence() {
    clearTimeout(this.#watch);
    this.#watch = setTimeout(() => {
      this.#drop();
      this.#lost("");
    }, SILENCE_MS);
  }

  async #lost(reason) {
    const generation = ++this.#generation;
    clearTimeout(this.#watch);
    this.#socket = null;
    if (this.how.is === "live") this.#turn("lost", reason.startsWith("stopping") ? "stopped" : "");
    const why = await whyNot();
    if (generation !== this.#generation) return;
    if (why.is) this.#turn(why.is, why.says);
    else if (this.how.is !== "lost") this.#turn("lost");
    this.#tryLater(generation);
  }

  #tryLater(generation) {
    const refused = this.how.is === "key";
    const wait = refused ? KEY_WAIT_MS : this.#wait * (0.8 + 0.4 * Math.random());
    this.#wait = Math.min(LONGEST_WAIT_MS, this.#wait * 2);
    this.#retry = setTimeout(async () => {
      const still = refused ? (await whyNot()).is === "key" : false;
      if (generation !== this.#generation) return;
      if (still) this.#tryLater(generation);
      else this.now();
    }, wait);
  }

  #drop() {
    if (!this.#socket) return;
    this.#socket.onmessage = this.#socket.onclose = null;
    this.#socket.close();
    this.#socket = null;
  }

  #turn(is, says = "") {
    this.how = { ...this.how, is, says };
    this.turned(this.how);
  }
}

/** The status and the body of an answer; rejects when there is none in time. */
export async function ask(path, timeout, request = {}) {
  const response = await fetch(path, {
    ...request,
    headers: { ...request.headers, ...headers() },
    signal: AbortSignal.timeout(timeout),
  });
  const said = await response.json().catch(() => null);
  return { status: response.status, said, date: response.headers.get("Date") };
}

/** Why there is no connection: {is: "key", "full" or "ill", says}, or {} when nothing answers or nothing is wrong. */
async function whyNot() {
  try {
    const { status, said } = await ask("/api/v1/state", ASK_TIMEOUT_MS);
    return { is: MEANS[status], says: said?.error?.message ?? "" };
  } catch {
    return {};
  }
}
