// The connection to the daemon: it receives the state, sends orders, and reconnects by itself.
//
// `status` is {phase, reason, heardAt}; `heardAt` is the local time [ms] of the daemon's last message, null before the first.
// The phase is "asking" (no answer yet), "live", "lost" (no answer; retried ever more slowly, and at once when the
// network or the page comes back), "key" (the daemon wants a key, or another one), "full" (it admits no more visitors
// for now) or "ill" (it answers with a failure). A browser does not say why a WebSocket was refused, so the reason is
// asked for over HTTP.

import { exchangeKey, headers, isSingleUse, protocols } from "../shared/key.js";

const FIRST_WAIT_MS = 500;
const LONGEST_WAIT_MS = 4000;
// Wrong keys are counted against an address: asking more often would lock out someone who brings a right one.
const KEY_WAIT_MS = 20000;
// The daemon sends a message at least every five seconds.
const SILENCE_MS = 12000;
const ORDER_TIMEOUT_MS = 6000;
// The daemon evaluates a reading before it answers.
const METER_TIMEOUT_MS = 30000;
const METER_ORDERS = new Set(["read", "calibrate", "lineup", "round"]);
const ASK_TIMEOUT_MS = 3000;
// The daemon sends changes at least three times a second, however many readers it has.
const CHANGES_WITHIN_MS = 400;
const PHASE_OF_STATUS = { 401: "key", 403: "key", 429: "full", 500: "ill", 503: "full" };

export class Link {
  #socket = null;
  #retryDelay = FIRST_WAIT_MS;
  #retryTimer = 0;
  #silenceTimer = 0;
  #state = null;
  #generation = 0;
  #messages = 0;
  #awaitingMessage = [];

  /** Call `onState(state)` at every change of the state, and `onStatus(status)` at every change of the connection. */
  constructor({ onState, onStatus }) {
    this.onState = onState;
    this.onStatus = onStatus;
    this.status = { phase: "asking", reason: "", heardAt: null };
    addEventListener("online", () => this.connect());
    document.addEventListener("visibilitychange", () => {
      if (document.visibilityState === "visible" && this.status.phase === "lost") this.connect();
    });
  }

  get state() {
    return this.#state;
  }

  connect() {
    const generation = ++this.#generation;
    clearTimeout(this.#retryTimer);
    this.#drop();
    if (isSingleUse()) {
      this.#exchangeKey(generation);
      return;
    }
    const scheme = location.protocol === "https:" ? "wss" : "ws";
    const socket = new WebSocket(`${scheme}://${location.host}/api/v1/live`, protocols());
    this.#socket = socket;
    this.#restartSilenceTimer();
    socket.onmessage = (event) => this.#receive(JSON.parse(event.data));
    socket.onclose = (event) => {
      if (generation === this.#generation) this.#lose(event.reason);
    };
  }

  /** Send one order; resolve, once `state` has its effect, to {ok, note} or {ok: false, message}, and never reject. */
  async order(body) {
    const request = { method: "POST", body: JSON.stringify(body), headers: { "Content-Type": "application/json" } };
    const messagesBefore = this.#messages;
    const patience = METER_ORDERS.has(body.do) ? METER_TIMEOUT_MS : ORDER_TIMEOUT_MS;
    try {
      const { status, answer } = await ask("/api/v1/do", patience, request);
      if (answer?.ok) {
        // Changes that the WebSocket has brought meanwhile may be newer than the answer, and do not come again.
        if (this.#messages === messagesBefore) this.#apply(answer.state);
        else await this.#nextMessage();
        return { ok: true, note: answer.note || "" };
      }
      if (status === 401) this.connect();
      return { ok: false, message: answer?.error?.message ?? `the daemon answered ${status} and nothing readable` };
    } catch (error) {
      if (this.status.phase === "live") this.connect();
      const slow = error.name === "TimeoutError";
      return { ok: false, message: slow ? "no answer in time; look whether the light changed" : "the daemon does not answer" };
    }
  }

  async #exchangeKey(generation) {
    const settled = await exchangeKey();
    if (generation !== this.#generation) return;
    if (settled) this.connect();
    else this.#lose("");
  }

  #receive(message) {
    this.status.heardAt = Date.now();
    this.#messages += 1;
    this.#restartSilenceTimer();
    if (message.full) {
      this.#retryDelay = FIRST_WAIT_MS;
      this.#state = message.full;
      this.#setPhase("live");
      this.onState(this.#state);
    } else if (message.changed) {
      this.#apply(message.changed);
    }
    for (const resolve of this.#awaitingMessage.splice(0)) resolve();
  }

  #nextMessage() {
    return new Promise((resolve) => {
      this.#awaitingMessage.push(resolve);
      setTimeout(resolve, CHANGES_WITHIN_MS);
    });
  }

  #apply(changes) {
    if (!this.#state || !Object.keys(changes).length) return;
    this.#state = { ...this.#state, ...changes };
    this.onState(this.#state);
  }

  #restartSilenceTimer() {
    clearTimeout(this.#silenceTimer);
    this.#silenceTimer = setTimeout(() => {
      this.#drop();
      this.#lose("");
    }, SILENCE_MS);
  }

  async #lose(reason) {
    const generation = ++this.#generation;
    clearTimeout(this.#silenceTimer);
    this.#socket = null;
    if (this.status.phase === "live") this.#setPhase("lost", reason.startsWith("stopping") ? "stopped" : "");
    const problem = await findProblem();
    if (generation !== this.#generation) return;
    if (problem.phase) this.#setPhase(problem.phase, problem.reason);
    else if (this.status.phase !== "lost") this.#setPhase("lost");
    this.#tryLater(generation);
  }

  #tryLater(generation) {
    const refused = this.status.phase === "key";
    const wait = refused ? KEY_WAIT_MS : this.#retryDelay * (0.8 + 0.4 * Math.random());
    this.#retryDelay = Math.min(LONGEST_WAIT_MS, this.#retryDelay * 2);
    this.#retryTimer = setTimeout(async () => {
      const still = refused ? (await findProblem()).phase === "key" : false;
      if (generation !== this.#generation) return;
      if (still) this.#tryLater(generation);
      else this.connect();
    }, wait);
  }

  #drop() {
    if (!this.#socket) return;
    this.#socket.onmessage = this.#socket.onclose = null;
    this.#socket.close();
    this.#socket = null;
  }

  #setPhase(phase, reason = "") {
    this.status = { ...this.status, phase, reason };
    this.onStatus(this.status);
  }
}

/** Send a request; resolve to {status, answer, date}, and reject where no answer comes in time. */
export async function ask(path, timeout, request = {}) {
  const response = await fetch(path, {
    ...request,
    headers: { ...request.headers, ...headers() },
    signal: AbortSignal.timeout(timeout),
  });
  const answer = await response.json().catch(() => null);
  return { status: response.status, answer, date: response.headers.get("Date") };
}

/** Find out why there is no connection: {phase: "key", "full" or "ill", reason}, or {} where nothing answers or nothing is wrong. */
async function findProblem() {
  try {
    const { status, answer } = await ask("/api/v1/state", ASK_TIMEOUT_MS);
    return { phase: PHASE_OF_STATUS[status], reason: answer?.error?.message ?? "" };
  } catch {
    return {};
  }
}
