// One touch, one order, and its answer right there.

import { byId, children, make, mark, say } from "../shared/dom.js";
import { wireHold } from "../shared/long_press.js";
import * as words from "../shared/words.js";

const STEPS = [-1, -1 / 2, -1 / 3, 1 / 3, 1 / 2, 1];
const PRESETS = { "key:fill": [1, 1.5, 2, 3, 4, 8], "key+fill:fill": [1.5, 2, 3, 4, 5, 9], face: [1, 1.5, 2, 3, 4, 8] };
const ANSWER_LASTS_MS = 8000;

/** Shows what became of an order in the `answer` line of its own panel. */
export class Acts {
  #clearing = new Map();
  #ratios = Promise.resolve();

  constructor(link) {
    this.link = link;
    this.#wireMain();
  }

  /** Sends an order and shows its answer in the element `where`. */
  async order(body, where, said) {
    const answer = await this.link.order(body);
    this.answer(where, answer.ok ? words.outcome(answer.note, said) : `Not done: ${answer.message}`, answer.ok);
    return answer;
  }

  answer(where, text, ok) {
    const line = byId(where);
    say(line, text ? `${ok ? "✓" : "✕"} ${text}` : "");
    mark(line, "data-off", ok ? null : "true");
    clearTimeout(this.#clearing.get(where));
    // A refusal stays until the next order there: it must not vanish while it is being read.
    if (ok) this.#clearing.set(where, setTimeout(() => say(line, ""), ANSWER_LASTS_MS));
  }

  show({ state, roles }) {
    for (const button of byId("acts").querySelectorAll("[aria-pressed]")) {
      mark(button, "aria-pressed", String(button.dataset.act === state.mode));
    }
    this.#showTrims(roles);
    this.#showWish(state);
    mark(byId("acts").querySelector('[data-act="undo"]'), "aria-label", state.undo ? `Undo ${state.undo}` : "Undo");
  }

  #wireMain() {
    const said = { follow: "Follows the subject", freeze: "Frozen for the take", keep: "Kept", undo: "Undone" };
    byId("acts").addEventListener("click", (event) => {
      const act = event.target.closest("[data-act]")?.dataset.act;
      if (act && act !== "dark") this.order({ do: act }, "acts-answer", said[act]);
    });
    const dark = () => this.order({ do: "dark" }, "acts-answer", "Dark");
    const confirm = byId("confirm-dark");
    confirm.addEventListener("close", () => {
      if (confirm.returnValue === "dark") dark();
      confirm.returnValue = "";
    });
    wireHold(byId("acts").querySelector('[data-act="dark"]'), {
      held: dark,
      tooShort: () => this.answer("acts-answer", "Hold it for a second to go dark", false),
      // A press that no finger and no key made, as from a screen reader, cannot be held; it is asked about instead.
      pressed: () => confirm.showModal(),
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
    const trim = (by, said) => this.order({ do: "trim", role, ...by }, "trims-answer", said);
    const back = button("Clear", `Clear the trim of ${role}`, () => trim({ to: 0 }, `${role} has no trim`), "back");
    const out = button("Out", `Put ${role} out`, () => trim({ to: "out" }, `${role} is out`), "out");
    out.setAttribute("aria-pressed", "false");
    return stepRow(role, STEPS, (by) => trim({ by }), [back, out], (by) => `${role} ${spoken(by, "less", "more")}`);
  }

  #showWish(state) {
    const { balance } = state;
    const rows = byId("wish").querySelector(".rows");
    this.readAs = balance.read_as;
    this.ratio = balance.ratio;
    this.exposure = balance.exposure;
    for (const [what, row] of children(rows, ["ratio", "presets", "exposure"], (w) => w, (w) => this.#wishRow(w))) {
      if (what === "ratio") say(row.querySelector(".row-value"), `${words.wishedRatio(balance.ratio)}, ${words.stops(balance.ratio_stops, false)}`);
      if (what === "exposure") {
        const source = balance.exposure === "camera" ? "as camera" : `${Math.round(balance.exposure)} lux`;
        say(row.querySelector(".row-value"), balance.exposure_stops ? `${source} ${words.steps(balance.exposure_stops)}` : source);
        mark(row.querySelector(".back"), "disabled", balance.exposure_stops === 0 ? "" : null);
      }
      if (what === "presets") this.#showPresets(row);
    }
  }

  #wishRow(what) {
    if (what === "presets") return make("div", { class: "presets", role: "group", "aria-label": "Ratios" });
    if (what === "ratio") {
      const step = (by) => this.#newRatio(() => this.#ratioBy(by), "New ratio");
      return stepRow("ratio", STEPS, step, [], (by) => `ratio ${spoken(by, "flatter", "steeper")}`);
    }
    const expose = (by) => this.order({ do: "expose", by }, "wish-answer", "New exposure");
    const clear = () => this.order({ do: "expose", to: this.exposure }, "wish-answer", "Exposure without steps");
    const back = button("Clear", "Clear the steps of the exposure", clear, "back");
    return stepRow("exposure", STEPS, expose, [back], (by) => `exposure ${spoken(by, "darker", "brighter")}`);
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

  /** One after another: a step counts from what the touch before it made of the ratio. */
  #newRatio(ratio, said) {
    this.#ratios = this.#ratios.then(() => this.order({ do: "balance", ratio: ratio() }, "wish-answer", said));
  }

  /** The wanted ratio changed by stops of key over fill, in its own terms. */
  #ratioBy(stops) {
    const { ratio, read_as: readAs } = this.link.state.balance;
    const own = readAs === "key+fill:fill" ? 1 : 0;
    return Number(((ratio - own) * 2 ** stops + own).toPrecision(12));
  }
}

const spoken = (by, less, more) => `${words.spokenSteps(by)} ${by < 0 ? less : more}`;

function button(text, name, act, kind) {
  const one = make("button", { type: "button", class: kind, "aria-label": name }, text);
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
