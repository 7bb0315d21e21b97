// The key (token) of this browser: read once from the address after `#token=`, then stored in this browser.

const STORAGE_KEY = "fillside.token";
const TOKEN_PATTERN = /^[A-Za-z0-9._~-]{8,256}$/;

function storage() {
  try {
    return window.localStorage;
  } catch {
    return null;
  }
}

const SINGLE_USE = /^once-/;
const EXCHANGE_TIMEOUT_MS = 6000;

let inMemory = "";

export function token() {
  return storage()?.getItem(STORAGE_KEY) ?? inMemory;
}

export const canBeToken = (text) => TOKEN_PATTERN.test(text);

export function keepToken(text) {
  inMemory = text;
  try {
    if (text) storage()?.setItem(STORAGE_KEY, text);
    else storage()?.removeItem(STORAGE_KEY);
  } catch {
    // Without storage the key lasts as long as the page is open.
  }
}

/** Move the key from the address into storage, so that it is neither bookmarked nor seen; return whether there was one. */
export function takeFromAddress() {
  const found = new URLSearchParams(location.hash.slice(1)).get("token");
  if (found === null) return false;
  history.replaceState(null, "", location.pathname + location.search);
  if (!canBeToken(found)) return false;
  keepToken(found);
  return true;
}

/** Return whether the key is good once, and must be exchanged for a lasting one before it opens anything. */
export const isSingleUse = () => SINGLE_USE.test(token());

/** Exchange it; return true once the daemon has accepted or refused it, false when nothing answered. */
export async function exchangeKey() {
  try {
    const response = await fetch("/api/v1/key", {
      method: "POST",
      headers: headers(),
      signal: AbortSignal.timeout(EXCHANGE_TIMEOUT_MS),
    });
    if (response.status >= 500) return false;
    const answer = await response.json();
    keepToken(response.ok && canBeToken(answer.token) ? answer.token : "");
    return true;
  } catch {
    return false;
  }
}

export function headers() {
  const text = token();
  return text ? { Authorization: `Bearer ${text}` } : {};
}

/** The WebSocket subprotocols that carry the key: browsers cannot send headers there. */
export function protocols() {
  const text = token();
  return text ? ["fillside.v1", `token.${text}`] : [];
}
