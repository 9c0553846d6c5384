"""What a sheet says of tuning the guitar: every string near its note, then by ear, string by string."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from bridge.sheet.document import Block, Grid, Heading, Items, Paragraph
from bridge.sheet.phrases import (
    STILL_HZ,
    beat_words,
    percent,
    place_words,
    signed,
    string_notes,
    tuner_words,
    turn_words,
)
from bridge.sheet.records import StringsSheet
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import note_name, parse_note
from bridge.tuning.ratios import format_ratio
from bridge.tuning.strings.nodes import BODY_FRET
from bridge.tuning.strings.order import TouchedString, TuningPlan, TuningStep

_GUITAR_STRINGS = 6
_BASS_BELOW_KEY = 36


def near_blocks(sheet: StringsSheet) -> Iterable[Block]:
    """Yield what every string shall sound, in the order in which they are brought near it."""
    plan = sheet.plan
    guitar = plan.guitar
    reference = guitar.reference_string
    note = string_notes(plan)[reference]
    key = guitar.reference_key + plan.capo
    capo = f" with the capo at fret {plan.capo} on" if plan.capo else ""
    yield Paragraph(
        f"Reference{capo}: string {reference}, {note} = {plan.reference_hz:.2f} Hz "
        f"(a tuner at A4 = 440 Hz shows {tuner_words(plan.reference_hz, note, key)} cents).",
        strong=True,
    )
    yield _near_grid(sheet)
    yield Paragraph(_near_words(sheet), small=True)


def steps_blocks(sheet: StringsSheet) -> Iterable[Block]:
    """Yield how the guitar is tuned by ear, once every string is near its note."""
    plan = sheet.plan
    guitar = plan.guitar
    notes = string_notes(plan)
    if plan.steps:
        yield Heading("Then by ear", 3)
        yield Paragraph(
            "Touch a string lightly over the place, pluck, lift the finger: the harmonic rings on. Sound both strings "
            "and turn the first. Come from below, by tightening, until the beats have stopped."
        )
        yield _steps_grid(plan, plan.steps, notes)
        yield Paragraph(
            "tuned equal: the beats that would be heard if both strings were tempered. a cent: beats a second for each "
            "cent off. stiffness: cents that the string ends sharp (+) or flat (-) when the beats have stopped.",
            small=True,
        )
    if plan.checks:
        yield Heading("These must be still as well", 3)
        yield _steps_grid(plan, plan.checks, notes)
    hz = {change.string: change.hz for change in plan.changes}
    told = [
        f"String {number} ({notes[number]}) meets no harmonic of the others: set it to {hz[number]:.2f} Hz by a tuner."
        for number in plan.by_tuner
    ]
    told.append(f"Go round again, in this order: string {', '.join(map(str, plan.second_pass))}.")
    told += plan.advice
    if guitar.remarks:
        told.append(" ".join(guitar.remarks.split()))
    written = _written(guitar, plan.capo, notes)
    if written:
        told.append(written)
    yield Items(tuple(told))


def _near_grid(sheet: StringsSheet) -> Grid:
    plan = sheet.plan
    moves = plan.start is not None
    rows = []
    for change in plan.changes:
        way = (change.from_note, change.note, turn_words(change)) if moves else (change.note,)
        load = (percent(sheet.tension[change.string]),) if sheet.tension else ()
        shows = signed_tuner(change.hz, change.note)
        rows.append((str(change.string), *way, shows, f"{change.hz:.2f}", *load))
    headings = ("string", *(("from", "to", "turn") if moves else ("note",)), "tuner, cents", "Hz")
    words = frozenset({0, 1, 2, 3}) if moves else frozenset({0, 1})
    return Grid((*headings, *(("tension",) if sheet.tension else ())), tuple(rows), words)


def signed_tuner(hz: float, note: str) -> str:
    """Say what a tuner shows for a string."""
    return tuner_words(hz, note, parse_note(note))


def _near_words(sheet: StringsSheet) -> str:
    said = "tuner, cents: what a tuner at A4 = 440 Hz shows when the string is right."
    if sheet.tension:
        said += f" tension: against {sheet.usual}, which is 100 %."
    if sheet.slack:
        said += (
            " From slack: raise all strings in turn, a little at a time; new ones stretch, so go round again."
        )
    return said


def _steps_grid(plan: TuningPlan, steps: Iterable[TuningStep], notes: Mapping[int, str]) -> Grid:
    fretless = plan.guitar.frets == 0
    rows = []
    for number, step in enumerate(steps, 1):
        equal = "" if step.beats_hz >= STILL_HZ else _short_rate(step.equal_beats_hz)
        rows.append(
            (
                str(number),
                f"{step.tune.string}\N{NO-BREAK SPACE}{notes[step.tune.string]}",
                _touched(step.tune, fretless),
                f"{step.against.string}\N{NO-BREAK SPACE}{notes[step.against.string]}",
                _touched(step.against, fretless),
                _end(step),
                equal,
                f"{step.hz_per_cent:.2f}",
                signed(step.total_stiffness_cents),
            )
        )
    return Grid(
        ("", "turn", "touched at", "against", "touched at", "until", "tuned equal", "a cent", "stiffness"),
        tuple(rows),
        frozenset({0, 1, 2, 3, 4, 5, 6}),
    )


def _touched(touched: TouchedString, fretless: bool) -> str:
    if not touched.touches:
        return "open"
    first, *others = touched.touches
    said = f"{format_ratio(first.node)}: {place_words(first.place, fretless)}"
    for other in [one for one in others if one.place.frets <= BODY_FRET][:1]:
        said += f"; or {format_ratio(other.node)}: {place_words(other.place, fretless)}"
    return said


def _end(step: TuningStep) -> str:
    if step.beats_hz < STILL_HZ:
        return "still"
    side = "sharper" if step.target_cents > 0 else "flatter"
    return f"{abs(step.target_cents):.1f} cents {side} than still: {beat_words(step.beats_hz)}"


def _short_rate(rate_hz: float) -> str:
    if rate_hz < STILL_HZ:
        return "still too"
    return f"one in {1 / rate_hz:.1f} s" if rate_hz < 1 else f"{rate_hz:.1f} a second"


def _written(guitar: Guitar, capo: int, notes: Mapping[int, str]) -> str:
    """Say how the music of a guitar or bass is written; empty for instruments that are written as they sound."""
    lowest = min(string.key for string in guitar.strings)
    if len(guitar.strings) < _GUITAR_STRINGS and lowest >= _BASS_BELOW_KEY:
        return ""
    number = guitar.reference_string
    key = guitar.reference_key + capo
    written = note_name(min(key + 12, 127), guitar.tonic if not capo else notes[number].rstrip("-0123456789"))
    name = "Guitar" if lowest >= _BASS_BELOW_KEY else "Music for it"
    verb = "music is" if name == "Guitar" else "is"
    return (
        f"{name} {verb} written an octave above its sound: string {number} sounds {notes[number]} and is written "
        f"{written}. Notes here are as they sound, middle C is C4."
    )
