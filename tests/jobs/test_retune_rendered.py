"""Retuned files as independent synths sound them: TiMidity++ and FluidSynth, measured from their audio.

Tolerances are the synths' own resolution, measured with TiMidity++ 2.14 and FluidSynth 2.3.1: TiMidity++ sounds
single note tunings within 0.02 cents, FluidSynth stores a table exactly and floors to whole cents in sound.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from support import measure, synths

from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.retune import retune_file
from bridge.jobs.retuned import RetuneRequest
from bridge.tuning.changes import parse_at
from bridge.tuning.tables import build_table

SPEC = choose_table(TableRequest(guitar="open-d", reference="D3=146.5"))
CHORDS = [  # keys for channels 1, 2 and 3, two and a half seconds each: bars 1, 2, 3 ... at 120 in 5/4
    (38, 54, 69), (43, 59, 74), (45, 61, 76), (40, 55, 71), (47, 62, 78), (50, 66, 81),
]  # fmt: skip
LENGTH_S, HOLD_S = 2.5, 2.4


@pytest.fixture
def piece(tmp_path: Path) -> Path:
    """Sustained chords over three channels, with a silent drum part."""
    events = [(0.0, bytes((0xC0 | channel, 16))) for channel in range(3)]
    for index, keys in enumerate(CHORDS):
        for channel, key in enumerate(keys):
            start = 0.1 + index * LENGTH_S
            events.append((start, bytes((0x90 | channel, key, 90))))
            events.append((start + HOLD_S, bytes((0x80 | channel, key, 0))))
    return synths.write_midi(tmp_path / "piece.mid", sorted(events, key=lambda event: event[0]))


def off_cents(rendering: synths.Rendering, tables: list[np.ndarray]) -> list[float]:
    """Distance of every sustained note from the table that holds for its chord, in cents."""
    found = []
    for index, (keys, hz) in enumerate(zip(CHORDS, tables, strict=True)):
        wanted = [float(hz[key]) for key in keys]
        heard = measure.window(rendering.samples, rendering.rate_hz, 0.25 + index * LENGTH_S, 2.1)
        measured = measure.tones_hz(heard, rendering.rate_hz, wanted, within_cents=45)
        found += [measure.cents(a, b) for a, b in zip(measured, wanted, strict=True)]
    return found


@pytest.mark.parametrize("method", ["note", "dump"])
def test_timidity_sounds_the_table(method: str, piece: Path, sine_font: Path, tmp_path: Path) -> None:
    output = tmp_path / "out.mid"
    retune_file(piece, output, RetuneRequest(spec=SPEC, method=method, synth="timidity"))
    found = off_cents(synths.render_timidity(output, sine_font), [build_table(SPEC).hz] * len(CHORDS))
    assert max(map(abs, found)) <= 0.05


def test_timidity_sounds_equal_temperament_where_nothing_was_retuned(piece: Path, sine_font: Path) -> None:
    equal = np.array([440.0 * 2 ** ((key - 69) / 12) for key in range(128)])
    rendering = synths.render_timidity(piece, sine_font)
    assert max(map(abs, off_cents(rendering, [equal] * len(CHORDS)))) <= 0.05
    # The control: the same measurement finds the table elsewhere.
    assert max(map(abs, off_cents(rendering, [build_table(SPEC).hz] * len(CHORDS)))) > 10


def test_fluidsynth_stores_and_sounds_the_table(piece: Path, sine_font: Path, tmp_path: Path) -> None:
    output = tmp_path / "out.mid"
    retune_file(piece, output, RetuneRequest(spec=SPEC, synth="fluidsynth"))
    hz = build_table(SPEC).hz
    stored = synths.fluid_stored_table(output)
    wanted = 6900 + 1200 * np.log2(hz / 440.0)
    in_reach = wanted >= 0
    # Everything is sent half a cent higher, so that rounding down ends at the nearest whole cent.
    assert np.max(np.abs(stored - wanted - 0.5)[in_reach]) <= 0.01
    found = off_cents(synths.render_fluidsynth(output, sine_font), [hz] * len(CHORDS))
    assert max(map(abs, found)) <= 0.51


def test_fluidsynth_obeys_the_octave_message(piece: Path, sine_font: Path, tmp_path: Path) -> None:
    output = tmp_path / "out.mid"
    retune_file(piece, output, RetuneRequest(spec=SPEC, method="octave", synth="fluidsynth"))
    found = off_cents(synths.render_fluidsynth(output, sine_font), [build_table(SPEC).hz] * len(CHORDS))
    assert max(map(abs, found)) <= 0.51


def test_fluidsynth_bends_to_the_nearest_cent(piece: Path, sine_font: Path, tmp_path: Path) -> None:
    """A bend's own step at two semitones is 0.0244 cents: half of it comes on top of half a cent."""
    output = tmp_path / "out.mid"
    retune_file(piece, output, RetuneRequest(spec=SPEC, method="bend", synth="fluidsynth"))
    found = off_cents(synths.render_fluidsynth(output, sine_font), [build_table(SPEC).hz] * len(CHORDS))
    assert max(map(abs, found)) <= 0.515


def test_a_change_inside_the_piece_sounds_from_its_bar(sine_font: Path, tmp_path: Path) -> None:
    # One long note (E3 and B3) through the change of 2 and 6: bar 2 starts at 2.0 s (4/4 at 120 beats a minute).
    events = [(0.0, bytes((0x90, 52, 90))), (4.0, bytes((0x80, 52, 0)))]
    source = synths.write_midi(tmp_path / "held.mid", events, end_s=4.0)
    output = tmp_path / "out.mid"
    request = RetuneRequest(spec=SPEC, synth="timidity", at=(parse_at("2=,2=10/9"),))
    done = retune_file(source, output, request)
    before, after = float(build_table(SPEC).hz[52]), float(done.changes[0].table.hz[52])
    assert measure.cents(after, before) == pytest.approx(-21.506, abs=0.001)  # a comma, 81/80
    rendering = synths.render_timidity(output, sine_font)
    for start_s, wanted in ((0.1, before), (2.1, after)):
        heard = measure.window(rendering.samples, rendering.rate_hz, start_s, 1.8)
        assert abs(measure.cents(measure.tone_hz(heard, rendering.rate_hz, wanted), wanted)) <= 0.05
