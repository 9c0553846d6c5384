// The line to the program: events come in, actions go out with the time at which they were asked.
import { content } from "./dom.js";

const LOST_MS = 1500; // a beat comes twice a second
const AGAIN_MS = 1000;
const LOOK_MS = 250;

export const role = content("role");
const token = content("token");

let source = null;
let heard = -Infinity;
let opened = -Infinity;
let clock = null; // { server: seconds, here: milliseconds }
let lost = true;
let programLost = false;
let ended = false;
let touches = 0;
const self = Array.from(crypto.getRandomValues(new Uint32Array(2)), (one) => one.toString(36)).join("");
const takers = {};
let changed = () => {};

export function on(name, take) {
  takers[name] = take;
}

// Hands on what came; whatever shows it has asked for it by name.
export function give(name, data) {
  takers[name]?.(data);
}

export function onLink(take) {
  changed = take;
}

function open() {
  close();
  opened = performance.now();
  source = new EventSource("events");
  for (const name of ["stand", "seen", "chords", "tuner", "sung", "practise", "beat", "bye"]) {
    source.addEventListener(name, (event) => {
      heard = performance.now();
      const data = JSON.parse(event.data);
      if (name === "beat") {
        clock = { server: data.now, here: heard };
        programLost = data.lost;
        ended = false;
      } else if (name === "bye") {
        ended = true;
        heard = -Infinity;
      } else {
        give(name, data);
      }
      look();
    });
  }
}

function close() {
  if (source !== null) source.close();
  source = null;
}

function look() {
  const now = performance.now();
  const silent = now - heard > LOST_MS;
  const nowLost = silent || programLost;
  if (nowLost !== lost) {
    lost = nowLost;
    changed(lost, ended);
  }
  // A tab that nobody sees asks for nothing: browsers allow a page few lines at once.
  if (document.hidden) return close();
  if (silent && now - opened > AGAIN_MS) open();
}

export function begin() {
  open();
  setInterval(look, LOOK_MS);
  document.addEventListener("visibilitychange", look);
  changed(lost, ended);
}

export function isLost() {
  return lost;
}

// Asks for something; what cannot be asked now is not asked later.
export async function ask(action, number = 0, words = {}) {
  if (lost || clock === null || role !== "act") return;
  const asked = clock.server + (performance.now() - clock.here) / 1000;
  touches += 1;
  const body = JSON.stringify({ action, number, words, asked_s: asked, id: `${self}-${touches}` });
  try {
    await fetch("action", {
      method: "POST",
      body,
      headers: { "Content-Type": "application/json", "X-Stillbeat": token },
      cache: "no-store",
    });
  } catch {
    // The network has gone: the page greys out by itself.
  }
}
