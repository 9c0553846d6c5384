// A touch that must be held: by finger, by key, and at once by a screen reader, which cannot hold.
export const HOLD_MS = 500;

export function heldButton(button, { done, state }) {
  let timer = null;
  let pressed = false;

  const press = () => {
    if (pressed) return;
    pressed = true;
    if (!state("press")) {
      done();
      return;
    }
    timer = setTimeout(() => {
      timer = null;
      done();
    }, HOLD_MS);
  };
  const let_go = () => {
    if (!pressed) return;
    pressed = false;
    if (timer !== null) {
      clearTimeout(timer);
      timer = null;
      state("let go");
    }
  };
  button.addEventListener("pointerdown", (event) => {
    if (event.button !== 0) return;
    button.setPointerCapture?.(event.pointerId);
    press();
  });
  for (const name of ["pointerup", "pointercancel", "lostpointercapture"]) button.addEventListener(name, let_go);
  button.addEventListener("contextmenu", (event) => event.preventDefault());
  button.addEventListener("keydown", (event) => {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    if (!event.repeat) press();
  });
  button.addEventListener("keyup", (event) => {
    if (event.key !== " " && event.key !== "Enter") return;
    event.preventDefault();
    let_go();
  });
  button.addEventListener("blur", let_go);
  // A click that no finger and no key made comes from what reads the screen aloud.
  button.addEventListener("click", (event) => {
    if (event.detail === 0 && event.pointerType === "" && !pressed) done();
  });
  return { press, let_go };
}
