"""The soundfonts made for measuring: read back, and heard."""

from __future__ import annotations

import itertools
import struct
from pathlib import Path

import numpy as np
import pytest
from support import measure, soundfont, synths


def chunks(data: bytes) -> dict[str, bytes]:
    """Chunks of a RIFF body by name, those inside lists too."""
    found: dict[str, bytes] = {}
    position = 0
    while position < len(data):
        name, size = struct.unpack_from("<4sI", data, position)
        body = data[position + 8 : position + 8 + size]
        if name in (b"RIFF", b"LIST"):
            found |= chunks(body[4:])
        else:
            found[name.decode()] = body
        position += 8 + size + size % 2
    return found


def test_the_recorded_pitch_is_the_root_key_exactly(sine_font: Path) -> None:
    parts = chunks(sine_font.read_bytes())
    start, end, loop_start, loop_end, rate, root, correction, _, kind = struct.unpack_from(
        "<IIIIIBbHH", parts["shdr"], 20
    )
    assert rate / (loop_end - loop_start) == 440.0 * 2.0 ** ((root - 69) / 12)
    assert (correction, kind) == (0, 1)
    wave = np.frombuffer(parts["smpl"], "<i2")[start:end]
    cycle = loop_end - loop_start
    assert np.array_equal(wave[:-cycle], wave[cycle:])  # the loop joins without a seam
    assert loop_start - start >= 8  # section 7.10: valid points around the loop
    assert end - loop_end >= 8
    assert len(parts["smpl"]) // 2 - end >= 46  # section 6.1


def test_all_programs_and_the_drums_are_there(sine_font: Path, tmp_path: Path) -> None:
    def programs(path: Path) -> list[tuple[int, int]]:
        header = chunks(path.read_bytes())["phdr"]
        return [struct.unpack_from("<HH", header, 38 * n + 20)[::-1] for n in range(len(header) // 38 - 1)]

    melodic = [(0, program) for program in range(128)]
    assert programs(sine_font) == [*melodic, (128, 0)]
    assert programs(soundfont.write_soundfont(tmp_path / "x.sf2", drums=False)) == melodic


def test_partials_never_pass_the_highest_frequency(tmp_path: Path) -> None:
    parts = chunks(soundfont.write_soundfont(tmp_path / "organ.sf2", soundfont.ORGAN).read_bytes())
    ranges = [
        struct.unpack_from("<BB", parts["igen"], at + 2)
        for at in range(0, len(parts["igen"]), 4)
        if struct.unpack_from("<H", parts["igen"], at)[0] == 43
    ]
    assert ranges[0][0] == 0
    assert ranges[-1][1] == 127
    assert all(low == previous[1] + 1 for previous, (low, _) in itertools.pairwise(ranges))
    wave = np.frombuffer(parts["smpl"], "<i2").astype(float)
    for number, (_, high) in enumerate(ranges):
        start, _, loop_start, loop_end = struct.unpack_from("<IIII", parts["shdr"], 46 * number + 20)
        assert start < loop_start
        spectrum = np.abs(np.fft.rfft(wave[loop_start:loop_end]))
        present = np.flatnonzero(spectrum > 0.01 * spectrum.max())
        key_hz = 440.0 * 2.0 ** ((high - 69) / 12)
        assert present[0] == 1
        assert present[-1] == 1 or present[-1] * key_hz <= 18_000.0


@pytest.mark.parametrize("partials", [(), (0.0, 0.0)])
def test_a_silent_tone_is_refused(partials: tuple[float, ...], tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="at least one partial"):
        soundfont.write_soundfont(tmp_path / "x.sf2", partials)


@pytest.mark.fetched
def test_the_organ_tone_lets_beats_be_heard(organ_font: Path) -> None:
    # Physics: partials 5 of D3 and 4 of F#3 in equal temperament at A440 beat 5.827 times a second (derived in the
    # project's check values); TinySoundFont plays both keys untuned.
    notes = [(0.0, bytes([0x90, key, 100])) for key in (50, 54)]
    sound = synths.render_tinysoundfont([*notes, (4.0, b"\x80\x32\x00")], organ_font)
    assert measure.beats_per_s(sound.window(0.5, 3.0), sound.rate_hz, 737.0) == pytest.approx(5.827, abs=0.01)
