// The stage: what is read at two metres, and two large touches.
import { by, fill, length, make, mark, say } from "./dom.js";
import { heldButton } from "./hold.js";
import { ask, isLost, role } from "./link.js";
import { WORDS, halves, roughly } from "./words.js";

const CUT_MS = 1000;
let fading = null;
let actions = [];

export function beginStage() {
  by("next").addEventListener("click", () => ask(main()));
  const button = by("silence");
  heldButton(button, {
    done() {
      mark(button, "data-state", "fading");
      say("silence-words", WORDS.fading);
      ask("silence");
      clearTimeout(fading);
      fading = setTimeout(rest, CUT_MS);
    },
    // While it fades, a touch cuts at once.
    state(what) {
      if (what === "press" && button.dataset.state === "fading") return false;
      if (what === "press") {
        mark(button, "data-state", "held");
        say("silence-words", WORDS.holding);
      } else {
        rest();
      }
      return true;
    },
  });
}

function rest() {
  mark(by("silence"), "data-state", "rest");
  say("silence-words", WORDS.hold);
}

export function standStage(stand) {
  actions = role === "act" ? stand.actions : [];
  enable();
}

// The large touch at the right: what comes next, or, where a track plays alone, waiting and going on.
function main() {
  return actions.includes("next") || !actions.includes("pause") ? "next" : "pause";
}

export function enable() {
  for (const [id, action] of [["next", main()], ["silence", "silence"]]) {
    const button = by(id);
    button.classList.toggle("absent", !actions.includes(action));
    button.disabled = isLost() || !actions.includes(action);
  }
}

function when(seen) {
  const track = seen.track;
  const words = seen.next ? WORDS.barsTo : WORDS.barsLeft;
  const left = seen.barsLeft !== null ? words(seen.barsLeft) : "";
  if (track?.paused) return WORDS.paused;
  if (track?.countIn) return WORDS.counting(track.countIn);
  return left || (seen.bar !== null ? WORDS.bar(seen.bar) : "");
}

// Where nothing is to come that has a name, the place in the track stands there.
function ahead(seen) {
  if (seen.last) return WORDS.nothingNext;
  return seen.next || (seen.track !== null && seen.bar !== null ? WORDS.barOf(seen.bar, seen.track.bars) : "");
}

export function showStage(seen) {
  const title = seen.title || (seen.tables.length > 1 ? `${seen.tableNumber || ""} ${seen.table}`.trim() : seen.table);
  say("st-piece", title);
  length(by("st-piece"), title, [16, 26, 40]);
  const place = [seen.pieces ? WORDS.piece(seen.number, seen.pieces) : "", seen.section];
  say("st-section", place.filter(Boolean).join(" · "));
  say("st-number", seen.pieces ? seen.number : "");
  say("st-tonic", seen.tonic);
  const table = (seen.pieces ? seen.table : "") + (seen.equal ? ` ${WORDS.equalOn}` : "");
  say("st-table", table.trim() || (seen.equal ? WORDS.equalOn : seen.table));
  mark(by("st-table"), "data-equal", seen.equal);
  const drone = seen.drone;
  say("st-drone", drone.state === "none" ? WORDS.none : drone.words.replace(/^drone /, ""));
  mark(by("st-drone"), "data-state", drone.state);
  say("st-reference", seen.reference ? `${seen.reference} = ${WORDS.hz(seen.hz.toFixed(2))}` : WORDS.none);
  say("st-trim", seen.trim ? WORDS.cents(roughly(seen.trim)) : WORDS.none);
  say("st-chord", seen.chord.replace(/(\d+(?:\.\d+)?) cents/g, (_, cents) => WORDS.cents(halves(Number(cents)))) || WORDS.none);
  say("st-notes", seen.notes.join(" ") || WORDS.none);
  const next = ahead(seen);
  say("st-next-label", seen.next && !seen.last ? WORDS.nextLabel : "");
  say("st-next-words", next);
  length(by("st-next-words"), next, [18, 30, 46]);
  say("st-when", when(seen));
  const paused = seen.track !== null && seen.track.paused;
  mark(by("st-when"), "data-paused", paused);
  if (main() === "pause") {
    say("next-words", paused ? WORDS.trackGoOn : WORDS.trackPause);
    say("next-sign", paused ? "▶" : "❚❚");
  }
  const said = seen.listening !== null ? [{ kind: "said", text: WORDS.listening(seen.listening) }] : seen.said.slice(-2);
  fill(by("st-said"), said.map((one) => [one.kind, one.text]), () =>
    said.map((one) => make("p", { "data-kind": one.kind }, one.text)),
  );
}
