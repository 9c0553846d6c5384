// The lesson: equal or pure, what beats, what sounds and where it lies on keys and strings.
import { by, fill, make, mark, say, shape, show } from "./dom.js";
import { ask, isLost, role } from "./link.js";
import { drawScale } from "./tuner.js";
import { WORDS, signed } from "./words.js";

const WHITE = [0, 2, 4, 5, 7, 9, 11];
const FRETS = 12;
let stand = { actions: [], strings: [], frets: 0 };
let first = 48;
let sounded = 0;

export function beginLesson() {
  by("pure").addEventListener("click", () => by("pure").ariaPressed !== "true" && ask("equal"));
  by("equal").addEventListener("click", () => by("equal").ariaPressed !== "true" && ask("equal"));
}

export function standLesson(now) {
  stand = now;
  show(by("le-neck-card"), stand.strings.length > 0 && stand.frets > 0);
  show(by("le-strings-card"), stand.strings.length > 0);
  show(by("le-tuner-card"), stand.tuner.length > 0);
  show(by("le-switch"), stand.actions.includes("equal"));
  show(by("le-chords-card"), stand.actions.includes("chord"));
  fill(by("le-strings"), stand.strings, () => stand.strings.map(stringLine));
}

function stringLine(one) {
  const off = Math.abs(one.cents).toFixed(1);
  const words = Number(off) === 0 ? WORDS.onTable : one.cents > 0 ? WORDS.aboveTable(off) : WORDS.belowTable(off);
  return make("li", {}, make("b", {}, `${WORDS.string(one.string)}  ${one.note}`), ` ${words}`);
}

export function enableLesson() {
  const may = role === "act" && !isLost();
  for (const button of [by("pure"), by("equal"), ...by("le-chords").children]) button.disabled = !may;
}

export function showLesson(seen) {
  mark(by("pure"), "aria-pressed", !seen.equal);
  mark(by("equal"), "aria-pressed", seen.equal);
  say("le-beats", seen.beats || WORDS.noBeats);
  const { sounding, clashes } = seen.lesson;
  fill(by("le-sounding"), sounding, () =>
    sounding.length ? sounding.map(noteLine) : [make("li", { class: "small" }, WORDS.nothingSounds)],
  );
  fill(by("le-clashes"), [clashes, sounding.length], () =>
    clashes.length
      ? clashes.map((one) => make("li", { class: "clash" }, WORDS.clash(one.words)))
      : [make("li", { class: "small" }, sounding.length > 1 ? WORDS.noClash : "")],
  );
  const sour = new Set(clashes.flatMap((one) => one.keys));
  drawKeyboard(sounding, sour);
  if (stand.strings.length && stand.frets) drawNeck(sounding, sour);
  enableLesson();
}

export function showChords(chords) {
  fill(by("le-chords"), chords, () => chords.map(chordButton));
  enableLesson();
}

function noteLine(one) {
  const parts = [make("b", {}, one.degree ?? ""), make("span", {}, one.note)];
  const off = one.cents === undefined ? "" : WORDS.fromPure(one.cents);
  parts.push(make("span", { class: "off" }, off));
  if (one.drone) parts.push(make("span", { class: "small" }, WORDS.ofDrone));
  return make("li", {}, ...parts);
}

function chordButton(one) {
  const button = make("button", { type: "button", class: "chord", "data-verdict": one.verdict });
  button.append(make("b", {}, one.name), make("span", {}, `${one.numeral}  ${one.verdict}`));
  button.addEventListener("click", () => {
    // A second touch of the same chord, while it sounds, ends it: no chord has that number.
    const again = sounded === one.number + 1 && button.dataset.sounds === "true";
    for (const other of by("le-chords").children) other.dataset.sounds = "false";
    button.dataset.sounds = String(!again);
    sounded = one.number + 1;
    ask("chord", again ? -1 : one.number);
    if (!again) setTimeout(() => (button.dataset.sounds = "false"), 6000);
  });
  return button;
}

// Three octaves round what sounds; the keyboard moves only when something lies beyond it.
function drawKeyboard(sounding, sour) {
  const keys = sounding.map((one) => one.key);
  if (keys.length && (Math.min(...keys) < first || Math.max(...keys) >= first + 36)) {
    first = Math.max(0, Math.min(91, Math.floor(Math.min(...keys) / 12) * 12));
  }
  fill(by("le-keyboard"), [first, sounding, [...sour]], () => {
    const lit = new Map(sounding.map((one) => [one.key, one]));
    const wide = 20;
    const parts = [];
    const place = (key) => Math.floor((key - first) / 12) * 7 + WHITE.indexOf((key - first) % 12);
    for (const black of [false, true]) {
      for (let key = first; key < first + 36 && key < 128; key += 1) {
        const isBlack = !WHITE.includes((key - first) % 12);
        if (isBlack !== black) continue;
        const x = isBlack ? (place(key - 1) + 1) * wide - 6 : place(key) * wide;
        const one = lit.get(key);
        const kind = one ? (sour.has(key) ? "sour" : "lit") : black ? "black" : "white";
        parts.push(
          shape("rect", { x, y: 0, width: isBlack ? 12 : wide, height: isBlack ? 52 : 86, rx: 2, class: `key ${kind}` }),
        );
        if (one) {
          const name = one.note.replace(/-?\d+$/, "");
          const at = { x: x + (isBlack ? 6 : wide / 2), "text-anchor": "middle" };
          parts.push(shape("text", { ...at, y: isBlack ? 45 : 78, class: `name ${kind}` }, name));
          if (kind === "sour") parts.push(shape("text", { ...at, y: isBlack ? 34 : 66, class: `name ${kind}` }, "!"));
        }
      }
    }
    const label = WORDS.keyboardNow(sounding.map((one) => one.note).join(", "));
    return [shape("svg", { viewBox: `-1 -1 ${21 * wide + 2} 89`, role: "img", "aria-label": label }, ...parts)];
  });
}

function drawNeck(sounding, sour) {
  fill(by("le-neck"), [sounding, [...sour], stand.strings], () => {
    const strings = [...stand.strings].sort((a, b) => a.string - b.string);
    const wide = 34;
    const gap = 20;
    const left = 34;
    const parts = [];
    const height = (strings.length - 1) * gap;
    for (let fret = 0; fret <= FRETS; fret += 1) {
      const x = left + fret * wide;
      parts.push(shape("line", { x1: x, x2: x, y1: 14, y2: 14 + height, class: fret ? "fret" : "nut" }));
      if (fret) parts.push(shape("text", { x: x - wide / 2, y: 32 + height, class: "number", "text-anchor": "middle" }, String(fret)));
    }
    strings.forEach((string, row) => {
      const y = 14 + row * gap;
      parts.push(shape("line", { x1: left, x2: left + FRETS * wide, y1: y, y2: y, class: "wire" }));
      for (const one of sounding) {
        const fret = one.key - string.key;
        if (fret < 0 || fret > FRETS) continue;
        const x = fret ? left + fret * wide - wide / 2 : left - 15;
        const kind = sour.has(one.key) ? "sour" : "lit";
        parts.push(shape("circle", { cx: x, cy: y, r: 9.5, class: `key ${kind}` }));
        parts.push(
          shape("text", { x, y: y + 3.6, "text-anchor": "middle", class: `name ${kind}` }, one.note.replace(/-?\d+$/, "")),
        );
      }
    });
    const label = WORDS.neckNow(sounding.map((one) => one.note).join(", "));
    return [shape("svg", { viewBox: `0 0 ${left + FRETS * wide + 6} ${40 + height}`, role: "img", "aria-label": label }, ...parts)];
  });
}

export function lessonTuner(told) {
  drawScale(by("le-tuner"), told.heard);
}
