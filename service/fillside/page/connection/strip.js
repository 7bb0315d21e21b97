// The strip under the title: whether the daemon answers, and whether the light is on its way.

import { byId, mark, say } from "../shared/dom.js";
import { askForKey } from "../shared/settings.js";
import * as words from "../shared/words.js";

// The daemon says something at least every five seconds; after this silence "live" is no longer said.
const QUIET_MS = 8000;
const SIGNS = { asking: "◌", live: "●", lost: "✕", key: "✕", full: "✕", ill: "✕" };

export class Strip {
  #how = { is: "asking", says: "", heard: null };
  #light = { at: null, changing: false, waits: false, alone: null, routine: false };

  /** `retry()` connects again, `all()` brings all heads back. */
  constructor({ retry, all }) {
    byId("link-act").addEventListener("click", () => {
      if (this.#how.is === "key") askForKey();
      else if (this.#how.is === "live") all();
      else retry();
    });
    setInterval(() => this.#tick(), 200);
  }

  turned(how) {
    this.#how = how;
    mark(document.body, "data-link", how.is);
    // Read out once; the line that counts seconds would be read out each second.
    say(byId("link-aloud"), this.#aloud());
    this.#showAct();
    this.#tick();
  }

  /** `at` is local time [ms] of the last change, null unknown; `changing` while it fades; `waits` so as not to flash; `alone` is lit,
   * by a routine or by hand. */
  light(light) {
    this.#light = light;
    this.#showAct();
    this.#tick();
  }

  #showAct() {
    const alone = this.#light.alone && !this.#light.routine ? "All heads on" : "";
    const text = { lost: "Try now", full: "Try now", ill: "Try now", key: "Enter a key", live: alone }[this.#how.is];
    const button = byId("link-act");
    mark(button, "hidden", text ? null : "");
    if (text) say(button, text);
  }

  #tick() {
    const line = byId("link-says");
    say(line.firstElementChild, this.#quiet() === null ? SIGNS[this.#how.is] : SIGNS.asking);
    say(line.lastElementChild, this.#linkSays());
    say(byId("light-changed"), this.#below());
  }

  #linkSays() {
    const { is, says, heard } = this.#how;
    const quiet = this.#quiet();
    if (quiet !== null) return `Nothing heard for ${words.span(quiet / 1000)}`;
    if (is === "live") return this.#light.alone ? `Live, only ${this.#light.alone} on` : "Live";
    if (is === "asking") return "Asking the daemon…";
    if (is === "key") return "Key not accepted";
    if (is === "full") return "Too many at the door";
    if (is === "ill") return "The daemon failed; see its log";
    if (says === "stopped") return "The daemon was stopped; the lamps may have changed";
    if (heard === null) return "No answer from the daemon";
    return `Nothing heard for ${words.span((Date.now() - heard) / 1000)}; the lamps may have changed`;
  }

  /** How long a live connection has been silent [ms], null while that is nothing unusual. */
  #quiet() {
    const { is, heard } = this.#how;
    const quiet = is === "live" && heard !== null ? Date.now() - heard : 0;
    return quiet > QUIET_MS ? quiet : null;
  }

  #aloud() {
    const { is, says, heard } = this.#how;
    if (is === "asking" || (is === "live" && heard === null)) return "";
    if (is !== "lost") return this.#linkSays();
    if (says === "stopped") return "The daemon was stopped. The lamps may have changed.";
    return heard === null ? "No answer from the daemon." : "Nothing is heard from the daemon. The lamps may have changed.";
  }

  #below() {
    if (this.#how.is === "asking") return "";
    if (this.#how.is === "key") return "Run: fillside phone";
    if (this.#how.is !== "live") return this.#lastHeard();
    const { at, changing, waits } = this.#light;
    if (waits) return "Light waits, so as not to flash";
    if (changing) return "Fading";
    if (at === null) return "Steady";
    return `Steady for ${words.lasting(Math.max(0, (Date.now() - at) / 1000))}`;
  }

  #lastHeard() {
    const { heard } = this.#how;
    return heard === null ? "Trying again by itself" : `Last heard at ${words.clock(heard)}; trying again by itself`;
  }
}
