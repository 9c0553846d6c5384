"""The notes of a drone, as musicians name them: one grammar for every door.

- a degree of the scale above the tonic: ``1``, ``b3``, ``5``, ``b7``, and beyond the octave ``8`` to ``14``, ``b9``;
- a note: ``D3`` where it is written, ``F#`` as the first one from the tonic upward (``b3`` is a degree, ``B3`` a note);
- an interval: ``unison``, ``third``, ``minor third``, ``fifth`` …: that degree and the tonic; ``chord``: 1, 3, 5.

Commas, spaces and ``+`` stand between them. The tonic is the one that sounds, with the capo on; it lies in the lowest
octave of the voice that sings to it (`VOICES`), unless an octave is named. In a piece that is moved for a singer notes
are named as the piece is written, and move with it (`moved_names`), as degrees do with their tonic.

Source: usual ranges of choir voices (*common practice*): bass E2-E4, tenor C3-A4, alto F3-F5, soprano C4-C6.
"""

from __future__ import annotations

import re

from bridge.errors import ValueProblem, near_names
from bridge.tuning.notes import KEYS, degree_meant, note_name, parse_note, parse_pitch_class
from bridge.tuning.scales import DEGREES, parse_degree
from bridge.tuning.transposing import moved_tonic

VOICES = {"bass": 40, "tenor": 48, "alto": 53, "soprano": 60}
"""The lowest key of each voice: E2, C3, F3, C4."""

VOICE = "tenor"
"""Who sings unless somebody says so."""

USUAL = "1,5"
"""What a drone holds unless told otherwise: tonic and fifth."""

_WORDS = {
    "tonic": "1",
    "root": "1",
    "unison": "1",
    "second": "1,2",
    "third": "1,3",
    "fourth": "1,4",
    "fifth": "1,5",
    "sixth": "1,6",
    "seventh": "1,7",
    "octave": "1,8",
    "chord": "1,3,5",
}
_NAMED = re.compile(
    r"\b(?:minor|major|perfect)\s+(?:second|third|fourth|fifth|sixth|seventh)\b", re.IGNORECASE
)
_SPLIT = re.compile(r"[,\s+]+")
_DEGREE = re.compile(r"(?P<sign>[b#♭♯]?)(?P<number>\d{1,2})", re.ASCII)


def drone_keys(text: str, tonic: str, voice: str = VOICE, octave: int | None = None) -> tuple[int, ...]:
    """Return the MIDI keys of notes to hold, ascending, each once, over a tonic as it sounds.

    `voice` is who sings to it, one of `VOICES`; `octave` that in which degree 1 stands, whoever sings.
    ValueProblem if a name makes no sense, nothing is named, or a note lies beyond the 128 keys.
    """
    low = lowest_key(voice) if octave is None else 12 * (octave + 1)
    start = low + (parse_pitch_class(tonic) - low) % 12
    keys = {_key(word, start) for word in _each(text)}
    if not keys:
        raise ValueProblem("a step without notes", "such as: unison, third, 1,b3, or D3,A3")
    for key in keys:
        if not 0 <= key < KEYS:
            raise ValueProblem(f"{text!r} lies beyond the highest note", "choose a lower voice")
    return tuple(sorted(keys))


def lowest_key(voice: str) -> int:
    """Return the lowest key of a voice; ValueProblem if there is no such voice."""
    if voice not in VOICES:
        raise ValueProblem(f"there is no voice {voice!r}", near_names(voice, VOICES))
    return VOICES[voice]


def check_notes(text: str) -> None:
    """Refuse notes that make no sense, whatever the tonic; ValueProblem if a name makes no sense."""
    for word in _each(text):
        _key(word, VOICES[VOICE])


def moved_names(text: str, semitones: int) -> str:
    """Return a drone's notes for a piece that is moved: notes with a name move, degrees go with their tonic anyway.

    ValueProblem if a name makes no sense, or ends beyond the 128 keys.
    """
    words = _each(text)
    return ",".join(_moved(word, semitones) for word in words) if semitones else text


def _moved(word: str, semitones: int) -> str:
    _key(word, VOICES[VOICE])
    if _DEGREE.fullmatch(word):
        return word
    if not word[-1].isdecimal():
        return moved_tonic(word, semitones)
    key = parse_note(word) + semitones
    if not 0 <= key < KEYS:
        raise ValueProblem(f"{word} {semitones:+d} semitones", "no key of MIDI is so far away")
    return note_name(key)


def is_interval(text: str) -> bool:
    """Tell whether a text is one of the words for several notes, such as ``third`` or ``minor third``."""
    return text.strip().lower() in _WORDS or _NAMED.fullmatch(text.strip()) is not None


def _each(text: str) -> list[str]:
    """Split a text into single notes, with words for several notes written out."""
    named = _NAMED.sub(lambda match: f"1,{DEGREES[parse_degree(match[0])]}", text.strip())
    words = filter(None, _SPLIT.split(named))
    return [part for word in words for part in _WORDS.get(word.lower(), word).split(",")]


def _key(word: str, tonic: int) -> int:
    """Return the key of a single note over the tonic's key."""
    match = _DEGREE.fullmatch(word)
    if match is not None:
        octaves, number = divmod(int(match["number"]) - 1, 7)
        if 0 <= octaves <= 1:
            return tonic + 12 * octaves + parse_degree(f"{match['sign']}{number + 1}")
    try:
        if word[-1].isdecimal():
            return parse_note(word)
        return tonic + (parse_pitch_class(word) - tonic) % 12
    except ValueProblem as problem:
        if word[:1].upper() in "ABCDEFGH" and len(word) <= 4:
            raise
        raise ValueProblem(
            f"{word!r} is no note, degree or interval",
            f"{degree_meant(word) or near_names(word.lower(), _WORDS)}; or a degree (1, b3, 5), or a note (D3, F#)",
        ) from problem
