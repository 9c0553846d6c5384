// What can be read about a table: notes, chords, frets, strings, the sheet.
import { by, fill, make, say } from "./dom.js";
import { WORDS } from "./words.js";

export const STUDIES = ["table", "chords", "frets", "strings", "sheet"];
const TONICS = ["C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B"];
let shown = "";
let asked = 0;
let filled = false;
let chord = "";

const fields = ["guitar", "tonic", "scale", "fret", "reference"];

export function studyWords() {
  const words = {};
  for (const name of fields) {
    const value = by(`sy-${name}`).value.trim();
    if (value) words[name] = value;
  }
  return words;
}

export async function beginStudy() {
  const form = by("sy-form");
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("change", () => {
    chord = "";
    refresh();
  });
}

async function choices() {
  if (filled) return;
  const got = await (await fetch("study/choices")).json();
  const options = (list) => list.map((one) => make("option", { value: one.name }, one.title));
  const none = (words) => make("option", { value: "" }, words);
  by("sy-guitar").replaceChildren(none(got.own ? WORDS.own(got.own) : WORDS.asIs), ...options(got.guitars));
  by("sy-guitar").value = got.guitar;
  by("sy-scale").replaceChildren(none(WORDS.asIs), ...options(got.scales));
  by("sy-tonic").replaceChildren(none(WORDS.asIs), ...TONICS.map((one) => make("option", { value: one }, one)));
  const frets = Array.from({ length: 12 }, (_, fret) => make("option", { value: String(fret + 1) }, String(fret + 1)));
  by("sy-fret").replaceChildren(none(WORDS.noCapo), ...frets);
  filled = true;
}

// The tuner of the page alone asks which guitar in the same words.
export function placeForm(place) {
  place.append(by("sy-form"));
  choices().catch(() => {});
}

export function showStudy(name) {
  if (name !== shown) by("sy-body").replaceChildren(); // nothing of another view stands under this one's name
  shown = name;
  say("sy-title", WORDS[name]);
  refresh();
}

async function refresh() {
  if (!shown) return;
  asked += 1;
  const mine = asked;
  try {
    await choices();
    const query = new URLSearchParams(studyWords());
    const children = await pages[shown](query);
    if (mine !== asked) return;
    say("sy-problem", "");
    by("sy-body").replaceChildren(...children);
  } catch (problem) {
    if (mine !== asked) return;
    by("sy-body").replaceChildren();
    say("sy-problem", problem.message || WORDS.nothingHere);
  }
}

async function get(kind, query) {
  const response = await fetch(`study/${kind}?${query}`);
  const got = await response.json().catch(() => ({}));
  if (!response.ok) throw new Error(got.problem || WORDS.nothingHere);
  return got;
}

function grid(caption, headings, rows) {
  const head = make("tr", {}, ...headings.map((words) => make("th", { scope: "col" }, words)));
  const body = rows.map((cells) =>
    make("tr", {}, ...cells.map((cell, at) => (at ? make("td", {}, cell) : make("th", { scope: "row" }, cell)))),
  );
  const table = make("table", {}, make("caption", {}, caption), make("thead", {}, head), make("tbody", {}, ...body));
  return make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": caption }, table);
}

// A picture is asked for as data first, so that what cannot be drawn says why.
async function picture(kind, query, words) {
  const response = await fetch(`study/${kind}?${query}`);
  if (!response.ok) throw new Error((await response.json().catch(() => ({}))).problem || WORDS.nothingHere);
  return make("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": words },
    make("img", { src: `study/${kind}?${query}`, alt: words, class: kind.startsWith("frets") ? "broad" : "" }));
}

const pages = {
  async table(query) {
    const got = await get("table", query);
    const head = `${got.name}: ${got.scale}, ${got.tonic}; ${got.reference.note} = ${got.hz} Hz`;
    const keys = got.keys.map((key) => [key.note, key.degree, key.ratio, key.hz, key.cents]);
    const parts = [make("p", { class: "lead" }, head), await picture("keyboard.svg", query, WORDS.keyboardPicture)];
    parts.push(grid(WORDS.table, [WORDS.note, WORDS.degreeLabel, WORDS.ratio, WORDS.hertz, WORDS.fromEqual], keys));
    if (got.strings.length) {
      const strings = got.strings.map((one) => [String(one.string), one.note, one.ratio, one.hz, one.equal, one.cents]);
      const heads = [WORDS.stringLabel, WORDS.note, WORDS.ratio, WORDS.hertz, WORDS.fromEqual, WORDS.fromTable];
      parts.push(grid(WORDS.strings, heads, strings));
    }
    return parts;
  },
  async chords(query) {
    const got = await get("chords", query);
    const heads = [WORDS.degreeLabel, WORDS.chordLabel, WORDS.notesLabel, WORDS.sound, WORDS.beatsAt, WORDS.cure];
    const rows = (triad) =>
      got.chords
        .filter((one) => one.triad === triad)
        .map((one) => [one.numeral, one.name, one.notes, one.verdict, one.beats, one.cures.join(", ")]);
    return [grid(WORDS.triads, heads, rows(true)), grid(WORDS.seventh, heads, rows(false))];
  },
  async frets(query) {
    const got = await get("chords", query);
    const select = make("select", { id: "sy-chord" }, make("option", { value: "" }, WORDS.allNotes));
    for (const one of got.chords) select.append(make("option", { value: one.name }, `${one.name}  ${one.numeral}`));
    select.value = chord;
    select.addEventListener("change", () => {
      chord = select.value;
      refresh();
    });
    if (chord) query.set("chord", chord);
    const label = make("label", {}, make("span", {}, WORDS.chordOnNeck), select);
    return [make("div", { class: "row" }, label), await picture("frets.svg", query, WORDS.neckPicture)];
  },
  async strings(query) {
    const got = await get("strings", query);
    const heads = [WORDS.stringLabel, WORDS.note, WORDS.turn, WORDS.hertz, WORDS.tunerShows, WORDS.tension];
    const rows = got.changes.map((one) => [
      String(one.string), one.from ? `${one.from} → ${one.note}` : one.note, one.turn, one.hz, one.tuner, one.tension,
    ]);
    const steps = (list, tag) =>
      make(tag, { class: "steps" }, ...list.map((one) =>
        make("li", {}, make("b", {}, one.title), ...one.lines.map((line) => make("p", {}, line)))));
    const parts = [make("p", { class: "lead" }, got.guitar), make("p", {}, WORDS.stepOne)];
    parts.push(...got.cautions.map((text) => make("p", { class: "caution" }, text)));
    parts.push(grid(WORDS.strings, heads, rows), make("p", {}, WORDS.stepTwo(got.first)), steps(got.steps, "ol"));
    if (got.checks.length) parts.push(make("h2", {}, WORDS.checks), steps(got.checks, "ul"));
    if (got.advice.length) parts.push(make("h2", {}, WORDS.mind), ...got.advice.map((text) => make("p", {}, text)));
    return parts;
  },
  async sheet(query) {
    const response = await fetch(`study/sheet?${query}`);
    if (!response.ok) throw new Error((await response.json().catch(() => ({}))).problem || WORDS.nothingHere);
    const link = make("a", { href: `study/sheet?${query}`, target: "_blank", rel: "noopener", class: "button" }, WORDS.openSheet);
    return [make("p", {}, WORDS.sheetHow), link];
  },
};
