// The preferences of this browser (theme, units, side of the camera), stored in this browser only, and its key's dialog.

import { byId, say } from "./dom.js";
import { canBeToken, keepToken, token } from "./key.js";

const STORAGE_KEY = "fillside.settings";
const DEFAULTS = { theme: "dark", units: "metric", camera: "top" };

function load() {
  try {
    return { ...DEFAULTS, ...JSON.parse(localStorage.getItem(STORAGE_KEY) || "{}") };
  } catch {
    return { ...DEFAULTS };
  }
}

export const settings = load();

function save() {
  try {
    localStorage.setItem(STORAGE_KEY, JSON.stringify(settings));
  } catch {
    // Without storage, settings last until the page closes.
  }
}

const deviceIsLight = matchMedia("(prefers-color-scheme: light)");

function applyTheme() {
  const device = deviceIsLight.matches ? "light" : "dark";
  document.documentElement.dataset.theme = settings.theme === "device" ? device : settings.theme;
}

export function wireSettings({ onChange, onKey }) {
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
    save();
    applyTheme();
    onChange();
  });
  byId("open-key").addEventListener("click", () => {
    dialog.close();
    askForKey();
  });
  wireKey(onKey);
}

export function askForKey() {
  const field = byId("key-text");
  field.value = "";
  field.setCustomValidity("");
  byId("key").showModal();
}

function wireKey(onKey) {
  const dialog = byId("key");
  const field = byId("key-text");
  dialog.querySelector("form").addEventListener("submit", (event) => {
    const choice = event.submitter?.value ?? "use";
    if (choice === "cancel") return;
    // Accept a whole scanned address as well as the bare key.
    const text = field.value.trim().replace(/^.*#token=/, "");
    if (choice === "use" && !canBeToken(text)) {
      event.preventDefault();
      field.setCustomValidity("A key has 8 or more letters and digits and no spaces.");
      field.reportValidity();
      return;
    }
    keepToken(choice === "use" ? text : "");
    onKey();
  });
  field.addEventListener("input", () => field.setCustomValidity(""));
}
