"""Which string the tables follow while something plays: ``D3`` or ``4``, of the guitar that was named."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.errors import StillbeatError, ValueProblem
from bridge.live.desk.string_following import StringFollowing, StringsOfPiece
from bridge.tuning.notes import parse_note
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table


def strings_of(spec: TableSpec, follows_reference: bool = True) -> StringsOfPiece:
    """Return what the open strings sound in a table; none where it has no guitar."""
    strings = build_table(spec).strings if spec.guitar is not None else ()
    return StringsOfPiece({string.number: string.hz for string in strings}, follows_reference)


def strings_to_follow(
    word: str, spec: TableSpec, device: str | None = None, pieces: Sequence[StringsOfPiece] = ()
) -> StringFollowing:
    """Return what follows an open string, named by its note as it sounds or by its number, and those beside it.

    ValueProblem where there is no guitar, it has no such string, or only one. `device` is part of the microphone's
    name; `pieces` are the strings of every table of an evening.
    """
    if spec.guitar is None:
        raise ValueProblem(f"--follow-string {word}: no guitar is named", "name it: --guitar open-d")
    strings = build_table(spec).strings
    if len(strings) < 2:
        raise ValueProblem(
            "this instrument has one string", "two that move likewise are followed, never one alone"
        )
    text = word.strip()
    found = [string for string in strings if text == str(string.number)]
    if not found and not text.isdecimal():
        try:
            key = parse_note(text)
        except StillbeatError as problem:
            raise ValueProblem(f"--follow-string: {problem.message}", problem.hint) from problem
        found = [string for string in strings if string.key == key]
    if not found:
        names = ", ".join(f"{string.number} ({string.note})" for string in strings)
        raise ValueProblem(f"--follow-string {text}: there is no such open string", f"there are: {names}")
    return StringFollowing(found[0].number, strings_of(spec).hz, device, pieces)
