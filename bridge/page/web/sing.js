// Singing: the degree, how far, which way, how steady; the pitch in time among the pure lines; a drone by touch.
import { by, fill, make, mark, say, shape, show } from "./dom.js";
import { ask, isLost, role } from "./link.js";
import { WORDS, signed } from "./words.js";

const NAMES = 84; // pixels for the names of the pure lines
const LETTER = 14;
const LINE = 18; // names nearer than this would lie on each other

export function standSing(stand) {
  const may = role === "act" && stand.actions.includes("degree");
  show(by("si-drone"), may);
  fill(by("si-degrees"), [may, stand.sung], () => (may ? stand.sung.map(degree) : []));
}

function degree(note, at) {
  const button = make("button", { type: "button", "aria-pressed": "false" }, make("b", {}, String(at + 1)), make("span", {}, note));
  button.addEventListener("click", () => ask("degree", at + 1));
  return button;
}

export function beginSing() {
  by("si-all").addEventListener("click", () => ask("drone"));
}

export function enableSing() {
  for (const button of by("si-drone").querySelectorAll("button")) button.disabled = isLost();
}

export function showSing(told) {
  const now = told.now;
  mark(by("sing"), "data-state", !now || now.guess ? "none" : now.near ? "in" : "off");
  mark(by("si-degree"), "data-heard", now !== null);
  say("si-degree", now ? now.degree : WORDS.singNow);
  const off = now ? signed(now.cents) : "";
  say("si-cents", now && now.guess ? `${WORDS.guess} ${off}` : now ? WORDS.cents(off) : "");
  say("si-way", now ? now.way : "");
  say("si-steady", now ? now.steady : "");
  say("si-beats", now ? [now.note, WORDS.hz(now.hz.toFixed(1)), now.beats].filter(Boolean).join(" · ") : "");
  fill(by("si-before"), told.before, () =>
    told.before.length
      ? [
          make("li", { class: "small" }, WORDS.beforeNow),
          ...told.before.map((one) => make("li", {}, make("b", {}, one.name), ` ${signed(one.cents)}`)),
        ]
      : [],
  );
  say("si-told", told.told);
  [...by("si-degrees").children].forEach((one, at) => mark(one, "aria-pressed", told.degrees.includes(at + 1)));
  mark(by("si-all"), "aria-pressed", told.drone.length > 0);
  say("si-sounds", told.drone.length ? WORDS.droneNow(told.drone.join(" ")) : WORDS.droneSilent);
  fill(by("si-said"), told.said, () => told.said.map((text) => make("p", {}, text)));
  draw(by("si-line"), told);
}

// Time runs to the right and ends at now; the names stand at the left. Drawn in pixels, so that letters stay as large.
function draw(element, told) {
  const wide = Math.max(240, element.clientWidth);
  const high = Math.max(160, Math.min(380, Math.round(innerHeight * 0.42)));
  const { low, seconds } = told;
  const span = told.high - low;
  const x = (ago) => wide - 10 - ((wide - NAMES - 10) * ago) / seconds;
  const y = (cents) => high - 8 - ((high - 16) * (cents - low)) / span;
  const parts = [];
  if (span > 0) {
    let above = Infinity;
    for (const one of told.pure) {
      const at = y(one.cents);
      const near = (told.near * (high - 16)) / span;
      parts.push(shape("rect", { x: NAMES, y: at - near, width: wide - NAMES, height: 2 * near, class: "near" }));
      parts.push(shape("line", { x1: NAMES, x2: wide, y1: at, y2: at, class: "pure" }));
      if (above - at >= LINE && at > LETTER / 2) {
        parts.push(shape("text", { x: NAMES - 6, y: at + LETTER * 0.36, class: "named", "text-anchor": "end" }, one.name));
        above = at;
      }
    }
    for (const d of strokes(told.line, x, y)) parts.push(shape("path", { d, class: "sung" }));
    if (told.now && !told.now.guess) {
      const at = y(told.now.centre);
      const from = x(Math.min(told.now.held, 1.5));
      parts.push(shape("line", { x1: from, x2: wide - 10, y1: at, y2: at, class: "centre" }));
    }
  }
  const label = span > 0 ? WORDS.lineNow(told.pure.map((one) => one.name).join(", ")) : WORDS.noLine;
  element.replaceChildren(
    shape("svg", { viewBox: `0 0 ${wide} ${high}`, width: wide, height: high, role: "img", "aria-label": label }, ...parts),
  );
}

function strokes(line, x, y) {
  const found = [];
  let now = "";
  for (const [ago, cents] of line) {
    if (cents === null) {
      if (now) found.push(now);
      now = "";
    } else {
      now += `${now ? "L" : "M"}${x(ago).toFixed(1)} ${y(cents).toFixed(1)}`;
    }
  }
  if (now) found.push(now);
  return found;
}
