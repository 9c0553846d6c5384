"""What a player is told of the plucks of a take: which were not counted, which disagree, which string is far off."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from bridge.tuning.ratios import hz_to_cents

if TYPE_CHECKING:
    from bridge.sound.listening.heard import Heard, HeardNote
    from bridge.sound.listening.plucks import Settled
    from bridge.tuning.tables import Table

#: A string so far from where it belongs is nearer to a whole tone off than to a semitone.
FAR_CENTS = 150.0

WHICH = (
    "which holds? If a peg was turned in between, record the string again as it is now; else pluck it evenly, open, "
    "and let it ring"
)


def apart(name: str, settled: Settled) -> str:
    low, high = (pick(settled.clear, key=lambda note: note.hz) for pick in (min, max))
    first, second = sorted((low, high), key=lambda note: note.start_s)
    return (
        f"{name} is heard {settled.spread_cents:.1f} cents apart: {first.hz:.2f} Hz at {first.start_s:.1f} s, "
        f"{second.hz:.2f} Hz at {second.start_s:.1f} s"
    )


def remark(settled: Settled, heard: Heard, others: Sequence[HeardNote]) -> str:
    """What was heard and not counted, as one sentence; empty where there is nothing to say."""
    return "; ".join([*not_counted(settled), *cut_off(heard), *no_strings(others)])


def not_counted(settled: Settled) -> list[str]:
    from bridge.sound.listening.plucks import QUESTION_CENTS

    told = []
    if not settled.clear:
        told.append(f"the pluck at {settled.note.start_s:.1f} s was not clear: let it ring, and listen again")
    for note in settled.passed_over:
        off_cents = hz_to_cents(note.hz, settled.note.hz)
        if note is settled.note or abs(off_cents) <= QUESTION_CENTS:
            continue
        softer = settled.note.level_db - note.level_db
        why = f"{softer:.0f} dB softer" if softer > 6 else "cut by the end" if note.cut else "not clear"
        told.append(f"the sound at {note.start_s:.1f} s ({off_cents:+.1f} cents, {why}) was not counted")
    return told


def cut_off(heard: Heard) -> list[str]:
    """Plucks that came too near to the end to be measured."""
    from bridge.sound.listening import refuse

    return [
        f"the pluck at {refusal.start_s:.1f} s was cut by the end and not counted"
        for refusal in heard.refusals
        if refusal.reason == refuse.TOO_SHORT and refusal.start_s > max(n.start_s for n in heard.notes)
    ]


def no_strings(others: Sequence[HeardNote]) -> list[str]:
    """Notes that are no string: of a keyboard, or of somebody else."""
    if not others:
        return []
    return ["also heard, and no string: " + ", ".join(dict.fromkeys(note.note for note in others))]


def far_off(notes: Sequence[HeardNote], table: Table) -> list[str]:
    """Say which strings of a take sound a tone or more from where the table, which has a guitar, wants them.

    Notes come in order of time. Where they are as many as the strings, and played in their order, each is its
    string, however far off; else each is the nearest string. More different notes than strings are a melody:
    nothing is said.
    """
    strings = {string.number: string for string in table.strings}
    if len({note.key for note in notes}) > len(strings):
        return []
    numbers = _in_order(notes, table) or [_nearest(note, table) for note in notes]
    told: dict[tuple[int, int], str] = {}
    for number, note in zip(numbers, notes, strict=True):
        off_cents = hz_to_cents(note.hz, strings[number].hz)
        if abs(off_cents) < FAR_CENTS:
            continue
        where = "above" if off_cents > 0 else "below"
        told[number, note.key] = (
            f"{note.note} at {note.start_s:.1f} s: if this is string {number}, it sounds {abs(off_cents):.0f} cents "
            f"({_semitones(off_cents)}) {where} {strings[number].note}, where it belongs; "
            f"{'slacken it slowly' if off_cents > 0 else 'tighten it slowly, it may break'}"
        )
    return list(told.values())


def _in_order(notes: Sequence[HeardNote], table: Table) -> list[int]:
    """Numbers of the strings where each was plucked once, from the lowest up or from the highest down; else empty."""
    numbers = [string.number for string in sorted(table.strings, key=lambda string: string.hz)]
    hz = [note.hz for note in notes]
    if len(hz) != len(numbers):
        return []
    if hz == sorted(hz):
        return numbers
    return numbers[::-1] if hz == sorted(hz, reverse=True) else []


def _nearest(note: HeardNote, table: Table) -> int:
    return min(table.strings, key=lambda string: abs(hz_to_cents(note.hz, string.hz))).number


def _semitones(cents: float) -> str:
    count = round(abs(cents) / 100)
    return {1: "a semitone", 2: "a tone", 12: "an octave"}.get(count, f"{count} semitones")
