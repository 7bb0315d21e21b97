// What this browser prefers: screen, units, and where the camera is drawn. Kept in this browser only.

import { byId, say } from "./dom.js";
import { canBeToken, keepToken, token } from "./key.js";

const KEPT = "fillside.settings";
const DEFAULTS = { theme: "dark", units: "metric", camera: "top" };

function read() {
  try {
    return { ...DEFAULTS, ...JSON.parse(localStorage.getItem(KEPT) || "{}") };
  } catch {
    return { ...DEFAULTS };
  }
}

export const settings = read();

function keep() {
  try {
    localStorage.setItem(KEPT, JSON.stringify(settings));
  } catch {
    // A browser that stores nothing keeps them as long as the page is open.
  }
}

const deviceIsLight = matchMedia("(prefers-color-scheme: light)");

function applyTheme() {
  const device = deviceIsLight.matches ? "light" : "dark";
  document.documentElement.dataset.theme = settings.theme === "device" ? device : settings.theme;
}

/** Wires both dialogs; `changed()` after a setting, `keyed()` after the key became another. */
export function wireSettings({ changed, keyed }) {
  const dialog = byId("settings");
  deviceIsLight.addEventListener("change", applyTheme);
  applyTheme();
  byId("open-settings").addEventListener("click", () => {
    for (const [name, value] of Object.entries(settings)) {
      const radio = dialog.querySelector(`input[name="${name}"][value="${value}"]`);
      if (radio) radio.checked = true;
    }
    say(byId("key-says"), token() ? "This browser has a key." : "This browser has no key; on the daemon's own machine it needs none.");
    dialog.showModal();
  });
  dialog.addEventListener("change", (event) => {
    settings[event.target.name] = event.target.value;
    keep();
    applyTheme();
    changed();
  });
  byId("open-key").addEventListener("click", () => {
    dialog.close();
    askForKey();
  });
  wireKey(keyed);
}

export function askForKey() {
  const field = byId("key-text");
  field.value = "";
  field.setCustomValidity("");
  byId("key").showModal();
}

function wireKey(keyed) {
  const dialog = byId("key");
  const field = byId("key-text");
  dialog.querySelector("form").addEventListener("submit", (event) => {
    const what = event.submitter?.value ?? "use";
    if (what === "cancel") return;
    // A scanned address may be pasted whole.
    const text = field.value.trim().replace(/^.*#token=/, "");
    if (what === "use" && !canBeToken(text)) {
      event.preventDefault();
      field.setCustomValidity("A key has 8 or more letters and digits and no spaces.");
      field.reportValidity();
      return;
    }
    keepToken(what === "use" ? text : "");
    keyed();
  });
  field.addEventListener("input", () => field.setCustomValidity(""));
}
