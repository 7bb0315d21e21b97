// A keypad that speaks the meter's language. What is entered outlives a reload of the page.

import { byId, make, mark, say } from "../shared/dom.js";
import { FULL_STOPS, SCALES, shown } from "./display.js";
import { settings } from "../shared/settings.js";

const KEPT = "fillside.entry";
const LONGEST = 8;
const DIGITS = ["1", "2", "3", "back", "4", "5", "6", ".", "7", "8", "9", "0", "sign"];
const FACES = { back: "⌫", sign: "− below 0" };
const NAMES = { back: "Take back the last digit", sign: "Below zero", ".": "Point" };

function remembered() {
  try {
    return JSON.parse(sessionStorage.getItem(KEPT) || "null");
  } catch {
    return null;
  }
}

export class Keypad {
  #root = byId("keypad");
  #drawn = "";
  #for = "";

  /** `changed()` after every key; `done()` when a person presses Enter. */
  constructor({ changed, done }) {
    this.changed = changed;
    this.entry = {
      scale: settings.units === "feet" ? "fc" : "lux",
      iso: "",
      shutter: "",
      ...remembered()?.entry,
    };
    this.#for = remembered()?.for ?? "";
    this.#empty(this.#for !== "" ? remembered().entry : {});
    this.#wire(done);
  }

  /** Begins a new reading, unless it is the one that was being entered; camera settings fill what is unknown. */
  begin(what, camera) {
    const { entry } = this;
    if (!entry.iso && camera.iso) entry.iso = String(camera.iso);
    if (!entry.shutter) entry.shutter = timeOf(camera);
    if (what !== this.#for) {
      this.#for = what;
      this.#empty({});
    }
    this.#show();
  }

  /** What is being entered for; another one as soon as the next reading is asked. */
  get what() {
    return this.#for;
  }

  /** Forgets what was entered for something, after it was taken; not what is entered for the next already. */
  clear(what) {
    if (what !== this.#for) return;
    this.#empty({});
    this.#show();
  }

  #empty({ text = "", full = "", part = null }) {
    Object.assign(this.entry, { text, full, part });
  }

  #wire(done) {
    const scales = byId("scales");
    for (const [scale, { name, says }] of Object.entries(SCALES)) {
      const radio = make("input", { type: "radio", name: "scale", value: scale });
      scales.append(make("label", { title: says }, radio, make("span", {}, name), make("span", { class: "unseen" }, `, ${says}`)));
    }
    scales.addEventListener("change", (event) => {
      this.entry.scale = event.target.value;
      this.#empty({});
      this.#keep();
    });
    this.#root.addEventListener("click", (event) => {
      const key = event.target.closest("button")?.dataset.key;
      if (key) this.#press(key);
    });
    for (const name of ["iso", "shutter"]) {
      byId(`meter-${name}`).addEventListener("input", (event) => {
        this.entry[name] = event.target.value.trim();
        this.#keep();
      });
    }
    document.addEventListener("keydown", (event) => this.#typed(event, done));
  }

  #typed(event, done) {
    if (document.body.dataset.view !== "routine" || document.querySelector("dialog[open]")) return;
    const free = !event.target.matches("input[type=text], button, input[type=checkbox]");
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input[type=text]")) return;
    if (event.key === "Enter" && free) done();
    else if (this.#counts()) {
      const key = { Backspace: "back", "-": "sign", "−": "sign", ",": "." }[event.key] ?? event.key;
      if (DIGITS.includes(key)) this.#press(key);
    }
  }

  #counts() {
    return this.entry.scale !== "tenths" && this.entry.scale !== "thirds";
  }

  #press(key) {
    const { entry } = this;
    if (key.startsWith("full:")) entry.full = key.slice(5);
    else if (key.startsWith("part:")) entry.part = Number(key.slice(5));
    else entry.text = after(entry.text, key, entry.scale);
    if (entry.scale === "thirds" && entry.part === null) entry.part = 0;
    this.#keep();
  }

  #keep() {
    try {
      sessionStorage.setItem(KEPT, JSON.stringify({ for: this.#for, entry: this.entry }));
    } catch {
      // A browser that stores nothing keeps the entry as long as the page is open.
    }
    this.#show();
    this.changed();
  }

  #show() {
    const { entry } = this;
    if (this.#drawn !== entry.scale) {
      this.#drawn = entry.scale;
      this.#root.replaceChildren(...(this.#counts() ? digitKeys(entry.scale) : stopKeys(entry.scale)));
      mark(this.#root, "class", this.#counts() ? "keypad digits" : "keypad stops");
      byId("scales").querySelector(`[value="${entry.scale}"]`).checked = true;
    }
    mark(byId("meter-at"), "hidden", this.#counts() ? "" : null);
    for (const name of ["iso", "shutter"]) {
      const field = byId(`meter-${name}`);
      if (document.activeElement !== field && field.value !== entry[name]) field.value = entry[name];
    }
    for (const key of this.#root.querySelectorAll("[aria-pressed]")) {
      const on = key.dataset.key === `full:${entry.full}` || key.dataset.key === `part:${entry.part}`;
      mark(key, "aria-pressed", String(on));
    }
    say(byId("entered"), shown(entry));
  }
}

function after(text, key, scale) {
  if (key === "back") return text.slice(0, -1);
  if (key === "sign") return scale !== "ev" ? text : text.startsWith("-") ? text.slice(1) : `-${text}`;
  if (key === "." && text.includes(".")) return text;
  if (text.length >= LONGEST) return text;
  return text === "0" && key !== "." ? key : text + key;
}

function timeOf(camera) {
  if (typeof camera.shutter === "string") return camera.shutter;
  if (camera.shutter) return camera.shutter < 1 ? `1/${Math.round(1 / camera.shutter)}` : String(camera.shutter);
  if (camera.shutter_angle && camera.fps) return `1/${Math.round((camera.fps * 360) / camera.shutter_angle)}`;
  return "";
}

function key(name, face, said, pressed) {
  const button = make("button", { type: "button", "data-key": name, "aria-label": said }, face);
  if (pressed) button.setAttribute("aria-pressed", "false");
  return button;
}

const digitKeys = (scale) =>
  DIGITS.filter((name) => name !== "sign" || scale === "ev").map((name) => key(name, FACES[name] ?? name, NAMES[name]));

function stopKeys(scale) {
  const full = FULL_STOPS.map((stop) => key(`full:${stop}`, stop, `f ${stop}`, true));
  const count = scale === "tenths" ? 10 : 3;
  const faces = scale === "tenths" ? (i) => `.${i}` : (i) => ["0", "⅓", "⅔"][i];
  const said = scale === "tenths" ? (i) => `and ${i} tenths` : (i) => `and ${["no", "one", "two"][i]} thirds`;
  const parts = Array.from({ length: count }, (_, i) => key(`part:${i}`, faces(i), said(i), true));
  return [
    make("div", { class: "full", role: "group", "aria-label": "Full stop" }, ...full),
    make("div", { class: "parts", role: "group", "aria-label": scale === "tenths" ? "Tenths" : "Thirds" }, ...parts),
  ];
}
