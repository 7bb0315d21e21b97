// What a screen reader says by itself: the outcome once the light has settled, and troubles as they come.

import { byId, say } from "./dom.js";
import * as words from "./words.js";

const REST_MS = 800;

export class Aloud {
  #said = "";
  #timer = 0;

  show({ state, heads, staleSince }) {
    clearTimeout(this.#timer);
    if (!state.settled || staleSince !== null) return;
    this.#timer = setTimeout(() => this.#speak(state, heads), REST_MS);
  }

  #speak(state, heads) {
    const limits = heads.filter((head) => head.at_limit).map((head) => `${head.name} at ${head.at_limit}`);
    const lost = Object.entries(state.drivers).filter(([, driver]) => driver.state === "lost");
    const text = [
      `${state.mode}.`,
      state.achieved.ratio ? `Ratio ${words.ratio(state.achieved.ratio, 1).replace(":", " to ")},` : "No ratio,",
      `face ${words.ratio(state.face.ratio, 1).replace(":", " to ")}, exposure ${words.fixed(state.achieved.exposure_error_stops, 1, true)} stops off target.`,
      ...limits.map((limit) => `${limit}.`),
      ...lost.map(([name]) => `Wire ${name} is lost.`),
      ...(lost.length ? [] : heads.filter((head) => head.health === "lost").map((head) => `${head.name} is lost.`)),
      ...(state.storage.kept ? [] : ["Orders are not stored."]),
    ].join(" ");
    if (text === this.#said) return;
    this.#said = text;
    say(byId("aloud"), text);
  }
}
