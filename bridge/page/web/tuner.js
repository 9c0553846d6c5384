// The tuner: which string, how far, which way to turn. The microphone is that of the computer, never of the browser.
import { by, fill, make, mark, say, shape, show } from "./dom.js";
import { ask, isLost, role } from "./link.js";
import { WORDS, signed } from "./words.js";

const ENDS = 50;
let may = false;
let words = () => ({});

export function beginTuner(wordsNow) {
  words = wordsNow;
}

export function standTuner(stand) {
  may = role === "act" && stand.actions.includes("tuner");
  const buttons = [
    ["begin", () => ask("tuner", 1, words())],
    ["end", () => ask("tuner", 0)],
  ];
  fill(by("tu-ask"), [may, stand.command], () =>
    stand.command === "page"
      ? [
          ...(may ? buttons : []).map(([name, act]) => {
            const button = make("button", { type: "button" }, WORDS[name]);
            button.addEventListener("click", act);
            return button;
          }),
          make("span", { class: "small" }, WORDS.microphone),
        ]
      : [],
  );
  showTuner({ aims: stand.tuner, heard: null, last: {}, said: [] });
}

export function enableTuner() {
  for (const button of by("tu-ask").querySelectorAll("button")) button.disabled = isLost();
}

export function showTuner(told) {
  const heard = told.heard;
  say("tu-string", heard && heard.string !== null ? WORDS.string(heard.string) : "");
  say("tu-name", heard ? heard.note : told.aims.length ? WORDS.pluck : "");
  mark(by("tu-note"), "data-heard", heard !== null);
  const state = !heard || heard.cents === null ? "none" : heard.turn === "" ? "in" : "off";
  mark(by("tuner"), "data-state", state);
  const figure = heard && heard.cents !== null ? signed(heard.cents) : "";
  say("tu-cents", heard && heard.guess && figure ? `${WORDS.guess} ${figure}` : figure && WORDS.cents(figure));
  say("tu-words", heard ? heard.words : "");
  say("tu-beats", heard ? [WORDS.hz(heard.hz.toFixed(2)), heard.beats].filter(Boolean).join(" · ") : "");
  drawScale(by("tu-scale"), heard);
  show(by("tu-scale"), told.aims.length > 0);
  fill(by("tu-strings"), [told.aims, told.last, heard?.string], () =>
    told.aims.map((aim) => {
      const last = told.last[aim.string];
      const item = make("li", {}, make("b", {}, `${aim.string} ${aim.note}`));
      if (heard?.string === aim.string) item.setAttribute("aria-current", "true");
      item.append(make("span", {}, last === undefined ? WORDS.none : signed(last)));
      return item;
    }),
  );
  fill(by("tu-said"), told.said, () => told.said.map((text) => make("p", {}, text)));
}

// A scale that is finer near the middle, flat to the left.
const place = (cents) => 200 + Math.sign(cents) * Math.sqrt(Math.min(Math.abs(cents) / ENDS, 1)) * 180;

export function drawScale(element, heard) {
  const cents = heard && heard.cents !== null ? heard.cents : null;
  fill(element, [cents, heard?.turn], () => {
    const parts = [shape("line", { x1: 20, x2: 380, y1: 34, y2: 34, class: "wire" })];
    for (const tick of [-50, -20, -5, 0, 5, 20, 50]) {
      const x = place(tick);
      parts.push(shape("line", { x1: x, x2: x, y1: tick ? 26 : 16, y2: tick ? 42 : 52, class: tick ? "fret" : "nut" }));
      parts.push(shape("text", { x, y: 66, class: "number", "text-anchor": "middle" }, tick ? signed(tick) : "0"));
    }
    if (cents !== null) {
      const kind = heard.turn === "" ? "in" : "off";
      parts.push(shape("path", { d: `M${place(cents)} 34l-11 -26h22z`, class: `needle ${kind}` }));
    }
    const label = cents === null ? WORDS.pluck : `${WORDS.cents(signed(cents))}, ${heard.words}`;
    return [shape("svg", { viewBox: "0 0 400 72", role: "img", "aria-label": label }, ...parts)];
  });
}
