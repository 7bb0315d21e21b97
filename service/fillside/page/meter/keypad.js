// A keypad for the meter's display in its own unit. The entry outlives a reload of the page.

import { byId, make, mark, say } from "../shared/dom.js";
import { settings } from "../shared/settings.js";
import { FULL_STOPS, SCALES, TAPES, entryText } from "./display.js";

const STORAGE_KEY = "fillside.entry";
const LONGEST = 8;
const DIGITS = ["1", "2", "3", "back", "4", "5", "6", ".", "7", "8", "9", "0", "sign"];
const FACES = { back: "⌫", sign: "− below 0" };
const NAMES = { back: "Take back the last digit", sign: "Below zero", ".": "Point" };

function storedEntry() {
  try {
    return JSON.parse(sessionStorage.getItem(STORAGE_KEY) || "null");
  } catch {
    return null;
  }
}

export class Keypad {
  #root = byId("keypad");
  #drawn = "";
  #purpose = "";

  /** Call `onChange()` after every key, and `onEnter()` at Enter. */
  constructor({ onChange, onEnter }) {
    this.onChange = onChange;
    this.entry = {
      scale: settings.units === "feet" ? "fc" : "lux",
      iso: "",
      shutter: "",
      ...storedEntry()?.entry,
    };
    this.#purpose = storedEntry()?.for ?? "";
    this.#reset(this.#purpose !== "" ? storedEntry().entry : {});
    this.#wire(onEnter);
  }

  /** Begin a new reading, or a tape, unless `purpose` is the one being entered; the camera's settings fill empty fields. */
  begin(purpose, camera, byTape) {
    const { entry } = this;
    mark(byId("scales"), "data-tape", byTape ? "" : null);
    if (!entry.iso && camera.iso) entry.iso = String(camera.iso);
    if (!entry.shutter) entry.shutter = shutterText(camera);
    if (purpose !== this.#purpose) {
      this.#purpose = purpose;
      this.#reset({});
      if (!(entry.scale in TAPES)) entry.meter = entry.scale;
      entry.scale = byTape ? (settings.units === "feet" ? "ft" : "m") : entry.meter;
    }
    this.#show();
  }

  get purpose() {
    return this.#purpose;
  }

  clear(purpose) {
    if (purpose !== this.#purpose) return;
    this.#reset({});
    this.#show();
  }

  #reset({ text = "", full = "", part = null }) {
    Object.assign(this.entry, { text, full, part });
  }

  #wire(onEnter) {
    const scales = byId("scales");
    for (const [scale, { name, says }] of Object.entries(SCALES)) {
      const radio = make("input", { type: "radio", name: "scale", value: scale });
      scales.append(make("label", { title: says }, radio, make("span", {}, name), make("span", { class: "unseen" }, `, ${says}`)));
    }
    scales.addEventListener("change", (event) => {
      this.entry.scale = event.target.value;
      this.#reset({});
      this.#save();
    });
    this.#root.addEventListener("click", (event) => {
      const key = event.target.closest("button")?.dataset.key;
      if (key) this.#press(key);
    });
    for (const name of ["iso", "shutter"]) {
      byId(`meter-${name}`).addEventListener("input", (event) => {
        this.entry[name] = event.target.value.trim();
        this.#save();
      });
    }
    document.addEventListener("keydown", (event) => this.#onKeyDown(event, onEnter));
  }

  #onKeyDown(event, onEnter) {
    if (document.body.dataset.view !== "routine" || document.querySelector("dialog[open]")) return;
    const free = !event.target.matches("input[type=text], button, input[type=checkbox]");
    if (event.ctrlKey || event.metaKey || event.altKey || event.target.matches("input[type=text]")) return;
    if (event.key === "Enter" && free) onEnter();
    else if (this.#hasDigits()) {
      const key = { Backspace: "back", "-": "sign", "−": "sign", ",": "." }[event.key] ?? event.key;
      if (DIGITS.includes(key)) this.#press(key);
    }
  }

  #hasDigits() {
    return this.entry.scale !== "tenths" && this.entry.scale !== "thirds";
  }

  #press(key) {
    const { entry } = this;
    if (key.startsWith("full:")) entry.full = key.slice(5);
    else if (key.startsWith("part:")) entry.part = Number(key.slice(5));
    else entry.text = textAfter(entry.text, key, entry.scale);
    if (entry.scale === "thirds" && entry.part === null) entry.part = 0;
    this.#save();
  }

  #save() {
    try {
      sessionStorage.setItem(STORAGE_KEY, JSON.stringify({ for: this.#purpose, entry: this.entry }));
    } catch {
      // Without storage the entry lasts as long as the page is open.
    }
    this.#show();
    this.onChange();
  }

  #show() {
    const { entry } = this;
    if (this.#drawn !== entry.scale) {
      this.#drawn = entry.scale;
      this.#root.replaceChildren(...(this.#hasDigits() ? digitKeys(entry.scale) : stopKeys(entry.scale)));
      mark(this.#root, "class", this.#hasDigits() ? "keypad digits" : "keypad stops");
      byId("scales").querySelector(`[value="${entry.scale}"]`).checked = true;
    }
    mark(byId("meter-at"), "hidden", this.#hasDigits() ? "" : null);
    for (const name of ["iso", "shutter"]) {
      const field = byId(`meter-${name}`);
      if (document.activeElement !== field && field.value !== entry[name]) field.value = entry[name];
    }
    for (const key of this.#root.querySelectorAll("[aria-pressed]")) {
      const on = key.dataset.key === `full:${entry.full}` || key.dataset.key === `part:${entry.part}`;
      mark(key, "aria-pressed", String(on));
    }
    say(byId("entered"), entryText(entry));
  }
}

function textAfter(text, key, scale) {
  if (key === "back") return text.slice(0, -1);
  if (key === "sign") return scale !== "ev" ? text : text.startsWith("-") ? text.slice(1) : `-${text}`;
  if (key === "." && text.includes(".")) return text;
  if (text.length >= LONGEST) return text;
  return text === "0" && key !== "." ? key : text + key;
}

function shutterText(camera) {
  if (typeof camera.shutter === "string") return camera.shutter;
  if (camera.shutter) return camera.shutter < 1 ? `1/${Math.round(1 / camera.shutter)}` : String(camera.shutter);
  if (camera.shutter_angle && camera.fps) return `1/${Math.round((camera.fps * 360) / camera.shutter_angle)}`;
  return "";
}

function keyButton(name, face, label, pressable) {
  const button = make("button", { "data-key": name, "aria-label": label }, face);
  if (pressable) button.setAttribute("aria-pressed", "false");
  return button;
}

const digitKeys = (scale) =>
  DIGITS.filter((name) => name !== "sign" || scale === "ev").map((name) => keyButton(name, FACES[name] ?? name, NAMES[name]));

function stopKeys(scale) {
  const full = FULL_STOPS.map((stop) => keyButton(`full:${stop}`, stop, `f ${stop}`, true));
  const count = scale === "tenths" ? 10 : 3;
  const faces = scale === "tenths" ? (i) => `.${i}` : (i) => ["0", "⅓", "⅔"][i];
  const labels = scale === "tenths" ? (i) => `and ${i} tenths` : (i) => `and ${["no", "one", "two"][i]} thirds`;
  const parts = Array.from({ length: count }, (_, i) => keyButton(`part:${i}`, faces(i), labels(i), true));
  return [
    make("div", { class: "full", role: "group", "aria-label": "Full stop" }, ...full),
    make("div", { class: "parts", role: "group", "aria-label": scale === "tenths" ? "Tenths" : "Thirds" }, ...parts),
  ];
}
