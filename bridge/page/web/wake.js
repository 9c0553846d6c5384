// Keeps the screen awake where the browser allows it: only on this computer, for over a network nothing is encrypted.
import { say } from "./dom.js";
import { WORDS } from "./words.js";

let held = null;

async function hold() {
  if (!("wakeLock" in navigator) || document.hidden) return;
  try {
    held = await navigator.wakeLock.request("screen");
    held.addEventListener("release", () => (held = null));
    say("awake", WORDS.awake);
  } catch {
    say("awake", WORDS.notAwake);
  }
}

export function keepAwake() {
  say("awake", "wakeLock" in navigator ? "" : WORDS.notAwake);
  hold();
  document.addEventListener("visibilitychange", () => held === null && hold());
  document.addEventListener("pointerdown", () => held === null && hold(), { once: true });
}
