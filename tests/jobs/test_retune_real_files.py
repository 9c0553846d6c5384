"""Real files through `retune`, note for note: read independently, and heard through a synth on paper.

The 71 files are fetched by package name (tests/support/corpus.py lists them with their licences); none is kept here.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from support import independent
from support.corpus import real_midi_files
from support.obedient import ObedientSynth

from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.retune import retune_file
from bridge.jobs.retuned import RetuneRequest
from bridge.tuning.tables import build_table

pytestmark = pytest.mark.fetched

METHODS = ("note", "octave", "dump")
HALF_STEP_CENTS = {"note": 0.0031, "dump": 0.0031, "octave": 0.0062}
LOWEST_HZ, HIGHEST_HZ = 8.1758, 13289.6566  # what frequency data reach: 00 00 00 and 7F 7F 7E
SPEC = choose_table(TableRequest(guitar="open-d", reference="D3=145.9", scale="five-limit"))


def is_ours(item: independent.Item) -> bool:
    """Whether an event may be one that retuning adds: a tuning message, or a parameter selection."""
    _, _, data = item
    if data[0] == 0xF0:
        return data[1] in (0x7E, 0x7F) and data[3] == 0x08
    return data[0] & 0xF0 == 0xB0 and data[1] in (6, 38, 98, 99, 100, 101)


def added(before: list[independent.Item], after: list[independent.Item]) -> list[independent.Item]:
    """Return what `after` has beyond `before`, whose items it must hold whole, in order and at their ticks."""
    extra = []
    wanted = iter(before)
    expected = next(wanted, None)
    for item in after:
        if item == expected:
            expected = next(wanted, None)
        else:
            extra.append(item)
    assert expected is None, f"lost or moved: {expected}"
    return extra


class Kits:
    """Which channels play drums: channel 10, GM2 and XG kits by bank, GS rhythm parts (as their makers document)."""

    def __init__(self) -> None:
        self.bank = [0] * 16
        self.kit = [channel == 9 for channel in range(16)]

    def feed(self, data: bytes) -> None:
        channel = data[0] & 15
        if data[0] & 0xF0 == 0xB0 and data[1] == 0:
            self.bank[channel] = data[2]
        elif data[0] & 0xF0 == 0xC0 and channel != 9:
            self.kit[channel] = self.bank[channel] in (120, 127)
        elif (
            data[0] == 0xF0
            and data[3:5] == b"\x42\x12"
            and data[5] == 0x40
            and data[6] >> 4 == 1
            and data[7] == 0x15
        ):
            block = data[6] & 15
            part = 9 if block == 0 else block - 1 if block < 10 else block
            self.kit[part] = self.kit[part] if part == 9 else data[8] != 0
        elif (
            data[0] == 0xF0
            and data[1] == 0x43
            and data[3] == 0x4C
            and data[4] == 8
            and data[6] == 7
            and data[5] < 16
        ):
            self.kit[data[5]] = self.kit[data[5]] if data[5] == 9 else data[7] != 0
        elif data[0] == 0xF0 and data[1:2] == b"\x7e" and data[3:4] == b"\x09":
            self.__init__()  # type: ignore[misc]


def pitches(reading: independent.Reading) -> list[tuple[int, int, float, bool]]:
    """Return (channel, key, semitones, drums) of every note-on in playing order."""
    synth, kits = ObedientSynth(), Kits()
    found = []
    for _, _, _, data in independent.playing_order(reading):
        if data[0] in (0xFF, 0xF7):
            continue
        if data[0] < 0xF0:
            data = data[:1] + bytes(byte & 0x7F for byte in data[1:])
        if data[0] & 0xF0 == 0x90 and data[2]:
            found.append((data[0] & 15, data[1], synth.pitch(data[0] & 15, data[1]), kits.kit[data[0] & 15]))
        kits.feed(data)
        synth.feed(data)
    return found


@pytest.mark.parametrize("method", METHODS)
def test_all_real_files_note_for_note(method: str, tmp_path: Path) -> None:
    hz = build_table(SPEC).hz
    files = real_midi_files()
    assert len(files) == 71
    heard = 0
    for number, path in enumerate(files):
        output = tmp_path / f"{number}.mid"
        retune_file(path, output, RetuneRequest(spec=SPEC, method=method))
        again = tmp_path / f"{number}-again.mid"
        retune_file(path, again, RetuneRequest(spec=SPEC, method=method))
        assert output.read_bytes() == again.read_bytes(), path.name
        before, after = independent.read(path), independent.read(output)
        assert (before.format, before.division) == (after.format, after.division)
        assert len(before.tracks) == len(after.tracks)
        assert before.chunks == after.chunks
        for old, new in zip(before.tracks, after.tracks, strict=True):
            assert all(is_ours(item) for item in added(old, new)), path.name
        for plain, tuned in zip(pitches(before), pitches(after), strict=True):
            channel, key, semitones, drums = tuned
            assert plain[:2] == (channel, key)
            if drums:
                assert semitones == plain[2]
            elif LOWEST_HZ < hz[key] < HIGHEST_HZ:
                wanted = plain[2] - key + 69 + 12 * math.log2(hz[key] / 440.0)
                assert abs(semitones - wanted) * 100 <= HALF_STEP_CENTS[method] + 1e-6, (
                    path.name,
                    channel,
                    key,
                )
                heard += 1
    assert heard > 50_000
