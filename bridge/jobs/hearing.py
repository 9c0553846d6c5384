"""What a take tells: its notes, the reference in it, a guitar as it is tuned, and two strings that beat.

Conventions: frequencies in Hz of the first partial as it sounds; strings by their number. A take that gives a
reference or a tuning is played on open strings, without a capo; a take that is listened to may have one. References
and strings are rounded to a millionth of a hertz, so that the same take gives the same tables and files everywhere.

Index
-----
`hear_take`                 notes, named and compared by a table where there is one
`reference_in_take`         one note's frequency
`sounding_in_take`          what the reference string sounds, with the capo on
`tuned_in_take`             a table as the strings of a take are tuned
`Together`, `hear_together` beats of two strings plucked at once
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.errors import InputProblem, TuningProblem, ValueProblem
from bridge.tuning.as_tuned import AsTuned, as_tuned
from bridge.tuning.notes import key_to_hz, note_name, parse_note
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table

#: Without a better hint, a named note is looked for within so many cents.
NEAR_CENTS = 100.0
#: A string further than this from where the others say it belongs is in another tuning.
ANOTHER_TUNING_CENTS = 60.0
#: Plucks of one open string differ by less than this.
SAME_CENTS = 40.0
_HZ_DIGITS = 6
_SD_DIGITS = 3

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bridge.sound.listening.beating import BeatsHeard
    from bridge.sound.listening.heard import Heard, HeardNote
    from bridge.tuning.guitars import Guitar


def hear_take(samples: NDArray[np.float64], sample_rate: float, table: Table | None = None) -> Heard:
    """Find the notes of a take.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels)
    sample_rate : float
    table : Table, optional
        What notes are compared with; with a guitar also the strings that they are named by, as they sound with the
        table's capo.

    Raises
    ------
    InputProblem
        Where no note could be measured, with the reason.
    """
    from bridge.sound.listening.listen import hear

    if table is None:
        heard = hear(samples, sample_rate)
    else:
        strings = [(string.number, string.hz) for string in table.strings]
        heard = hear(samples, sample_rate, strings or None, table.hz, table.tonic)
    if not heard.notes:
        raise InputProblem("; ".join(dict.fromkeys(refusal.reason for refusal in heard.refusals)))
    return heard


def reference_in_take(path: str | Path, spec: TableSpec, named: bool) -> Reference:
    """Find the reference in a take.

    With a guitar it is the reference string, else the one string that was plucked; without one, the one note that
    was played.

    Parameters
    ----------
    path : str or Path
    spec : TableSpec
        Its reference says about where to look.
    named : bool
        Whether a person named that reference: then only that note is looked for.

    Raises
    ------
    InputProblem
        The take cannot be read or measured, or has not the note.
    """
    return find_reference(path, spec.reference, spec.guitar, named)


def find_reference(path: str | Path, wanted: Reference, guitar: Guitar | None, named: bool) -> Reference:
    """Find a reference in a take, as `reference_in_take` does."""
    from bridge.sound.files.audiofile import read_audio

    samples, rate = read_audio(path)
    if guitar is None or (named and wanted.key != guitar.reference_key):
        notes = hear_take(samples, rate).notes
        return _named_note(notes, wanted, path) if named else _only_note(notes, path)
    hz, _ = _by_string(samples, rate, guitar.hz(wanted.hz), path)
    first = guitar.reference_string
    if first not in hz and len(hz) == 1:
        (first,) = hz
    if first not in hz:
        raise InputProblem(
            f"{path}: string {first} ({guitar.note_of(first)}) is not among the notes heard",
            f"pluck it alone; or say about where it sounds: --reference {guitar.note_of(first)}=140",
        )
    return Reference(guitar.key_of(first), round(hz[first], _HZ_DIGITS))


def sounding_in_take(path: str | Path, spec: TableSpec) -> float:
    """Find what the reference string sounds as it is now, in Hz, with the capo on if there is one.

    Parameters
    ----------
    path : str or Path
    spec : TableSpec
        With a guitar; its reference and fret say about where to look.

    Raises
    ------
    InputProblem
        The take cannot be read or measured, or has not the string.
    TuningProblem
        There is no guitar.
    """
    from bridge.sound.files.audiofile import read_audio

    guitar = spec.guitar
    if guitar is None:
        raise TuningProblem("nothing says which string sounds", "name the guitar: --guitar open-d")
    samples, rate = read_audio(path)
    table = build_table(spec)
    hz, _ = _by_string(samples, rate, {string.number: string.hz for string in table.strings}, path)
    first = guitar.reference_string
    if first not in hz:
        note = next(string.note for string in table.strings if string.number == first)
        raise InputProblem(f"{path}: string {first} ({note}) is not among the notes heard", "pluck it alone")
    return hz[first]


def _named_note(notes: Sequence[HeardNote], wanted: Reference, path: str | Path) -> Reference:
    nearest = min(notes, key=lambda note: abs(hz_to_cents(note.hz, wanted.hz)))
    name = note_name(wanted.key)
    if abs(hz_to_cents(nearest.hz, wanted.hz)) > NEAR_CENTS:
        heard = ", ".join(dict.fromkeys(f"{note.note} ({note.hz:.1f} Hz)" for note in notes))
        raise InputProblem(
            f"{path} holds no {name} near {wanted.hz:.1f} Hz, but {heard}",
            f"say about where it sounds: --reference {name}={wanted.hz:.0f}",
        )
    same = [note for note in notes if abs(hz_to_cents(note.hz, nearest.hz)) < SAME_CENTS]
    return Reference(wanted.key, round(_mean_hz(same), _HZ_DIGITS))


def _only_note(notes: Sequence[HeardNote], path: str | Path) -> Reference:
    if len({note.key for note in notes}) > 1:
        names = ", ".join(dict.fromkeys(note.note for note in notes))
        raise InputProblem(
            f"{path} holds several notes: {names}", "say which is the reference, such as --reference D3"
        )
    return Reference(notes[0].key, round(_mean_hz(notes), _HZ_DIGITS))


def _mean_hz(notes: Sequence[HeardNote]) -> float:
    from bridge.sound.listening.heard import by_string

    return by_string([replace(note, string=1) for note in notes])[0][1]


def _by_string(
    samples: NDArray[np.float64], rate: float, expected: Mapping[int, float], path: str | Path
) -> tuple[dict[int, float], dict[int, float]]:
    """Frequencies of the strings of a take, and their standard deviations in cents."""
    from bridge.sound.listening.heard import by_string
    from bridge.sound.listening.listen import listen

    notes = listen(samples, rate, sorted(expected.items()))
    for number in {note.string for note in notes} - {None}:
        plucks = [note.hz for note in notes if note.string == number]
        if hz_to_cents(max(plucks), min(plucks)) > SAME_CENTS:
            raise InputProblem(
                f"{path}: string {number} is heard at {min(plucks):.1f} and at {max(plucks):.1f} Hz",
                "play open strings only, and record again if you turned a peg",
            )
    return by_string(notes)


def _reference_string_hz(spec: TableSpec) -> float:
    """About what the reference string sounds, whatever note the reference is given on."""
    guitar = spec.guitar
    assert guitar is not None
    if spec.reference.key == guitar.reference_key:
        return spec.reference.hz
    return float(key_to_hz(guitar.reference_key) * spec.reference.hz / key_to_hz(spec.reference.key))


def tuned_in_take(path: str | Path, spec: TableSpec) -> AsTuned:
    """Make a table as the strings of a take are tuned.

    Parameters
    ----------
    path : str or Path
        Open strings plucked one by one, in any order; they may ring on.
    spec : TableSpec
        With a guitar; its reference says about where the strings are.

    Raises
    ------
    InputProblem
        The take cannot be read or measured, or has no string of the guitar.
    TuningProblem
        There is no guitar, or a string is far from its note.
    """
    guitar = spec.guitar
    if guitar is None:
        raise TuningProblem("a table as tuned needs a guitar", "name one: --guitar open-d")
    from bridge.sound.files.audiofile import read_audio

    samples, rate = read_audio(path)
    hz, sd_cents = _by_string(samples, rate, guitar.hz(_reference_string_hz(spec)), path)
    if not hz:
        raise InputProblem(
            f"{path}: none of the notes heard is near a string of {guitar.title}",
            "is the guitar in this tuning? If it is tuned lower or higher, say about where: --reference",
        )
    tuned = as_tuned(
        spec,
        {number: round(one, _HZ_DIGITS) for number, one in hz.items()},
        {number: round(cents, _SD_DIGITS) for number, cents in sd_cents.items()},
    )
    for number, off_cents in tuned.fit.deviations_cents.items():
        if abs(off_cents) > ANOTHER_TUNING_CENTS:
            raise TuningProblem(
                f"{path}: string {number} is {abs(off_cents):.0f} cents {'sharp' if off_cents > 0 else 'flat'} of "
                f"{guitar.note_of(number)} in {guitar.title}",
                "is the guitar in this tuning? If so tune that string first, as `stillbeat strings` tells",
            )
    return tuned


@dataclass(frozen=True)
class Together:
    """Two strings plucked together.

    Attributes
    ----------
    names : (str, str)
        What the two are called; the first stays, the second is the one to turn.
    beats : BeatsHeard
    wanted_hz : tuple of float or None
        Beats a second that the table itself has, for each pair; None without a table.
    """

    names: tuple[str, str]
    beats: BeatsHeard
    wanted_hz: tuple[float, ...] | None


def hear_together(
    samples: NDArray[np.float64], sample_rate: float, two: str, table: Table | None = None
) -> Together:
    """Measure the beats of two strings or notes that sound together.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels)
    sample_rate : float
    two : str
        The one that stays and the one to turn: strings of the table's guitar (``4,3``), or notes (``D3,F#3``).
    table : Table, optional
        Pitches to expect; notes without a table are expected as in equal temperament at A4 = 440 Hz.

    Raises
    ------
    ValueProblem
        The two are not named as they should be.
    InputProblem
        No beats could be measured, with the reason.
    """
    from bridge.sound.listening.beating import hear_beats

    parts = [part.strip() for part in two.split(",")]
    if len(parts) != 2 or not all(parts):
        raise ValueProblem(f"together {two!r}", "name two: the string that stays, then the one to turn: 4,3")
    (first, first_hz), (second, second_hz) = (_expected(part, table) for part in parts)
    if first == second:
        raise ValueProblem(f"together {two!r}", "name two different strings")
    beats = hear_beats(samples, sample_rate, first_hz, second_hz)
    wanted = None
    if table is not None:
        wanted = tuple(abs(pair.first * first_hz - pair.second * second_hz) for pair in beats.pairs)
    return Together((first, second), beats, wanted)


def _expected(part: str, table: Table | None) -> tuple[str, float]:
    """Name and expected frequency of a string or note."""
    if part.isascii() and part.isdecimal():
        if table is None or not table.strings:
            raise ValueProblem(
                f"string {part} of which guitar?", "name it: --guitar open-d; or name two notes: D3,F#3"
            )
        strings = {string.number: string for string in table.strings}
        string = strings.get(int(part))
        if string is None:
            raise ValueProblem(
                f"string {part}", f"strings of this guitar are {', '.join(map(str, sorted(strings)))}"
            )
        return f"string {string.number} ({string.note})", string.hz
    key = parse_note(part)
    if table is None:
        return note_name(key), float(key_to_hz(key))
    return table.note(key), float(table.hz[key])
