"""How a place on a string, a rate of beats, a step of tuning is said: the same words in a terminal and on paper.

Conventions
-----------
Plain ASCII but for what musicians write anyway; notes as everywhere (``F#3``). Millimetres are whole, for a finger tip
is wider; nearer to a fret than half a millimetre is at the fret. Beats slower than one a second are said as the time
that one takes, which is how they are counted.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from bridge.tuning.notes import hz_to_key, key_to_hz, note_name
from bridge.tuning.ratios import format_ratio, hz_to_cents
from bridge.tuning.strings.nodes import BODY_FRET, Place
from bridge.tuning.strings.order import StringChange, TouchedString, TuningPlan, TuningStep

STILL_HZ = 0.005
"""Beats slower than this take more than three minutes: nobody hears them."""

SLOW_HZ = 1.0
_TOGETHER = re.compile(
    r"(?<=\d) (?=(?:cents?|Hz|mm|s|%|beats)\b)|(?<=\b[Ff]ret) (?=\d)|(?<=\b[Ss]tring) (?=\d)"
)

_LONG_WORD = re.compile(r"[^\s\N{NO-BREAK SPACE}]{25,}")

TOLD_CENTS = 0.05
"""What stiffness leaves is told from here on."""

ALTERNATIVES = 1
"""Other places to touch that are told; more would not be read."""


def glued(text: str) -> str:
    """Keep figures and their units on one line: the space between them becomes one that is not broken."""
    return _TOGETHER.sub("\N{NO-BREAK SPACE}", text)


def breakable(text: str) -> str:
    """Let a word break that is too long for a narrow column."""
    return _LONG_WORD.sub(lambda word: "\N{ZERO WIDTH SPACE}".join(re.findall(".{1,12}", word[0])), text)


def signed(value: float, digits: int = 1) -> str:
    """Write a number with its sign; what rounds to nothing has none."""
    rounded = round(value, digits)
    return f"{rounded:+.{digits}f}" if rounded else f"{0:.{digits}f}"


def percent(part: float) -> str:
    """Write a part of a whole as a percentage: ``79 %``."""
    return f"{round(100 * part)} %"


def beat_words(rate_hz: float) -> str:
    """Say a rate of beats: ``no beats``, ``a beat every 2.0 s``, ``5.83 beats a second``."""
    if rate_hz < STILL_HZ:
        return "no beats"
    if rate_hz < SLOW_HZ:
        return f"a beat every {1 / rate_hz:.1f} s"
    return f"{rate_hz:.2f} beats a second"


def place_words(place: Place, fretless: bool = False) -> str:
    """Say where a place lies: ``fret 12``, ``fret 4, 5 mm towards the nut``; without frets ``217 mm from the nut``."""
    if fretless:
        return f"{place.from_nut_mm:.0f} mm from the nut"
    name = f"fret {place.nearest_fret}" if place.nearest_fret else "the nut"
    if place.side == "at":
        return name
    towards = "saddle" if place.side == "saddle" or not place.nearest_fret else "nut"
    return f"{name}, {max(1, round(abs(place.from_fret_mm)))} mm towards the {towards}"


def touched_words(touched: TouchedString, note: str, fretless: bool = False) -> str:
    """Say which string sounds, and touched where.

    Such as ``string 4 (D3) touched at 1/5: fret 4, 5 mm towards the nut; or at 2/5: fret 9, 3 mm towards the
    nut``.
    """
    name = f"string {touched.string} ({note})"
    if not touched.touches:
        return f"{name} open"
    first, *others = touched.touches
    others = [other for other in others if other.place.frets <= BODY_FRET]
    text = f"{name} touched at {format_ratio(first.node)}: {place_words(first.place, fretless)}"
    for other in others[:ALTERNATIVES]:
        text += f"; or at {format_ratio(other.node)}: {place_words(other.place, fretless)}"
    return text


@dataclass(frozen=True)
class StepWords:
    """A step of tuning in words."""

    title: str  # ``string 3 (F#3) to string 4 (D3)``
    # What sounds on the string that is turned, and on the one that is tuned already.
    tune: str
    against: str
    listen: str  # where the two meet, and what to hear at the end
    tempered: str  # what would be heard in equal temperament, and what a cent does
    left: str  # what stiffness leaves; empty if it is too little to notice


def step_words(step: TuningStep, plan: TuningPlan) -> StepWords:
    """Say one step of a plan."""
    notes = string_notes(plan)
    fretless = plan.guitar.frets == 0
    meet = note_name(min(max(round(hz_to_key(step.meet_hz)), 0), 127), plan.guitar.tonic)
    sounds = f"both sound {meet}, {step.meet_hz:.2f} Hz"
    if step.beats_hz < STILL_HZ:
        listen = f"{sounds}: come from below and tighten until they stand still"
    else:
        side = "sharper" if step.target_cents > 0 else "flatter"
        listen = (
            f"{sounds}: tune until they stand still, then {side} by {abs(step.target_cents):.1f} cents: "
            f"{beat_words(step.beats_hz)}"
        )
    each = f"each cent off is {step.hz_per_cent:.2f} beats a second"
    if step.beats_hz >= STILL_HZ:
        tempered = each
    elif step.equal_beats_hz < STILL_HZ:
        tempered = f"tuned equal they would be still as well; {each}"
    else:
        tempered = f"tuned equal: {beat_words(step.equal_beats_hz)}; {each}"
    left = ""
    if abs(step.total_stiffness_cents) >= TOLD_CENTS:
        side = "sharp" if step.total_stiffness_cents > 0 else "flat"
        left = f"stiffness leaves string {step.tune.string} about {abs(step.total_stiffness_cents):.1f} cents {side}"
    return StepWords(
        title=f"string {step.tune.string} ({notes[step.tune.string]}) "
        f"to string {step.against.string} ({notes[step.against.string]})",
        tune=touched_words(step.tune, notes[step.tune.string], fretless),
        against=touched_words(step.against, notes[step.against.string], fretless),
        listen=listen,
        tempered=tempered,
        left=left,
    )


def string_notes(plan: TuningPlan) -> Mapping[int, str]:
    """Return the note of every string as it sounds, with the capo, by number."""
    return {change.string: change.note for change in plan.changes}


def turn_words(change: StringChange) -> str:
    """Say which way a string goes: ``down 2 semitones``, ``up 1 semitone``, ``stays``."""
    if change.direction == "stays":
        return "stays"
    semitones = abs(change.semitones)
    if semitones == 0:
        return f"{change.direction} {abs(change.cents):.0f} cents"
    return f"{change.direction} {semitones} semitone{'s' if semitones > 1 else ''}"


def tuner_words(hz: float, note: str, key: int) -> str:
    """Say what a tuner at A4 = 440 Hz shows: ``F#3 -17.6``."""
    return f"{note} {signed(hz_to_cents(hz, key_to_hz(key)))}"
