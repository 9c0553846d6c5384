"""The reference: one note with its frequency, from which everything else is measured.

Conventions
-----------
A reference is allowed within 600 cents of the note's equal-tempered frequency at A4 = 440 Hz. Beyond 100 cents
`Reference.doubt` asks whether another octave or note is meant: many instruments print C3 for middle C, which
is C4 here. A tuner's reading is in cents from equal temperament at its calibration, 440 Hz unless stated.

Sources
-------
ISO 16:1975 (A4 = 440 Hz). The range of calibrations, 380 to 500 Hz, covers historical pitches and every
calibration that tuners offer (common practice).
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from bridge.errors import ValueProblem
from bridge.tuning.notes import (
    A4_HZ,
    KEYS,
    hz_to_key,
    key_to_hz,
    note_name,
    parse_note,
    parse_pitch_class,
    plain_signs,
)
from bridge.tuning.ratios import cents_to_ratio, hz_to_cents

if TYPE_CHECKING:
    from bridge.tuning.guitars import Guitar

MAX_CENTS = 600.0
"""How far a reference may lie from equal temperament."""

DOUBT_CENTS = 100.0
"""Beyond this distance from equal temperament, the note or octave is doubted."""

MIN_A4_HZ, MAX_A4_HZ = 380.0, 500.0
"""Calibrations of a tuner that are accepted."""

MIDDLE_C = 60
_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)"
_HZ = re.compile(rf"({_NUMBER})\s*(?:hz)?", re.IGNORECASE | re.ASCII)
_WITHOUT_EQUALS = re.compile(r"([A-Ga-g][#b♯♭]?\d)[\s:]+(\d+(?:\.\d*)?)\s*(?:hz)?", re.IGNORECASE | re.ASCII)
_READING = re.compile(
    r"(?P<note>[A-Za-z#♯♭]+(?:-?\d+)?)\s*(?:(?P<cents>[+-]\s*[\d.,]+)\s*(?P<unit>c|ct|cents?|¢)?)?\s*(?:@(?P<a4>.*))?",
    re.IGNORECASE | re.ASCII,
)
_HINT = "write a note with its frequency in Hz like D3=146.5, or a tuner's reading in cents like D3-7c or D3-7c@442"


@dataclass(frozen=True)
class Reference:
    """One note with its frequency."""

    key: int  # MIDI key 0–127
    hz: float  # its frequency in Hz, within 600 cents of equal temperament at A4 = 440 Hz
    # What is to be said of how it was heard; empty where it was given.
    remark: str = field(default="", compare=False)

    def __post_init__(self) -> None:
        name = note_name(self.key)
        if not 0 < self.hz < math.inf:
            raise ValueProblem(f"reference {name} = {self.hz:g} Hz", "a frequency is greater than zero")
        if abs(self.cents_from_equal) > MAX_CENTS:
            low, high = (key_to_hz(self.key + semitones) for semitones in (-6, 6))
            raise ValueProblem(
                f"reference {name} = {self.hz:g} Hz is out of range, {low:.1f} to {high:.1f} Hz",
                _mistake(self.key, self.hz),
            )

    @property
    def cents_from_equal(self) -> float:
        """Distance in cents from equal temperament at A4 = 440 Hz."""
        return hz_to_cents(self.hz, key_to_hz(self.key))

    @property
    def doubt(self) -> str:
        """What is to be said of how it was heard, and the question to ask when it lies far from the note; or empty."""
        off_cents = self.cents_from_equal
        if abs(off_cents) <= DOUBT_CENTS:
            return self.remark
        name = note_name(self.key)
        where = "above" if off_cents > 0 else "below"
        question = (
            f"{name} = {self.hz:g} Hz lies {abs(off_cents):.0f} cents {where} the usual {name} "
            f"({key_to_hz(self.key):.2f} Hz), near {note_name(_nearest_key(self.hz))}: "
            "is another note or octave meant? C4 is middle C here"
        )
        return f"{self.remark}; {question}" if self.remark else question

    def text(self, tonic: str = "C") -> str:
        """Return ``"D3 = 146.5 Hz"``, spelled by a tonic; the frequency to four decimals at most."""
        digits = f"{self.hz:.4f}".rstrip("0").rstrip(".")
        return f"{note_name(self.key, tonic)} = {digits} Hz"

    def __str__(self) -> str:
        return self.text()


def _nearest_key(hz: float) -> int:
    """Return the MIDI key nearest to a frequency, kept within 0–127."""
    return min(max(round(hz_to_key(hz)), 0), 127)


def _mistake(key: int, hz: float) -> str:
    """Guess what went wrong with a frequency more than 600 cents from its note."""
    usual_hz = key_to_hz(key)
    for shift in (1000.0, 100.0, 10.0, 0.1, 0.01, 0.001):
        slipped = hz / shift
        if abs(hz_to_cents(slipped, usual_hz)) <= DOUBT_CENTS:
            return f"Hz; did you mean {slipped:.6g}?"
    exact_key = hz_to_key(hz)
    if not -0.5 <= exact_key <= 127.5:
        return f"Hz; the usual {note_name(key)} is {usual_hz:.2f}"
    near = _nearest_key(hz)
    if near % 12 == key % 12:
        return f"did you mean {note_name(near)}={hz:g}? C4 is middle C here, some instruments print C3 for it"
    return f"{hz:g} Hz is near {note_name(near)}; the usual {note_name(key)} is {usual_hz:.2f} Hz"


def parse_reference(text: str) -> Reference:
    """Read a reference: ``D3=146.5``, ``A4=438``, ``D3-7c``, ``D3-7c@442``, ``D3@442`` or ``D3``.

    That is a note and its frequency in Hz; or a note and a tuner's reading in cents, with the tuner's
    calibration behind ``@`` unless it is 440 Hz. ValueProblem if a part is malformed, the calibration is not
    380 to 500 Hz, or the note ends more than 600 cents from equal temperament.
    """
    body = plain_signs(text)
    note, equals, value = body.partition("=")
    if equals:
        _ask_octave(note.strip(), value.strip())
        return Reference(parse_note(note), parse_hz(value.strip(), note.strip()))
    if hz := _HZ.fullmatch(body):
        near = round(hz_to_key(float(hz[1]))) if float(hz[1]) > 0 else -1
        meant = f"did you mean {note_name(near)}={hz[1]}? " if 0 <= near < KEYS else ""
        raise ValueProblem(f"reference {body!r} names no note", meant + _HINT)
    if said := _WITHOUT_EQUALS.fullmatch(body):
        raise ValueProblem(f"{body!r} is not a reference", f"did you mean {said[1]}={said[2]}?")
    if re.search(r"\d,\d", body):
        raise ValueProblem(f"{body!r} is not a reference", f"write it with a point: {body.replace(',', '.')}")
    match = _READING.fullmatch(body)
    if match is None:
        raise ValueProblem(f"{body!r} is not a reference", _HINT)
    key = parse_note(match["note"])
    cents = 0.0
    if match["cents"] is not None:
        digits = match["cents"].replace(" ", "")
        if not re.fullmatch(_NUMBER, digits):
            raise ValueProblem(f"{digits!r} in reference {body!r} is not a number of cents", _HINT)
        if match["unit"] is None:
            raise ValueProblem(f"reference {body!r} lacks its unit", f"for cents write {body.split('@')[0]}c")
        cents = float(digits)
        if abs(cents) > MAX_CENTS:
            raise ValueProblem(f"{cents:g} cents in reference {body!r}", "allowed are -600 to 600 cents")
    a4_hz = A4_HZ if match["a4"] is None else _parse_calibration(match["a4"].strip(), body)
    return Reference(key, key_to_hz(key, a4_hz) * cents_to_ratio(cents))


def _ask_octave(note: str, value: str) -> None:
    """Ask which octave is meant by a note without one: ``A=432`` is near A4."""
    try:
        pitch_class = parse_pitch_class(note)
    except ValueProblem:
        return
    match = _HZ.fullmatch(value)
    if match is None:
        return
    hz = float(match[1])
    key = nearest_key_of_class(pitch_class, _nearest_key(hz)) if hz > 0 else MIDDLE_C
    raise ValueProblem(
        f"{note}={value} does not say which {note}",
        f"did you mean {note_name(min(max(key, 0), 127))}={value}?",
    )


def parse_hz(value: str, note: str) -> float:
    """Read a frequency, such as stands behind the equals sign of a note.

    ValueProblem if it is none; says how `note` is written with a frequency, or with a tuner's reading.
    """
    match = _HZ.fullmatch(value)
    if match is not None:
        return float(match[1])
    if re.fullmatch(r"\d+,\d+", value):
        raise ValueProblem(
            f"{value!r} is not a frequency", f"write it with a point: {note}={value.replace(',', '.')}"
        )
    if "@" in value:
        raise ValueProblem(
            f"{value!r} is not a frequency", "a calibration belongs to a reading in cents: D3-7c@442"
        )
    if re.fullmatch(rf"{_NUMBER}\s*(c|ct|cents?|¢)", value, re.IGNORECASE):
        sign = "" if value[0] in "+-" else "+"
        raise ValueProblem(
            f"{value!r} is not a frequency", f"for a tuner's reading write {note}{sign}{value}"
        )
    raise ValueProblem(f"{value!r} is not a frequency", _HINT)


def _parse_calibration(value: str, whole: str) -> float:
    """Read the tuner's A4 behind ``@``."""
    match = _HZ.fullmatch(value)
    if match is None or not MIN_A4_HZ <= float(match[1]) <= MAX_A4_HZ:
        raise ValueProblem(
            f"calibration {value!r} in reference {whole!r}",
            f"the tuner's A4 lies between {MIN_A4_HZ:g} and {MAX_A4_HZ:g} Hz, like D3-7c@442",
        )
    return float(match[1])


def default_reference(tonic: str, guitar: Guitar | None = None) -> Reference:
    """Return the reference to use when none is given: equal temperament at A4 = 440 Hz.

    It is the guitar's reference string, else the home tonic's note nearest middle C (of two equally near, the
    lower).
    """
    if guitar is not None:
        key = guitar.key_of(guitar.reference_string)
    else:
        key = nearest_key_of_class(parse_pitch_class(tonic), MIDDLE_C)
    return Reference(key, key_to_hz(key))


def nearest_key_of_class(pitch_class: int, key: int) -> int:
    """Return the key of a pitch class nearest to `key`; of two equally near, the lower."""
    above = key + (pitch_class - key) % 12
    return above - 12 if above - key >= 6 else above
