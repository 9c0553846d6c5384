"""How ``table --chords`` prints chords: those that a lesson needs first, all of them, or those that are named."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from bridge.tuning.chords.judged import Chord
    from bridge.tuning.tables import Table

_IN_MAJOR = ("I", "ii", "iii", "IV", "V", "V7", "vi")
_IN_MINOR = ("i", "bIII", "iv", "v", "bVI", "bVII")


def print_chords(table: Table, named: Sequence[str], all_of_them: bool) -> None:
    """Print chords of a table: those named, or every triad and seventh on every degree, or else the usual ones."""
    from bridge.cli.parts.printing import show
    from bridge.tuning.chords.judged import judge_named, judge_table
    from bridge.tuning.chords.kinds import KINDS

    def find(names: Sequence[str]) -> tuple[Chord, ...]:
        return judge_named(table, names)

    if named:
        groups = [("", find(named))]
    elif all_of_them:
        groups = [(f"{kind.name} chords", judge_table(table, kinds=(kind,))) for kind in KINDS]
    else:
        groups = [
            (f"{table.tonic} major", find(_IN_MAJOR)),
            (f"{table.tonic} minor", find(_IN_MINOR)),
        ]
    for title, chords in groups:
        _print_group(title, chords)
        show()
    _print_words([chord for _, chords in groups for chord in chords])
    if not named and not all_of_them:
        show("all triads and sevenths: --chords --all; one of them: --chord ii, --chord A7")
    _print_strings_off(table)


def _print_group(title: str, chords: Sequence[Chord]) -> None:
    from bridge.cli.parts.printing import cents, show_table

    rows = []
    for chord in chords:
        names = dict(zip(chord.keys, (note.rstrip("-0123456789") for note in chord.notes), strict=True))
        sizes = [
            f"{names[one.lower_key]}-{names[one.upper_key]} {cents(one.impurity_cents)}"
            for one in chord.intervals
            if one.impurity_cents is not None
        ]
        rows.append(
            (
                chord.numeral,
                chord.name,
                " ".join(names.values()),
                chord.verdict,
                ":".join(map(str, chord.form)),
                ", ".join(sizes),
                f"{chord.beats_hz:.2f}",
                chord.cure,
            )
        )
    show_table(
        ("", "chord", "notes", "sounds", "stands in", "cents off pure", "beats/s", "cure"),
        rows,
        left=(0, 1, 2, 3, 4, 5, 7),
        title=title,
    )


def _print_words(chords: Sequence[Chord]) -> None:
    """Say what the words and figures mean, as far as they stood there."""
    from bridge.cli.parts.printing import show
    from bridge.tuning.chords.purity import WORDS

    for word in WORDS:
        if any(chord.verdict == word for chord in chords):
            show(f"{word}: {WORDS[word]}")
    show(
        "wide is +, narrow is -; beats are the fastest of a third, fourth, fifth or sixth, close together from C3 up"
    )
    if any(one.impurity_cents is None for chord in chords for one in chord.intervals):
        show(
            "a second, tritone or seventh that is not named is as the scale has it: it has no small ratio, and rubs"
        )
    if any(chord.seventh_stays for chord in chords):
        show(
            "leave 4, which falls to 3: raised by a comma, V7's seventh would be pure with its fifth, and off IV's 4; "
            "do so only where no IV is near"
        )
    cures = [chord.cure for chord in chords if chord.cure]
    if any("=" in cure for cure in cures):
        show("cure: a --degree that makes the chord pure, and what it costs; in a track --at BAR=5=,2=10/9")
    if any(cure.startswith("tonic") for cure in cures):
        show(
            "tonic: no simple degree cures it, a table on its own root does: --tonic, in a track --at BAR=ROOT"
        )


def _print_strings_off(table: Table) -> None:
    from bridge.cli.parts.printing import cents, show
    from bridge.tuning.chords.judged import contradicted_strings

    for string in contradicted_strings(table):
        show(
            f"open string {string.number} ({string.note}) lies {cents(string.cents)} cents from the table: "
            f"{string.beats_hz:.2f} beats a second against it"
        )
