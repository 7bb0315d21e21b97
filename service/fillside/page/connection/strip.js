// The strip under the title: the state of the connection, and of a fade.

import { byId, mark, say } from "../shared/dom.js";
import { askForKey } from "../shared/settings.js";
import * as words from "../shared/words.js";

// The daemon sends a message at least every five seconds; after this silence the strip no longer says "Live".
const QUIET_MS = 8000;
const SIGNS = { asking: "◌", live: "●", lost: "✕", key: "✕", full: "✕", ill: "✕" };

export class Strip {
  #status = { phase: "asking", reason: "", heardAt: null };
  #light = { at: null, changing: false, waits: false, alone: null, routine: false };

  /** Call `retry()` to connect again, `all()` to bring all heads back. */
  constructor({ retry, all }) {
    byId("link-act").addEventListener("click", () => {
      if (this.#status.phase === "key") askForKey();
      else if (this.#status.phase === "live") all();
      else retry();
    });
    setInterval(() => this.#tick(), 200);
  }

  setStatus(status) {
    this.#status = status;
    mark(document.body, "data-link", status.phase);
    // A separate line for screen readers: the one that counts seconds would be read out each second.
    say(byId("link-aloud"), this.#announcement());
    this.#showButton();
    this.#tick();
  }

  /** Show the light: `at` is the local time [ms] of its last change, null where unknown; `changing` means a fade, `waits` a fade
   * delayed so as not to flash; `alone` names the heads that are on alone, `routine` that a routine has put them so. */
  setLight(light) {
    this.#light = light;
    this.#showButton();
    this.#tick();
  }

  #showButton() {
    const alone = this.#light.alone && !this.#light.routine ? "All heads on" : "";
    const text = { lost: "Try now", full: "Try now", ill: "Try now", key: "Enter a key", live: alone }[this.#status.phase];
    const button = byId("link-act");
    mark(button, "hidden", text ? null : "");
    if (text) say(button, text);
  }

  #tick() {
    const line = byId("link-says");
    say(line.firstElementChild, this.#silence() === null ? SIGNS[this.#status.phase] : SIGNS.asking);
    say(line.lastElementChild, this.#linkText());
    say(byId("light-changed"), this.#lightText());
  }

  #linkText() {
    const { phase, reason, heardAt } = this.#status;
    const silence = this.#silence();
    if (silence !== null) return `Nothing heard for ${words.span(silence / 1000)}`;
    if (phase === "live") return this.#light.alone ? `Live, only ${this.#light.alone} on` : "Live";
    if (phase === "asking") return "Asking the daemon…";
    if (phase === "key") return "Key not accepted";
    if (phase === "full") return "Too many at the door";
    if (phase === "ill") return "The daemon failed; see its log";
    if (reason === "stopped") return "The daemon was stopped; the lamps may have changed";
    if (heardAt === null) return "No answer from the daemon";
    return `Nothing heard for ${words.span((Date.now() - heardAt) / 1000)}; the lamps may have changed`;
  }

  #silence() {
    const { phase, heardAt } = this.#status;
    const silence = phase === "live" && heardAt !== null ? Date.now() - heardAt : 0;
    return silence > QUIET_MS ? silence : null;
  }

  #announcement() {
    const { phase, reason, heardAt } = this.#status;
    if (phase === "asking" || (phase === "live" && heardAt === null)) return "";
    if (phase !== "lost") return this.#linkText();
    if (reason === "stopped") return "The daemon was stopped. The lamps may have changed.";
    return heardAt === null ? "No answer from the daemon." : "Nothing is heard from the daemon. The lamps may have changed.";
  }

  #lightText() {
    if (this.#status.phase === "asking") return "";
    if (this.#status.phase === "key") return "Run: fillside phone";
    if (this.#status.phase !== "live") return this.#lastHeard();
    const { at, changing, waits } = this.#light;
    if (waits) return "Light waits, so as not to flash";
    if (changing) return "Fading";
    if (at === null) return "Steady";
    return `Steady for ${words.elapsed(Math.max(0, (Date.now() - at) / 1000))}`;
  }

  #lastHeard() {
    const { heardAt } = this.#status;
    return heardAt === null ? "Trying again by itself" : `Last heard at ${words.clock(heardAt)}; trying again by itself`;
  }
}
