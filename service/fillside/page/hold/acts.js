// Buttons that send an order each, with its answer shown beside them.

import { byId, children, make, mark, say } from "../shared/dom.js";
import { wireLongPress } from "../shared/long_press.js";
import * as words from "../shared/words.js";

const STEPS = [-1, -1 / 2, -1 / 3, 1 / 3, 1 / 2, 1];
const PRESETS = { "key:fill": [1, 1.5, 2, 3, 4, 8], "key+fill:fill": [1.5, 2, 3, 4, 5, 9], face: [1, 1.5, 2, 3, 4, 8] };
const ANSWER_LASTS_MS = 8000;

export class Acts {
  #clearTimers = new Map();
  #sent = 0;
  #answered = new Map();
  #ratioQueue = Promise.resolve();

  constructor(link) {
    this.link = link;
    this.#wireMain();
  }

  async order(body, where, doneText) {
    const number = ++this.#sent;
    const answer = await this.link.order(body);
    if (number < this.#answered.get(where)) return answer; // A later order was answered first.
    this.#answered.set(where, number);
    this.answer(where, answer.ok ? words.outcome(answer.note, doneText) : `Not done: ${answer.message}`, answer.ok);
    return answer;
  }

  answer(where, text, ok) {
    const line = byId(where);
    say(line, text ? `${ok ? "✓" : "✕"} ${text}` : "");
    mark(line, "data-off", ok ? null : "true");
    clearTimeout(this.#clearTimers.get(where));
    // A refusal stays until the next order there, so that it does not vanish while being read.
    if (ok) this.#clearTimers.set(where, setTimeout(() => say(line, ""), ANSWER_LASTS_MS));
  }

  show({ state, roles }) {
    for (const button of byId("acts").querySelectorAll("[aria-pressed]")) {
      mark(button, "aria-pressed", String(button.dataset.act === state.mode));
    }
    this.#showTrims(roles);
    this.#showTarget(state);
    mark(byId("acts").querySelector('[data-act="undo"]'), "aria-label", state.undo ? `Undo ${state.undo}` : "Undo");
  }

  #wireMain() {
    const doneTexts = { follow: "Follows the subject", freeze: "Frozen for the take", keep: "Kept", undo: "Undone" };
    byId("acts").addEventListener("click", (event) => {
      const act = event.target.closest("[data-act]")?.dataset.act;
      if (act && act !== "dark") this.order({ do: act }, "acts-answer", doneTexts[act]);
    });
    const dark = () => this.order({ do: "dark" }, "acts-answer", "Dark");
    const confirm = byId("confirm-dark");
    confirm.addEventListener("close", () => {
      if (confirm.returnValue === "dark") dark();
      confirm.returnValue = "";
    });
    wireLongPress(byId("acts").querySelector('[data-act="dark"]'), {
      onLongPress: dark,
      onShortPress: () => this.answer("acts-answer", "Hold it for a second to go dark", false),
      // A click from a screen reader cannot be held; ask for confirmation instead.
      onClick: () => confirm.showModal(),
    });
  }

  #showTrims(roles) {
    const rows = byId("trims").querySelector(".rows");
    for (const [role, row] of children(rows, roles, (r) => r.name, (r) => this.#trimRow(r.name))) {
      const out = role.trim === "out";
      say(row.querySelector(".row-value"), out ? "out" : role.trim === 0 ? "no trim" : words.steps(role.trim));
      const back = row.querySelector(".back");
      mark(back, "disabled", role.trim === 0 ? "" : null);
      mark(row.querySelector(".out"), "aria-pressed", String(out));
    }
  }

  #trimRow(role) {
    const trim = (change, doneText) => this.order({ do: "trim", role, ...change }, "trims-answer", doneText);
    const back = button("Clear", `Clear the trim of ${role}`, () => trim({ to: 0 }, `${role} has no trim`), "back");
    const out = button("Out", `Put ${role} out`, () => trim({ to: "out" }, `${role} is out`), "out");
    out.setAttribute("aria-pressed", "false");
    return stepRow(role, STEPS, (by) => trim({ by }), [back, out], (by) => `${role} ${stepName(by, "less", "more")}`);
  }

  #showTarget(state) {
    const { balance } = state;
    const rows = byId("wish").querySelector(".rows");
    this.readAs = balance.read_as;
    this.ratio = balance.ratio;
    this.exposure = balance.exposure;
    for (const [what, row] of children(rows, ["ratio", "presets", "exposure"], (w) => w, (w) => this.#targetRow(w))) {
      if (what === "ratio") say(row.querySelector(".row-value"), `${words.wishedRatio(balance.ratio)}, ${words.stops(balance.ratio_stops, false)}`);
      if (what === "exposure") {
        const source = balance.exposure === "camera" ? "as camera" : `${Math.round(balance.exposure)} lux`;
        say(row.querySelector(".row-value"), balance.exposure_stops ? `${source} ${words.steps(balance.exposure_stops)}` : source);
        mark(row.querySelector(".back"), "disabled", balance.exposure_stops === 0 ? "" : null);
      }
      if (what === "presets") this.#showPresets(row);
    }
  }

  #targetRow(what) {
    if (what === "presets") return make("div", { class: "presets", role: "group", "aria-label": "Ratios" });
    if (what === "ratio") {
      const step = (by) => this.#newRatio(() => this.#ratioBy(by), "New ratio");
      return stepRow("ratio", STEPS, step, [], (by) => `ratio ${stepName(by, "flatter", "steeper")}`);
    }
    const expose = (by) => this.order({ do: "expose", by }, "wish-answer", "New exposure");
    const clear = () => this.order({ do: "expose", to: this.exposure }, "wish-answer", "Exposure without steps");
    const back = button("Clear", "Clear the steps of the exposure", clear, "back");
    return stepRow("exposure", STEPS, expose, [back], (by) => `exposure ${stepName(by, "darker", "brighter")}`);
  }

  #showPresets(row) {
    const ratios = PRESETS[this.readAs];
    for (const [ratio, one] of children(row, ratios, (r) => r, (r) => this.#preset(r))) {
      mark(one, "aria-pressed", String(Math.abs(Math.log2(ratio / this.ratio)) < 0.01));
    }
  }

  #preset(ratio) {
    const text = words.wishedRatio(ratio);
    const one = button(text, `ratio ${text.replace(":", " to ")}`, () => this.#newRatio(() => text, `Ratio ${text}`), "step");
    one.setAttribute("aria-pressed", "false");
    return one;
  }

  /** Order ratios one after another: a step starts from the ratio that the step before it made. */
  #newRatio(ratio, doneText) {
    this.#ratioQueue = this.#ratioQueue.then(() => this.order({ do: "balance", ratio: ratio() }, "wish-answer", doneText));
  }

  #ratioBy(stops) {
    const { ratio, read_as: readAs } = this.link.state.balance;
    const own = readAs === "key+fill:fill" ? 1 : 0;
    return Number(((ratio - own) * 2 ** stops + own).toPrecision(12));
  }
}

const stepName = (by, less, more) => `${words.stepsForSpeech(by)} ${by < 0 ? less : more}`;

function button(text, name, act, kind) {
  const one = make("button", { class: kind, "aria-label": name }, text);
  one.addEventListener("click", act);
  return one;
}

function stepRow(title, sizes, act, extra, name) {
  const buttons = sizes.map((by) => button(words.steps(by), name(by), () => act(by), "step"));
  return make(
    "div",
    { class: "row", role: "group", "aria-label": title },
    make("div", { class: "row-head" }, make("span", { class: "row-name" }, title), make("span", { class: "row-value" }), ...extra),
    make("div", { class: "steps" }, ...buttons),
  );
}
