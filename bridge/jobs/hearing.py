"""What a take tells: its notes, the reference in it, a guitar as it is tuned, and two strings that beat.

Conventions: frequencies in Hz of the first partial as it sounds; strings by their number. A take that gives a
reference or a tuning is played on open strings, without a capo; a take that is listened to may have one. References
and strings are rounded to a millionth of a hertz, so that the same take gives the same tables and files everywhere.

Index
-----
`hear_take`                 notes, named and compared by a table where there is one
`strings_told`              plucks that disagree, strings far off
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
from bridge.jobs.plucks_told import WHICH, apart, cut_off, far_off, no_strings, not_counted, remark
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
#: Notes within this are plucks of one string.
SAME_CENTS = 40.0
_HZ_DIGITS = 6
_SD_DIGITS = 3

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bridge.sound.listening.beating import BeatsHeard
    from bridge.sound.listening.heard import Heard, HeardNote
    from bridge.sound.listening.mono import Mono
    from bridge.sound.listening.plucks import Settled
    from bridge.tuning.guitars import Guitar


def hear_take(samples: NDArray[np.float64] | Mono, sample_rate: float, table: Table | None = None) -> Heard:
    """Find the notes of a take, shape (n,) or (n, channels), and compare them with a table.

    With a guitar they are named by its strings, as they sound with the table's capo. InputProblem where no
    note could be measured, with the reason.
    """
    from bridge.sound.listening.listen import hear

    if table is None:
        heard = hear(samples, sample_rate)
    else:
        strings = [(string.number, string.hz) for string in table.strings]
        heard = hear(samples, sample_rate, strings or None, table.hz, table.tonic)
    return _some(heard)


def strings_told(heard: Heard, table: Table) -> list[str]:
    """What a player should know of the strings of a take: plucks that disagree, strings far off; a sentence each."""
    from bridge.sound.listening.plucks import by_string

    names = {string.number: f"string {string.number} ({string.note})" for string in table.strings}
    settled = by_string(heard.notes)
    told = [apart(names[number], one) for number, one in settled.items() if one.in_question]
    return [*told, *far_off(heard.notes, table)]


def reference_in_take(path: str | Path, spec: TableSpec, named: bool) -> Reference:
    """Find the reference in a take; the spec's own says about where to look.

    With a guitar it is the reference string, else the one string that was plucked; without one, the one note
    that was played. Where a person `named` it, only that note is looked for. InputProblem if the take cannot
    be read or measured, or has not the note.
    """
    return find_reference(path, spec.reference, spec.guitar, named)


def find_reference(path: str | Path, wanted: Reference, guitar: Guitar | None, named: bool) -> Reference:
    """Find a reference in a take, as `reference_in_take` does."""
    from bridge.sound.files.audiofile import read_take

    samples, rate = read_take(path)
    if guitar is None or (named and wanted.key != guitar.reference_key):
        heard = hear_take(samples, rate)
        key, notes = _named_notes(heard.notes, wanted, path) if named else _only_notes(heard.notes, path)
        settled = _settled(note_name(key), notes, path)
        others: list[HeardNote] = []
    else:
        heard = _listened(samples, rate, guitar.hz(wanted.hz))
        first = guitar.reference_string
        numbers = {note.string for note in heard.notes} - {None}
        if first not in numbers and len(numbers) == 1:
            (first,) = (number for number in numbers if number is not None)
        key = guitar.key_of(first)
        name = f"string {first} ({guitar.note_of(first)})"
        notes = [note for note in heard.notes if note.string == first]
        if not notes:
            raise InputProblem(
                f"{path}: {name} is not among the notes heard{_others(heard.notes)}",
                f"pluck it alone; or say about where it sounds: --reference {guitar.note_of(first)}=140",
            )
        settled = _settled(name, notes, path)
        others = [note for note in heard.notes if note.string is None]
    return Reference(key, round(settled.note.hz, _HZ_DIGITS), remark(settled, heard, others))


def sounding_in_take(path: str | Path, spec: TableSpec) -> float:
    """Find what the reference string sounds as it is now, in Hz, with the capo on if there is one.

    The spec's reference and fret say about where to look. InputProblem if the take cannot be read or
    measured, or has not the string; TuningProblem if there is no guitar.
    """
    from bridge.sound.files.audiofile import read_take

    guitar = spec.guitar
    if guitar is None:
        raise TuningProblem("nothing says which string sounds", "name the guitar: --guitar open-d")
    samples, rate = read_take(path)
    table = build_table(spec)
    heard = _listened(samples, rate, {string.number: string.hz for string in table.strings})
    first = guitar.reference_string
    note = next(string.note for string in table.strings if string.number == first)
    plucks = [one for one in heard.notes if one.string == first]
    if not plucks:
        raise InputProblem(
            f"{path}: string {first} ({note}) is not among the notes heard{_others(heard.notes)}",
            "pluck it alone",
        )
    return _settled(f"string {first} ({note})", plucks, path).note.hz


def _others(notes: Sequence[HeardNote]) -> str:
    """What was heard instead."""
    return ", but " + ", ".join(dict.fromkeys(f"{note.note} ({note.hz:.1f} Hz)" for note in notes))


def _named_notes(
    notes: Sequence[HeardNote], wanted: Reference, path: str | Path
) -> tuple[int, list[HeardNote]]:
    nearest = min(notes, key=lambda note: abs(hz_to_cents(note.hz, wanted.hz)))
    name = note_name(wanted.key)
    if abs(hz_to_cents(nearest.hz, wanted.hz)) > NEAR_CENTS:
        raise InputProblem(
            f"{path} holds no {name} near {wanted.hz:.1f} Hz{_others(notes)}",
            f"say about where it sounds: --reference {name}={wanted.hz:.0f}",
        )
    return wanted.key, [note for note in notes if abs(hz_to_cents(note.hz, nearest.hz)) < SAME_CENTS]


def _only_notes(notes: Sequence[HeardNote], path: str | Path) -> tuple[int, list[HeardNote]]:
    if len({note.key for note in notes}) > 1:
        names = ", ".join(dict.fromkeys(note.note for note in notes))
        raise InputProblem(
            f"{path} holds several notes: {names}", "say which is the reference, such as --reference D3"
        )
    return notes[0].key, list(notes)


def _settled(name: str, notes: Sequence[HeardNote], path: str | Path) -> Settled:
    """The pluck of a string that counts; plucks too far apart are a question for the player."""
    from bridge.sound.listening.plucks import settle

    settled = settle(notes)
    if settled.in_question:
        raise InputProblem(f"{path}: {apart(name, settled)}", WHICH)
    return settled


def _listened(samples: Mono, rate: float, expected: Mapping[int, float]) -> Heard:
    """The notes of a take, named by strings that are expected at these frequencies."""
    from bridge.sound.listening.listen import hear

    return _some(hear(samples, rate, sorted(expected.items())))


def _some(heard: Heard) -> Heard:
    if not heard.notes:
        raise InputProblem("; ".join(dict.fromkeys(refusal.reason for refusal in heard.refusals)))
    return heard


def _reference_string_hz(spec: TableSpec) -> float:
    """About what the reference string sounds, whatever note the reference is given on."""
    guitar = spec.guitar
    assert guitar is not None
    if spec.reference.key == guitar.reference_key:
        return spec.reference.hz
    return float(key_to_hz(guitar.reference_key) * spec.reference.hz / key_to_hz(spec.reference.key))


def tuned_in_take(path: str | Path, spec: TableSpec) -> AsTuned:
    """Make a table as the strings of a take are tuned: open ones plucked one by one, in any order; they may ring on.

    The spec's reference says about where they are. InputProblem if the take cannot be read or measured, or
    has no string of the guitar; TuningProblem if there is no guitar, or a string is far from its note.
    """
    guitar = spec.guitar
    if guitar is None:
        raise TuningProblem("a table as tuned needs a guitar", "name one: --guitar open-d")
    from bridge.sound.files.audiofile import read_take
    from bridge.sound.listening.plucks import by_string

    samples, rate = read_take(path)
    heard = _listened(samples, rate, guitar.hz(_reference_string_hz(spec)))
    strings = by_string(heard.notes)
    if not strings:
        raise InputProblem(
            f"{path}: none of the notes heard is near a string of {guitar.title}",
            "is the guitar in this tuning? If it is tuned lower or higher, say about where: --reference",
        )
    questions = [
        apart(f"string {number} ({guitar.note_of(number)})", settled)
        for number, settled in strings.items()
        if settled.in_question
    ]
    if questions:
        raise InputProblem(f"{path}: {'; '.join(questions)}", WHICH)
    tuned = as_tuned(
        spec,
        {number: round(settled.note.hz, _HZ_DIGITS) for number, settled in strings.items()},
        {number: round(settled.sd_cents, _SD_DIGITS) for number, settled in strings.items()},
    )
    for number, off_cents in tuned.fit.deviations_cents.items():
        if abs(off_cents) > ANOTHER_TUNING_CENTS:
            raise TuningProblem(
                f"{path}: string {number} is {abs(off_cents):.0f} cents {'sharp' if off_cents > 0 else 'flat'} of "
                f"{guitar.note_of(number)} in {guitar.title}",
                "is the guitar in this tuning? If so tune that string first, as `stillbeat strings` tells",
            )
    told = [text for settled in strings.values() for text in not_counted(settled)]
    told += [*cut_off(heard), *no_strings([note for note in heard.notes if note.string is None])]
    if not told:
        return tuned
    reference = replace(tuned.spec.reference, remark="; ".join(told))
    return replace(tuned, spec=replace(tuned.spec, reference=reference))


@dataclass(frozen=True)
class Together:
    """Two strings plucked together."""

    names: tuple[str, str]  # what the two are called; the first stays, the second is the one to turn
    beats: BeatsHeard
    # Beats a second that the table itself has, for each pair; None without a table.
    wanted_hz: tuple[float, ...] | None


def hear_together(
    samples: NDArray[np.float64] | Mono, sample_rate: float, two: str, table: Table | None = None
) -> Together:
    """Measure the beats of two strings or notes that sound together, shape (n,) or (n, channels).

    `two` is the one that stays and the one to turn: strings of the table's guitar (``4,3``), or notes
    (``D3,F#3``), which without a table are expected as in equal temperament at A4 = 440 Hz. ValueProblem if
    the two are not named as they should be; InputProblem if no beats could be measured, with the reason.
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
