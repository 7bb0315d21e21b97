// A button that acts only when held, by finger, mouse, Space or Enter, for longer than a tap lasts.

const LONG_PRESS_MS = 900;
const KEYS = new Set([" ", "Enter"]);

/** Call `onLongPress()` after the full time, `onShortPress()` when released before it, and `onClick()` for a click that neither
 * pointer nor key made, as from a screen reader. */
export function wireLongPress(button, { onLongPress, onShortPress, onClick }) {
  let timer = 0;
  let done = false;
  let lastInputAt = 0;

  const begin = () => {
    if (timer) return;
    done = false;
    button.classList.add("holding");
    timer = setTimeout(() => {
      done = true;
      cancel();
      onLongPress();
    }, LONG_PRESS_MS);
  };
  const cancel = () => {
    clearTimeout(timer);
    timer = 0;
    button.classList.remove("holding");
  };
  const release = () => {
    if (!timer) return;
    cancel();
    if (!done) onShortPress();
  };

  button.addEventListener("pointerdown", (event) => {
    lastInputAt = performance.now();
    if (event.button !== 0) return;
    button.setPointerCapture(event.pointerId);
    begin();
  });
  button.addEventListener("pointerup", release);
  button.addEventListener("pointercancel", release);
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (!KEYS.has(event.key)) return;
    event.preventDefault();
    lastInputAt = performance.now();
    if (!event.repeat) begin();
  });
  button.addEventListener("keyup", (event) => {
    if (KEYS.has(event.key)) release();
  });
  button.addEventListener("blur", release);
  button.addEventListener("click", () => {
    if (performance.now() - lastInputAt > LONG_PRESS_MS + 5000 || lastInputAt === 0) onClick();
  });
}
