// Announcements for screen readers: the light once it has settled, and troubles as they come.

import { byId, say } from "../shared/dom.js";
import * as words from "../shared/words.js";

const SETTLE_MS = 800;

export class Announcer {
  #last = "";
  #timer = 0;

  show({ state, heads, staleSince }) {
    clearTimeout(this.#timer);
    if (!state.settled || staleSince !== null) return;
    this.#timer = setTimeout(() => this.#announce(state, heads), SETTLE_MS);
  }

  #announce(state, heads) {
    const limits = heads.filter((head) => head.at_limit).map((head) => `${head.name} at ${head.at_limit}`);
    const lost = Object.entries(state.drivers).filter(([, driver]) => driver.state === "lost");
    const text = [
      `${state.mode}.`,
      state.achieved.ratio ? `Ratio ${words.ratio(state.achieved.ratio, state.uncertainty.ratio_stops).replace(":", " to ")},` : "No ratio,",
      `face ${words.ratio(state.face.ratio, state.uncertainty.face_stops).replace(":", " to ")}, exposure ${exposureOff(state)}.`,
      ...limits.map((limit) => `${limit}.`),
      ...lost.map(([name]) => `Wire ${name} is lost.`),
      ...(lost.length ? [] : heads.filter((head) => head.health === "lost").map((head) => `${head.name} is lost.`)),
      ...(state.storage.kept ? [] : ["Orders are not stored."]),
    ].join(" ");
    if (text === this.#last) return;
    this.#last = text;
    say(byId("aloud"), text);
  }
}

function exposureOff({ achieved, uncertainty }) {
  const within = uncertainty.exposure_stops;
  const places = Math.min(1, words.decimals(within));
  const off = achieved.exposure_error_stops;
  const none = Number(words.fixed(Math.abs(off), places)) === 0;
  return within !== null && none ? `within ${words.around(within)} of target` : `${words.stops(off, true, places)} off target`;
}
