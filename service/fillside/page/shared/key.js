// The key (token) of this browser: it comes once in the address after `#token=`, and stays in this browser.

const KEPT = "fillside.token";
const LOOKS_RIGHT = /^[A-Za-z0-9._~-]{8,256}$/;

/** The storage, or null where the browser allows none. */
function storage() {
  try {
    return window.localStorage;
  } catch {
    return null;
  }
}

const FOR_ONCE = /^once-/;
const CHANGE_TIMEOUT_MS = 6000;

let inMemory = "";

export function token() {
  return storage()?.getItem(KEPT) ?? inMemory;
}

/** Whether a text can be a key at all. */
export const canBeToken = (text) => LOOKS_RIGHT.test(text);

export function keepToken(text) {
  inMemory = text;
  try {
    if (text) storage()?.setItem(KEPT, text);
    else storage()?.removeItem(KEPT);
  } catch {
    // A browser that stores nothing keeps the key as long as the page is open.
  }
}

/** Takes the key out of the address, so that it is neither bookmarked nor seen; true if there was one. */
export function takeFromAddress() {
  const found = new URLSearchParams(location.hash.slice(1)).get("token");
  if (found === null) return false;
  history.replaceState(null, "", location.pathname + location.search);
  if (!canBeToken(found)) return false;
  keepToken(found);
  return true;
}

/** Whether the key is one that must be changed for a lasting one before it opens anything. */
export const isForOnce = () => FOR_ONCE.test(token());

/** Changes it; true when that is settled, right or wrong, and false when nothing answered. */
export async function changeForLasting() {
  try {
    const response = await fetch("/api/v1/key", {
      method: "POST",
      headers: headers(),
      signal: AbortSignal.timeout(CHANGE_TIMEOUT_MS),
    });
    if (response.status >= 500) return false;
    const said = await response.json();
    keepToken(response.ok && canBeToken(said.token) ? said.token : "");
    return true;
  } catch {
    return false;
  }
}

/** Headers that show the key. */
export function headers() {
  const text = token();
  return text ? { Authorization: `Bearer ${text}` } : {};
}

/** What the WebSocket offers: browsers cannot send headers there. */
export function protocols() {
  const text = token();
  return text ? ["fillside.v1", `token.${text}`] : [];
}
