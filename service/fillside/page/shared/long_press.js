// A button that must be held: by finger, mouse, Space or Enter, for a moment that no tap lasts.

export const HOLD_MS = 900;
const KEYS = new Set([" ", "Enter"]);

/** `held()` after the hold; `tooShort()` when let go before; `pressed()` for a press without pointer or key. */
export function wireHold(button, { held, tooShort, pressed }) {
  let timer = 0;
  let done = false;
  let byHand = 0;

  const begin = () => {
    if (timer) return;
    done = false;
    button.classList.add("holding");
    timer = setTimeout(() => {
      done = true;
      end();
      held();
    }, HOLD_MS);
  };
  const end = () => {
    clearTimeout(timer);
    timer = 0;
    button.classList.remove("holding");
  };
  const letGo = () => {
    if (!timer) return;
    end();
    if (!done) tooShort();
  };

  button.addEventListener("pointerdown", (event) => {
    byHand = performance.now();
    if (event.button !== 0) return;
    button.setPointerCapture(event.pointerId);
    begin();
  });
  button.addEventListener("pointerup", letGo);
  button.addEventListener("pointercancel", letGo);
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (!KEYS.has(event.key)) return;
    event.preventDefault();
    byHand = performance.now();
    if (!event.repeat) begin();
  });
  button.addEventListener("keyup", (event) => {
    if (KEYS.has(event.key)) letGo();
  });
  button.addEventListener("blur", letGo);
  button.addEventListener("click", () => {
    if (performance.now() - byHand > HOLD_MS + 5000 || byHand === 0) pressed();
  });
}
