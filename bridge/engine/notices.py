"""What a player should be told about a file that is retuned by bends."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from bridge.engine.beat_hiders import GM_PROGRAMS, PLAINER, hides_beats
from bridge.engine.offsets import WIDE_RANGE_SEMITONES
from bridge.engine.report import BendReport, spans
from bridge.engine.score import Score, SourceFacts
from bridge.wire.profile import SynthProfile


def hiding_notices(facts: Sequence[SourceFacts]) -> list[str]:
    """Return a warning for every sound of the file that hides beats, and advice after them."""
    found: dict[int, list[int]] = {}
    for number, fact in enumerate(facts, 1):
        for program in fact.programs:
            if hides_beats(program):
                found.setdefault(program, []).append(number)
    if not found:
        return []
    told = [
        f"{_channels(numbers)}: {GM_PROGRAMS[program]} hides beats, for {hides_beats(program)}"
        for program, numbers in sorted(found.items())
    ]
    return [*told, f"to hear the tuning: {PLAINER}; --plain switches modulation and chorus off"]


def bend_notices(
    score: Score, report: BendReport, used: Mapping[int, Collection[int]], profile: SynthProfile | None
) -> list[str]:
    """Return what else a player should know, in order of weight; `used` has the output's channels by source channel."""
    told: list[str] = []
    facts = score.facts
    if report.clipped:
        told.append(
            f"{_notes(report.clipped)} bent by the file farther than the bend range reaches: there the bend is cut "
            "short, the tuning is not"
        )
    wide = [n for n, width in report.ranges_semitones.items() if width > WIDE_RANGE_SEMITONES]
    mpe_fixed = profile.mpe_range_fixed_semitones if profile is not None and report.method == "mpe" else None
    if mpe_fixed is not None:
        half = mpe_fixed * 50.0 / 8192.0
        told.append(
            f"the bend range is fixed at {mpe_fixed} semitones: pitches are within half a step, {half:.2f} cents, and "
            "pure intervals may beat slowly"
        )
    elif wide:
        told.append(
            f"{_channels(wide)} need a bend range above {WIDE_RANGE_SEMITONES} semitones, which not every synth obeys"
        )
    coarse = [number for number, fact in enumerate(facts, 1) if fact.notes and fact.transposed]
    if coarse:
        told.append(
            f"{_channels(coarse)}: transposed by coarse tuning; notes are tuned by the key that is struck, not by the "
            "one that sounds"
        )
    if any(fact.zoned for fact in facts):
        told.append(
            "the file is made for MPE: its zones are taken apart, so what it sends to a manager channel does not reach "
            "the notes of the other channels"
        )
    if score.tuned:
        told.append(
            "the file carries tuning messages of its own; a synth that obeys them adds them to the bends"
        )
    spread = [
        number for number, outs in used.items() if set(outs) - {number} and facts[number - 1].part_setup
    ]
    if spread and report.method == "bend":
        told.append(
            f"{_channels(sorted(spread))}: the file shapes the sound by SysEx, which stays on the channel it names; "
            "notes moved to other channels sound without it"
        )
    if report.method == "bend" and 10 in report.channels:
        told.append("channel 10 plays pitched notes because you allowed it; most synths play drums there")
    return told + hiding_notices(facts)


def _channels(numbers: Sequence[int]) -> str:
    return f"channel{'s' if len(numbers) > 1 else ''} {spans(numbers)}"


def _notes(count: int) -> str:
    return "1 note is" if count == 1 else f"{count} notes are"
