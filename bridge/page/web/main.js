// Which view is seen, what the program shows in it, and what keys do.
import { by, fill, make, mark, say, show } from "./dom.js";
import { beginLesson, enableLesson, lessonTuner, showChords, showLesson, standLesson } from "./lesson.js";
import { ask, begin, isLost, on, onLink, role } from "./link.js";
import { beginSing, enableSing, showSing, standSing } from "./sing.js";
import { beginPractise, enablePractise, practiseKey, showPractise, standPractise } from "./practise.js";
import { beginStage, enable, showStage, standStage } from "./stage.js";
import { STUDIES, beginStudy, placeForm, showStudy, studyWords } from "./study.js";
import { beginTuner, enableTuner, showTuner, standTuner } from "./tuner.js";
import { keepAwake } from "./wake.js";
import { WORDS } from "./words.js";

const VIEWS = {
  play: ["stage", "lesson", ...STUDIES],
  drone: ["stage", "lesson", ...STUDIES],
  tune: ["tuner", ...STUDIES],
  sing: ["sing", ...STUDIES],
  practise: ["practise", ...STUDIES],
  page: ["table", "chords", "frets", "strings", "tuner", "sheet"],
};
const ASKS = [
  "previous", "next", "previous-piece", "next-piece", "bar-back", "pause", "previous-chord", "next-chord", "drone", "drone-softer", "drone-louder", "follow", "equal", "trim-down", "trim-up", "untrim", "listen", "undo",
];
const NAMES = { equal: "equalPure", pause: "trackPause" };
const KEYS = {
  ArrowRight: "next", ArrowDown: "next", PageDown: "next", n: "next",
  ArrowLeft: "previous", ArrowUp: "previous", PageUp: "previous", p: "previous",
  N: "next-piece", P: "previous-piece",
  c: "next-chord", C: "previous-chord", f: "follow",
  d: "drone", ".": "drone-louder", ",": "drone-softer", s: "pause", b: "bar-back", e: "equal", "+": "trim-up", "-": "trim-down", 0: "untrim", l: "listen", u: "undo", x: "silence",
};
// Where a track plays alone there is nothing else to step through: a page turner lets it wait, and takes it back a bar.
const ALONE = { next: "pause", previous: "bar-back" };
const THEMES = ["asScreen", "dark", "bright"];

let stand = null;
let view = "";
let seenNow = null;
let muteWaits = false; // for the number of a part, typed after m

function words() {
  for (const element of document.querySelectorAll("[data-w]")) say(element, WORDS[element.dataset.w]);
  for (const element of document.querySelectorAll("[data-label]")) mark(element, "aria-label", WORDS[element.dataset.label]);
}

function views() {
  return stand === null ? [] : VIEWS[stand.command];
}

function route() {
  if (stand === null) return;
  const wanted = location.hash.replace(/^#\/?/, "");
  const now = views().includes(wanted) ? wanted : views()[0];
  if (now === view) return;
  view = now;
  const shownId = STUDIES.includes(now) ? "study" : now;
  for (const section of document.querySelectorAll(".view")) show(section, section.id === shownId);
  mark(document.body, "data-view", shownId);
  for (const link of by("views").children) {
    if (link.hash === `#/${now}`) mark(link, "aria-current", "page");
    else link.removeAttribute("aria-current");
  }
  document.title = `${WORDS[now]} – Stillbeat`;
  if (stand.command === "page") placeForm(by(shownId === "tuner" ? "tu-form" : "sy-place"));
  if (shownId === "study") showStudy(now);
  scrollTo(0, 0);
  draw();
  open(false);
}

function draw() {
  if (seenNow === null) return;
  if (view === "stage") showStage(seenNow);
  if (view === "lesson") showLesson(seenNow);
}

// Where nothing plays, the views stand there always: nobody looks at them from afar.
function calm() {
  return stand !== null && (stand.command === "page" || stand.command === "tune");
}

function open(asked) {
  const wanted = asked || calm();
  show(by("panel"), wanted);
  mark(by("more"), "aria-expanded", wanted);
  say("more", wanted ? WORDS.less : WORDS.more);
}

function button(text, act) {
  const made = make("button", { type: "button" }, text);
  made.addEventListener("click", act);
  return made;
}

function panel() {
  fill(by("views"), stand.command, () => views().map((name) => make("a", { href: `#/${name}`, class: "button" }, WORDS[name])));
  const may = role === "act" ? stand.actions : [];
  fill(by("asks"), may, () => [
    ...ASKS.filter((name) => may.includes(name) && stand.command !== "sing").map((name) => button(WORDS[NAMES[name] ?? name], () => ask(name))),
    ...(role === "act" ? [] : [make("span", { class: "small" }, WORDS.looksOnly)]),
  ]);
}

function choices(seen) {
  const may = role === "act" ? stand.actions : [];
  const names = may.includes("piece")
    ? Array.from({ length: seen.pieces }, (_, at) => `${WORDS.pieces} ${at + 1}`)
    : may.includes("table")
      ? seen.tables.map((name, at) => `${at + 1} ${name}`)
      : [];
  const action = may.includes("piece") ? "piece" : "table";
  fill(by("choices"), names, () => names.map((name, at) => button(name, () => ask(action, at + 1))));
}

function parts(seen) {
  const may = role === "act" && stand.actions.includes("mute");
  const all = may && seen.track ? seen.track.parts : [];
  fill(by("parts"), all.map((one) => one.name), () =>
    all.map((one, at) => button(WORDS.part(at + 1, one.name), () => ask("mute", at + 1))),
  );
  all.forEach((one, at) => mark(by("parts").children[at], "aria-pressed", !one.muted));
  show(by("parts"), all.length > 0);
}

function theme() {
  let chosen = "asScreen";
  try {
    chosen = localStorage.getItem("light") ?? chosen;
  } catch {
    // Nothing is kept where the browser keeps nothing.
  }
  const set = (name) => {
    mark(document.documentElement, "data-theme", name);
    for (const one of by("settings").children) mark(one, "aria-pressed", one.dataset.theme === name);
    try {
      localStorage.setItem("light", name);
    } catch {
      // The same.
    }
  };
  by("settings").replaceChildren(
    ...THEMES.map((name) => {
      const made = button(WORDS[name], () => set(name));
      made.dataset.theme = name;
      return made;
    }),
  );
  set(THEMES.includes(chosen) ? chosen : "asScreen");
}

function health(now) {
  const element = by("health");
  mark(element, "data-state", now.state);
  mark(element.querySelector("use"), "href", `icon.svg#${now.state}`);
  say("health-words", now.words);
}

function able() {
  const lost = isLost();
  for (const id of ["asks", "choices", "parts"]) for (const one of by(id).querySelectorAll("button")) one.disabled = lost;
  enable();
  enableLesson();
  enableTuner();
  enableSing();
  enablePractise();
}

function keys(event) {
  if (event.ctrlKey || event.altKey || event.metaKey || event.repeat || stand === null) return;
  if (event.key === "Escape") open(false);
  if (event.target.closest("input, select, textarea, .scroll")) return;
  if (view === "practise" && practiseKey(event.key)) return event.preventDefault();
  const named = KEYS[event.key];
  const action = stand.actions.includes(named) ? named : ALONE[named];
  const digit = /^[1-9]$/.test(event.key) ? Number(event.key) : 0;
  const mutes = muteWaits;
  muteWaits = event.key === "m" && stand.actions.includes("mute");
  if (action && stand.actions.includes(action)) {
    event.preventDefault();
    ask(action);
  } else if (digit) {
    const order = mutes ? ["mute"] : ["piece", "table", "mute", "degree"];
    const name = order.find((one) => stand.actions.includes(one));
    if (name) ask(name, digit);
  }
}

words();
theme();
beginStage();
beginLesson();
beginStudy();
beginTuner(studyWords);
beginSing();
beginPractise();
keepAwake();
by("more").addEventListener("click", () => open(by("panel").hidden));
document.addEventListener("keydown", keys);
window.addEventListener("hashchange", route);
health({ state: "wait", words: WORDS.waiting });

onLink((lost, ended) => {
  mark(document.body, "data-link", lost ? "lost" : "live");
  say("lost", lost ? (ended ? WORDS.ended : WORDS.lost) : "");
  able();
});
on("stand", (now) => {
  stand = now;
  mark(document.body, "data-calm", calm());
  panel();
  standStage(now);
  standLesson(now);
  standTuner(now);
  standSing(now);
  standPractise(now);
  if (now.command !== "play" && now.command !== "drone") health({ state: "ok", words: now.guitar || "Stillbeat" });
  route();
});
on("seen", (seen) => {
  seenNow = seen;
  health(seen.health);
  say("tuning", seen.tuning || stand?.guitar || "");
  choices(seen);
  parts(seen);
  if (stand !== null && stand.actions.includes("pause")) {
    const at = ASKS.filter((name) => stand.actions.includes(name)).indexOf("pause");
    const made = by("asks").querySelectorAll("button")[at];
    if (made) say(made, seen.track?.paused ? WORDS.trackGoOn : WORDS.trackPause);
  }
  draw();
});
on("chords", showChords);
on("sung", showSing);
on("tuner", (told) => {
  showTuner(told);
  lessonTuner(told);
});
on("practise", showPractise);
begin();
