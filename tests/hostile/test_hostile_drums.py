"""Real files with one message more, by which GS and XG turn a channel into drums: retuned by every method.

The 71 files are fetched by package name (`support.corpus`). Into each that plays pitched notes one message goes, at its
start, in its middle and behind its last note, for a channel that plays notes and for one that plays none. By bends,
what comes out is read by a second receiver (`support.bendcheck`); by tuning messages every note is heard through a
synth on paper, and counted.

Sources: the set-up messages as their makers document them: GS *use for rhythm part* (40 1x 15), XG *part mode*
(08 nn 07), the XG kits' bank 127 with a program change.
"""

from __future__ import annotations

import math

import pytest
from support import needs
from support.bendcheck import check
from support.corpus import real_midi_files
from support.obedient import ObedientSynth

from bridge.engine.bend.file import plan_bend
from bridge.errors import MethodProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.retune import retune_midi
from bridge.jobs.retuned import RetuneRequest
from bridge.store.playing import sequences
from bridge.store.smf import MidiFile, parse_midi
from bridge.tuning.tables import build_table

pytestmark = [pytest.mark.fetched, pytest.mark.campaign]

SPEC = choose_table(TableRequest(guitar="open-d", reference="D3=145.9"))
HZ: list[float] = build_table(SPEC).hz.tolist()
METHODS = ("auto", "bend", "mpe", "note", "octave", "dump")
HALF_STEP_CENTS = {"note": 0.0031, "dump": 0.0031, "octave": 0.0062}


def gs_rhythm(channel: int) -> list[bytes]:
    """GS: use for rhythm part, map 1; the block of a channel is its number, but 0 for channel 10 and one less above."""
    block = channel + 1 if channel < 9 else channel
    body = bytes((0x40, 0x10 | block, 0x15, 1))
    return [b"\xf0\x41\x10\x42\x12" + body + bytes((-sum(body) % 128, 0xF7))]


def xg_part(channel: int) -> list[bytes]:
    return [bytes((0xF0, 0x43, 0x10, 0x4C, 0x08, channel, 0x07, 0x02, 0xF7))]


def xg_kit(channel: int) -> list[bytes]:
    return [bytes((0xB0 | channel, 0, 127)), bytes((0xC0 | channel, 0))]


def struck_channels(midi: MidiFile) -> list[int]:
    """The channels (0 to 15) of all strokes that are no drums, in order."""
    events = sequences(midi)[0].events if midi.tracks else []
    return [data[0] & 15 for _, data in events if data[0] >> 4 == 9 and data[2] and data[0] & 15 != 9]


def turned(midi: MidiFile, where: str, which: str) -> tuple[MidiFile, int]:
    """A file with one set-up message more, and the channel that it turns into drums (0 to 15)."""
    playing = sequences(midi)[0]
    played = struck_channels(midi)
    channel = (
        played[len(played) // 2]
        if which == "playing"
        else next((n for n in range(16) if n not in {*played, 9}), 9)
    )
    ends = [tick for tick, data in playing.events if data[0] >> 4 in (8, 9)]
    # Behind the note-offs at its tick: nothing of the channel sounds at the start and at the end.
    tick = {"start": 0, "middle": ends[len(ends) // 2], "end": ends[-1] + 1}[where]
    kinds = {"start": gs_rhythm, "middle": xg_kit, "end": xg_part}
    track = midi.tracks[0]
    at = next((at for at, event in enumerate(track) if event[0] > tick), max(0, len(track) - 1))
    track[at:at] = [(min(tick, track[at][0]), data) for data in kinds[where](channel)]
    return midi, channel


def stream_of(midi: MidiFile) -> list[tuple[float, bytes]]:
    return [(time_s, data) for time_s, data in sequences(midi)[0]]


def struck(stream: list[tuple[float, bytes]]) -> list[tuple[int, int, float]]:
    """Channel, key and semitones of every note-on, as a synth on paper plays it."""
    synth, found = ObedientSynth(), []
    for _, data in stream:
        if data and data[0] < 0xF0 and data[0] >> 4 == 9 and data[2]:
            found.append((data[0] & 15, data[1], synth.pitch(data[0] & 15, data[1])))
        if data and data[0] != 0xFF:
            synth.feed(data)
    return found


@pytest.mark.parametrize("where", ["start", "middle", "end"])
@pytest.mark.parametrize("which", ["playing", "silent"])
def test_real_files_with_one_channel_turned_into_drums(where: str, which: str) -> None:
    tried = 0
    for number, path in enumerate(real_midi_files()[:: needs.often(4, long=1)]):
        if not struck_channels(parse_midi(path.read_bytes())):
            continue
        midi, channel = turned(parse_midi(path.read_bytes(), path.name), where, which)
        stream = stream_of(midi)
        plan = plan_bend(stream, [], HZ)
        second = check(stream, [(anchor, data) for anchor, _, data in plan.outputs], HZ)
        assert second.problems == [], path.name
        assert len(second.notes) == plan.report.notes, path.name
        assert len(second.off) == plan.report.notes - plan.report.exact, path.name
        assert second.worst_cents == pytest.approx(plan.report.worst_cents, abs=1e-6), path.name
        if where == "start":
            assert channel not in second.channels, path.name
        plain = struck(stream)
        for method in METHODS if number % 4 == 0 else ("bend",):
            try:
                out, done = retune_midi(midi, RetuneRequest(SPEC, method))
            except MethodProblem:
                assert method == "mpe", path.name  # for files of one or two parts
                continue
            if method == "bend":
                report = done.reports[0][0]  # of several pieces in one file the first
                assert report.notes == plan.report.notes, path.name
            if method in HALF_STEP_CENTS:
                tuned = struck(stream_of(out))
                assert [one[:2] for one in tuned] == [one[:2] for one in plain], path.name
                for old, new in zip(plain, tuned, strict=True):
                    wanted = old[2] - new[1] + 69 + 12 * math.log2(HZ[new[1]] / 440.0)
                    if new[0] not in (9, channel) and 8.2 < HZ[new[1]] < 13000:
                        off_cents = abs(new[2] - wanted) * 100
                        assert off_cents <= HALF_STEP_CENTS[method] + 1e-6, (path.name, method, new)
            tried += 1
    assert tried >= needs.often(30, long=120)
