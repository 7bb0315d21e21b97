// Keeps the screen awake while somebody meters. Browsers allow it only on secure addresses, or not at all.

let lock = null;
let wanted = false;

async function take() {
  if (!wanted || lock || document.visibilityState !== "visible") return false;
  try {
    lock = await navigator.wakeLock.request("screen");
    lock.addEventListener("release", () => (lock = null));
  } catch {
    return false;
  }
  return true;
}

document.addEventListener("visibilitychange", take);

/** Asks for it; resolves to whether the screen will stay awake. */
export async function stayAwake() {
  wanted = true;
  return lock !== null || ("wakeLock" in navigator && (await take()));
}

export function maySleep() {
  wanted = false;
  lock?.release();
  lock = null;
}
