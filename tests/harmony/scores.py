"""Music for the tests of this room: invented pieces with known answers, and real files read by a separate reader.

Nothing here comes from the package but the two types that it builds: `TimedNote` and tables. The pieces in
``pieces.json`` are our own; their answers follow from the ratios of the chords. Real files go through
`support.independent`.

Index
-----
`piece`, `PIECES` · `five_limit_table` · `read_score` → `RealScore`
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

from support import independent

from bridge.harmony.notes import TimedNote, sorted_notes
from bridge.tuning.reference import Reference
from bridge.tuning.scales import Interval, Scale
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table

_FILE = json.loads((Path(__file__).parent / "pieces.json").read_text(encoding="utf-8"))
PIECES: dict[str, dict[str, object]] = _FILE["pieces"]

# A. J. Ellis's duodene, typed here once more so that the answers do not hang on the shipped description.
_DUODENE = "1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8"
FIVE_LIMIT = Scale(
    "five-limit",
    "Five-limit",
    tuple(Interval.of_ratio(Fraction(word)) for word in _DUODENE.split()),
    "A. J. Ellis 1885",
)

_DRUMS = 10
_SUSTAIN = 64


def piece(name: str) -> list[TimedNote]:
    """Return the notes of an invented piece."""
    rows = PIECES[name]["notes"]
    assert isinstance(rows, list)
    return sorted_notes(
        TimedNote(start, start + length, key, velocity, channel)
        for start, length, key, velocity, channel in rows
    )


def five_limit_table(tonic: str, scale: Scale = FIVE_LIMIT) -> Table:
    """Return a five-limit table on a tonic, without a guitar."""
    return build_table(TableSpec("test", scale, tonic, tonic, Reference(69, 440.0)))


@dataclass(frozen=True)
class RealScore:
    """A real file: its notes without drums, its bars, and the key signatures it states.

    `signatures` are ``(start_s, sharps, minor)``; flats are negative sharps.
    """

    notes: list[TimedNote]
    bar_starts_s: list[float]
    signatures: list[tuple[float, int, bool]]


class _Channel:
    def __init__(self) -> None:
        self.open: dict[int, list[list[float]]] = {}  # key -> [start_s, velocity, bent]
        self.held: list[tuple[int, list[float]]] = []
        self.pedal = False
        self.bend = b"\x00\x40"


def read_score(path: Path) -> RealScore:
    """Read a file: pedals hold notes, channel 10 is left out, notes bent while they sound are marked."""
    reading = independent.read(path)
    events = independent.playing_order(reading)
    times_s = independent.seconds_of(reading)
    channels: dict[tuple[int, int], _Channel] = {}
    found: list[TimedNote] = []
    signatures: list[tuple[float, int, bool]] = []
    meters: list[tuple[int, int]] = []

    def finish(part: int, key: int, note: list[float], end_s: float) -> None:
        found.append(TimedNote(note[0], end_s, key, int(note[1]), part, bool(note[2])))

    for (tick, _, kind, data), now_s in zip(events, times_s, strict=True):
        if kind == "meta_59" and len(data) == 4:
            sharps = data[2] - 256 if data[2] > 127 else data[2]
            signatures.append((now_s, sharps, data[3] == 1))
        if kind == "meta_58" and len(data) == 6:
            meters.append((tick, max(1, reading.division * 4 * data[2] // 2 ** data[3])))
        if data[0] >= 0xF0 or data[0] % 16 + 1 == _DRUMS:
            continue
        part = data[0] % 16 + 1
        channel = channels.setdefault((part, 0), _Channel())
        if kind == "note_on" and data[2] > 0:
            # A key struck again while it sounds by the pedal alone begins anew.
            for held in [held for held in channel.held if held[0] == data[1]]:
                channel.held.remove(held)
                finish(part, held[0], held[1], now_s)
            channel.open.setdefault(data[1], []).append([now_s, data[2], 0.0])
        elif kind in ("note_on", "note_off") and channel.open.get(data[1]):
            note = channel.open[data[1]].pop(0)
            if channel.pedal:
                channel.held.append((data[1], note))
            else:
                finish(part, data[1], note, now_s)
        elif kind == "control_change" and data[1] == _SUSTAIN:
            channel.pedal = data[2] >= 64
            if not channel.pedal:
                for key, note in channel.held:
                    finish(part, key, note, now_s)
                channel.held.clear()
        elif kind == "pitchwheel" and data[1:] != channel.bend:
            channel.bend = data[1:]
            for note in [note for notes in channel.open.values() for note in notes if note[0] < now_s]:
                note[2] = 1.0
    last_s = times_s[-1] if times_s else 0.0
    for (part, _), channel in channels.items():
        for key, notes in channel.open.items():
            for note in notes:
                finish(part, key, note, last_s)
        for key, note in channel.held:
            finish(part, key, note, last_s)
    return RealScore(sorted_notes(found), _bars(events, times_s, meters, reading.division), signatures)


def _bars(
    events: list[tuple[int, int, str, bytes]],
    times_s: list[float],
    meters: list[tuple[int, int]],
    division: int,
) -> list[float]:
    """Return when each bar begins, by interpolation between events (tempo changes are events too)."""
    if not events:
        return []
    ticks = [event[0] for event in events]
    starts: list[float] = []
    tick, place = 0, 0
    length = division * 4
    while tick <= ticks[-1]:
        for at, size in meters:
            if at <= tick:
                length = size
        while place + 1 < len(ticks) and ticks[place + 1] <= tick:
            place += 1
        ahead = next((step for step in range(place + 1, len(ticks)) if ticks[step] > ticks[place]), None)
        if ahead is None or ticks[place] >= tick:
            starts.append(times_s[place])
        else:
            part = (tick - ticks[place]) / (ticks[ahead] - ticks[place])
            starts.append(times_s[place] + part * (times_s[ahead] - times_s[place]))
        tick += length
    return starts
