"""The demo: a small rehearsal in open G, from the guitar's measured reference to three sound files.

The scenario and its music are invented (`bridge.jobs.demo_music`): a guitar in open G whose third string was
measured a little flat, and a backing track for it. The track is retuned by single note tuning messages and played by
the built-in tone generator three ways: equal (through the same reference), just with one fixed scale, and just
with the second degree lowered under ii.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.demo_music import BARS, TICKS_PER_QUARTER, TITLE, Bar, bars_on, demo_tracks
from bridge.jobs.render import render_midi
from bridge.jobs.retune import retune_midi
from bridge.jobs.retuned import RetuneRequest
from bridge.store.files import check_output, write_files_atomic
from bridge.store.smf import MidiFile, midi_bytes
from bridge.tuning.beats import beat_rate_hz
from bridge.tuning.changes import Change, parse_at
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table, equal_table

GUITAR = "open-g"
REFERENCE = "G3=195.1"
LOWERED = "2=10/9"
_SYNTH = "builtin"
_MAJOR_THIRD, _MINOR_THIRD, _FIFTH = 4, 3, 7
_PURE = {_MAJOR_THIRD: (5, 4), _MINOR_THIRD: (6, 5), _FIFTH: (3, 2)}


@dataclass(frozen=True)
class Heard:
    """One interval of a chord of the piece, in the three versions."""

    # Name and place in the key.
    chord: str
    degree: str
    bars: tuple[int, ...]  # bars in which it sounds
    interval: str  # ``third`` or ``fifth``
    notes: str  # its two notes
    # Distance from pure, wide positive: equal, fixed, with the lowered second.
    off_cents: tuple[float, float, float]
    beats_hz: tuple[float, float, float]  # beats per second of its first coinciding partials, likewise


@dataclass(frozen=True)
class Demo:
    """What the demo made."""

    spec: TableSpec  # the guitar's table
    files: tuple[Path, ...]  # MIDI files and WAV files
    heard: tuple[Heard, ...]  # what the ear should notice, chord by chord


def lowered_bars() -> tuple[Change, ...]:
    """Return the changes that lower the second degree under every ii and restore it after."""
    changes: list[Change] = []
    ii = set(bars_on("ii"))
    for bar in range(1, len(BARS) + 1):
        if bar in ii and bar - 1 not in ii:
            changes.append(parse_at(f"{bar}=,{LOWERED}"))
        elif bar not in ii and bar - 1 in ii:
            changes.append(parse_at(f"{bar}=G"))
    return tuple(changes)


def run_demo(
    folder: Path, overwrite: bool = False, progress: Callable[[str, float], None] | None = None
) -> Demo:
    """Make the demo's files in `folder`, which is made if it does not exist; all of them appear, or none.

    `progress` is called with a file's name and how much of it is done, 0 to 1. OutputProblem if a file exists
    already, or cannot be written.
    """
    spec = choose_table(TableRequest(guitar=GUITAR, reference=REFERENCE))
    written = MidiFile(format=1, division=TICKS_PER_QUARTER, tracks=demo_tracks(), name=TITLE)
    versions = {
        "equal": RetuneRequest(spec=spec, method="note", synth=_SYNTH, equal=True),
        "just": RetuneRequest(spec=spec, method="note", synth=_SYNTH),
        "just-lowered-ii": RetuneRequest(spec=spec, method="note", synth=_SYNTH, at=lowered_bars()),
    }
    contents: dict[str, bytes] = {"as-written.mid": midi_bytes(written)}
    for name in versions:
        for ending in ("mid", "wav"):
            contents[f"{name}.{ending}"] = b""
    if folder.exists():
        for name in contents:
            check_output(folder / name, overwrite=overwrite)
    for name, request in versions.items():
        retuned, _ = retune_midi(written, request)
        contents[f"{name}.mid"] = midi_bytes(retuned)

        def report(done: float, name: str = name) -> None:
            if progress is not None:
                progress(f"{name}.wav", done)

        contents[f"{name}.wav"] = render_midi(retuned, progress=report)
    write_files_atomic(folder, contents, overwrite=overwrite)
    return Demo(spec, tuple(folder / name for name in contents), tuple(listen_for(spec)))


def listen_for(spec: TableSpec) -> list[Heard]:
    """Work out what changes in every chord of the piece between the three versions."""
    equal, fixed = equal_table(spec), build_table(spec)
    lowered = build_table(spec.with_degrees(parse_at(f"1=,{LOWERED}").degrees))
    heard: list[Heard] = []
    seen: set[str] = set()
    for bar in BARS:
        if bar.chord in seen:
            continue
        seen.add(bar.chord)
        third_table = lowered if bar.degree == "ii" else fixed
        for name, semitones in (("third", _third(bar)), ("fifth", _FIFTH)):
            heard.append(_heard(bar, name, semitones, (equal, fixed, third_table)))
    return heard


def _root(bar: Bar) -> int:
    """The chord's root as a key of the octave round the guitar's third string."""
    return 55 + (bar.bass - 55) % 12


def _third(bar: Bar) -> int:
    classes = {key % 12 for key in bar.keys}
    return _MAJOR_THIRD if (_root(bar) + _MAJOR_THIRD) % 12 in classes else _MINOR_THIRD


def _heard(bar: Bar, name: str, semitones: int, tables: tuple[Table, Table, Table]) -> Heard:
    low = _root(bar)
    high = low + semitones
    upper, lower = _PURE[semitones]
    pairs = [(float(table.hz[low]), float(table.hz[high])) for table in tables]
    pure_cents = hz_to_cents(upper, lower)
    off = [hz_to_cents(second, first) - pure_cents for first, second in pairs]
    beats = [beat_rate_hz(first, second, upper, lower) for first, second in pairs]
    return Heard(
        chord=bar.chord,
        degree=bar.degree,
        bars=tuple(number for number, other in enumerate(BARS, 1) if other.chord == bar.chord),
        interval=name,
        notes=f"{tables[1].note(low)} to {tables[1].note(high)}",
        off_cents=(off[0], off[1], off[2]),
        beats_hz=(beats[0], beats[1], beats[2]),
    )
