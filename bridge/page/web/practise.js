// Practising: what is asked, what sounds now, and buttons for the answers. Nothing of an answer is known here before it is given.
import { by, fill, make, say } from "./dom.js";
import { ask, isLost, role } from "./link.js";
import { WORDS } from "./words.js";

// For each exercise its large buttons: action, number, words.
const ANSWERS = {
  still: [["first", 0, WORDS.first], ["second", 0, WORDS.second]],
  wide: [["narrow", 0, WORDS.narrow], ["wide", 0, WORDS.wide]],
  tune: [
    ["move", -1, WORDS.move(-1)], ["move", 1, WORDS.move(1)],
    ["move", -0.2, WORDS.move(-0.2)], ["move", 0.2, WORDS.move(0.2)],
    ["done", 0, WORDS.still],
  ],
  sing: [["done", 0, WORDS.nextNote]],
};
const KEYS = {
  1: ["first", 0], ArrowLeft: ["first", 0], 2: ["second", 0], ArrowRight: ["second", 0],
  w: ["wide", 0], n: ["narrow", 0], s: ["skip", 0], p: ["pause", 0],
  ArrowUp: ["move", 1], "+": ["move", 1], ArrowDown: ["move", -1], "-": ["move", -1], ".": ["move", 0.2], ",": ["move", -0.2],
  Enter: ["done", 0],
};
let seen = { what: "", waits: [], said: [] };

export function beginPractise() {
  showPractise(seen);
}

export function standPractise() {
  showPractise(seen);
}

function button(action, number, words) {
  const made = make("button", { type: "button", "data-action": action }, words);
  made.addEventListener("click", () => ask(action, number));
  return made;
}

export function showPractise(now) {
  seen = now;
  say("pr-title", now.title);
  say("pr-about", now.about);
  say("pr-place", now.place);
  say("pr-large", now.large);
  say("pr-ask", now.ask);
  const may = role === "act";
  // While ears rest, one button goes on.
  const rests = now.waits.length === 1 && now.waits[0] === "done";
  fill(by("pr-answers"), [may, now.what, rests], () =>
    may ? (rests ? [["done", 0, WORDS.goOn]] : (ANSWERS[now.what] ?? [])).map((one) => button(...one)) : [],
  );
  fill(by("pr-more"), [may, now.what], () =>
    may && now.what
      ? [...(now.what === "still" || now.what === "wide" ? [button("skip", 0, WORDS.skip)] : []), button("pause", 0, WORDS.pause)]
      : [],
  );
  fill(by("pr-said"), now.said, () => now.said.map((text) => make("p", {}, text)));
  enablePractise();
}

export function enablePractise() {
  for (const id of ["pr-answers", "pr-more"]) {
    for (const one of by(id).children) one.disabled = isLost() || !seen.waits.includes(one.dataset.action);
  }
}

// Returns whether the key means something here now.
export function practiseKey(key) {
  const [action, number] = KEYS[key] ?? [];
  if (!action || !seen.waits.includes(action)) return false;
  ask(action, number);
  return true;
}
