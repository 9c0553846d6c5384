"""Note names, MIDI keys and equal-tempered frequencies.

Conventions
-----------
MIDI keys run from 0 to 127; middle C is C4 = key 60 (many instruments print C3 for it), so the range is C-1
to G9. Pitch classes run from 0 (C) to 11 (B). Names that are written are ASCII: ``F#3``, ``Bb2``; on input
``♯`` and ``♭`` are accepted too, in upper or lower case. Fractional keys count equal-tempered semitones.

Spelling: a black key takes the letter of its degree above the tonic (1 b2 2 b3 3 4 #4 5 b6 6 b7 7), so that
the same key reads F# in D (its 3) and Gb in F (its b2). White keys always keep their plain name: no Cb, E# or
double accidental is written.

Sources
-------
MIDI 1.0 Detailed Specification (key numbers); ISO 16:1975 (A4 = 440 Hz).
"""

from __future__ import annotations

import math
import re
from functools import lru_cache

from bridge.errors import ValueProblem

KEYS = 128
"""Number of MIDI keys."""

A4_KEY = 69
A4_HZ = 440.0

_LETTERS = "CDEFGAB"
_NATURALS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_WHITE = {pitch_class: letter for letter, pitch_class in _NATURALS.items()}
_DEGREE_LETTERS = (0, 1, 1, 2, 2, 3, 3, 4, 5, 5, 6, 6)
"""Letters above the tonic's for each of the twelve degrees, 1 b2 2 b3 3 4 #4 5 b6 6 b7 7."""

_CLASS = re.compile(r"([A-Ga-g])([#♯b♭]{0,2})")
_SPAN = re.compile(r"\s*([A-Ha-h][#♯b♭]*-?\d+)\s*-\s*([A-Ha-h][#♯b♭]*-?\d+)\s*")
_NOTE = re.compile(r"([A-Ga-g])([#♯b♭]{0,2})(-?\d{1,3})", re.ASCII)
_GERMAN = re.compile(r"([A-Ha-h])(is|es|s)(-?\d*)", re.IGNORECASE)
_H_HINT = "German H is B, German B is Bb"
_CLASS_HINT = "a letter A to G with # or b, like D, F# or Bb"
_NOTE_HINT = "a letter A to G, # or b, and the octave, like D3 or F#3; C4 is middle C; C-1 to G9"


_SAID = re.compile(r"([A-Ga-g])[\s-]*(sharp|flat|natural)\s*(-?\d{0,3})", re.IGNORECASE)
_MINOR_OR_MAJOR = re.compile(r"([A-G][#b]?)\s*(m|min|minor|maj|major|moll|dur)", re.ASCII)
_SYLLABLES = {"do": 1, "re": 2, "ré": 2, "mi": 3, "fa": 4, "sol": 5, "so": 5, "la": 6, "si": 7, "ti": 7}
_NUMERALS = {"i": 1, "ii": 2, "iii": 3, "iv": 4, "v": 5, "vi": 6, "vii": 7}


def plain_signs(text: str) -> str:
    """Return a text with the minus and dashes of typesetting as ``-``, sharps and flats as ``#`` and ``b``."""
    for written, plain in (("\N{MINUS SIGN}", "-"), ("\N{EN DASH}", "-"), ("♯", "#"), ("♭", "b")):
        text = text.replace(written, plain)
    return text.strip()


def _said(text: str) -> str:
    """Return the name of a note as it is written: ``F sharp 3`` is ``F#3``."""
    body = plain_signs(text)
    match = _SAID.fullmatch(body)
    if match is None:
        return body
    return match[1].upper() + {"sharp": "#", "flat": "b", "natural": ""}[match[2].lower()] + match[3]


def degree_meant(text: str) -> str:
    """Say what to write for a syllable or a numeral that may mean a degree: ``re``, ``ii``; empty for other words."""
    word = text.strip().lower()
    if word in _SYLLABLES:
        number = _SYLLABLES[word]
        note = "CDEFGAB"[number - 1]
        return f"the note {note}, or the degree {number} above the tonic? write {note}, or {number} for the degree"
    if word in _NUMERALS:
        return f"{text.strip()} is the chord on the degree {_NUMERALS[word]}: write {_NUMERALS[word]} for the degree"
    return ""


@lru_cache(maxsize=256)  # a table asks for its tonic with every key
def parse_pitch_class(text: str) -> int:
    """Read a note without octave, such as ``D``, ``F#`` or ``B♭``, as its pitch class, 0 (C) to 11 (B).

    ValueProblem if the text is no note name; the German ``H`` is explained.
    """
    body = _said(text)
    match = _CLASS.fullmatch(body)
    if match is None:
        if _NOTE.fullmatch(body):
            raise ValueProblem(f"{body!r} has an octave, a note without octave is wanted", _CLASS_HINT)
        raise ValueProblem(f"{body!r} is not a note", _name_hint(body, _CLASS_HINT))
    return (_NATURALS[match[1].upper()] + _accidental(match[2], body)) % 12


def parse_tonic(text: str) -> str:
    """Read the name of a tonic and return it in ASCII: ``"b♭"`` is ``"Bb"``.

    ValueProblem if the text is no note name.
    """
    parse_pitch_class(text)
    name = _said(text)
    return name[0].upper() + name[1:]


def parse_note(text: str) -> int:
    """Read a note with octave, such as ``D3``, ``F#3`` or ``Bb-1``, as a MIDI key, 0 (C-1) to 127 (G9); C4 = 60.

    ValueProblem if the text is no note with octave, or the note lies outside the 128 MIDI keys.
    """
    body = _said(text)
    match = _NOTE.fullmatch(body)
    if match is None:
        if _CLASS.fullmatch(body):
            raise ValueProblem(f"note {body!r} lacks its octave", _NOTE_HINT)
        raise ValueProblem(f"{body!r} is not a note", _name_hint(body, _NOTE_HINT))
    key = _NATURALS[match[1].upper()] + _accidental(match[2], body) + 12 * (int(match[3]) + 1)
    if not 0 <= key <= 127:
        raise ValueProblem(f"note {body!r} is out of range", "notes run from C-1 to G9; C4 is middle C")
    return key


def parse_key_span(text: str, what: str, such_as: str) -> tuple[int, int]:
    """Read ``C1-B1`` as two MIDI keys, the lowest and the highest.

    Parameters
    ----------
    what, such_as : str
        What such keys are, and an example, for messages.

    Raises
    ------
    ValueProblem
        It is not that.
    """
    match = _SPAN.fullmatch(text)
    if match is None:
        raise ValueProblem(f"{text!r} are no {what}", f"write the lowest and highest key, such as {such_as}")
    low, high = parse_note(match[1]), parse_note(match[2])
    if low > high:
        raise ValueProblem(f"the {what} {text!r} run downward", f"did you mean {match[2]}-{match[1]}?")
    return low, high


def _accidental(signs: str, body: str) -> int:
    """Return the semitones of one or two sharps or flats; a mixture is refused."""
    plain = signs.replace("♯", "#").replace("♭", "b")
    if plain in ("#b", "b#"):
        raise ValueProblem(f"{body!r} is sharp and flat at once", _CLASS_HINT)
    return plain.count("#") - plain.count("b")


def _name_hint(body: str, otherwise: str) -> str:
    """Explain German names; anything else gets the ordinary hint."""
    if meant := degree_meant(body):
        return meant
    if match := _MINOR_OR_MAJOR.fullmatch(body):
        return f"a note alone: {match[1]}; the scale serves major and minor, and the chord is {match[1]}m"
    if body[:1] in ("H", "h") and not _GERMAN.fullmatch(body):
        return _H_HINT
    german = _GERMAN.fullmatch(body)
    if german is not None:
        letter = "B" if german[1].upper() == "H" else german[1].upper()
        sign = "#" if german[2].lower() == "is" else "b"
        return f"did you mean {letter}{sign}{german[3]}?"
    return otherwise


def pitch_class_name(pitch_class: int, tonic: str = "C") -> str:
    """Name a pitch class (modulo 12) in ASCII the way it is spelled above a tonic: ``"F#"``, ``"Bb"``.

    White keys have their plain names always. The tonic is spelled as given: ``F#`` and ``Gb`` differ.
    """
    wanted = pitch_class % 12
    if wanted in _WHITE:
        return _WHITE[wanted]
    degree = (wanted - parse_pitch_class(tonic)) % 12
    first = _LETTERS.index(tonic.strip()[0].upper())
    letter = _LETTERS[(first + _DEGREE_LETTERS[degree]) % 7]
    sharp = (wanted - _NATURALS[letter]) % 12 <= 6
    return f"{_WHITE[wanted - 1]}#" if sharp else f"{_WHITE[wanted + 1]}b"


def note_name(key: int, tonic: str = "C") -> str:
    """Name a MIDI key with its octave, spelled by the tonic: ``"F#3"``, ``"Bb2"``, ``"C4"`` for middle C.

    ValueProblem if the key is not 0–127.
    """
    if not 0 <= key <= 127:
        raise ValueProblem(f"key {key} is out of range", "MIDI keys run from 0 (C-1) to 127 (G9)")
    return f"{pitch_class_name(key, tonic)}{key // 12 - 1}"


def key_to_hz(key: float, a4_hz: float = A4_HZ) -> float:
    """Return the equal-tempered frequency of a key, which may be fractional or beyond 0–127; 69 is A4."""
    return float(a4_hz * 2.0 ** ((key - A4_KEY) / 12.0))


def hz_to_key(hz: float, a4_hz: float = A4_HZ) -> float:
    """Return the fractional MIDI key of a frequency in equal temperament: inverse of `key_to_hz`.

    ValueProblem if a frequency is zero, negative or not finite.
    """
    if not (0 < hz < math.inf and 0 < a4_hz < math.inf):
        raise ValueProblem(f"frequency {hz:g} Hz", "frequencies are greater than zero")
    return A4_KEY + 12.0 * math.log2(hz / a4_hz)
