"""Bends as independent synths sound them, measured from their audio.

Tolerances are the synths' own resolution: TinySoundFont 0.05 cents up to ±4 semitones; FluidSynth 2.3.1 floors to
whole cents, and what is sent is placed so that the nearest sounds (0.51); TiMidity++ 2.14 bends within 0.43 (0.55 with
the table's own).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from support import measure, synths
from support.streams import Frequencies, Stream

from bridge.engine.bend.file import plan_bend
from bridge.engine.bend.live import BendEngine
from bridge.engine.bend.options import BendOptions
from bridge.jobs.choose import TableRequest, choose_table
from bridge.store.profiles import load_profile
from bridge.tuning.tables import build_table

HZ: list[float] = build_table(choose_table(TableRequest(guitar="open-d", reference="D3=146.5"))).hz.tolist()
CHORDS = [(50, 57, 62, 66), (55, 59, 62, 71), (57, 61, 64, 67), (52, 59, 67, 71)]
LENGTH_S, HOLD_S = 2.5, 2.4

Render = Callable[[Stream, Path], synths.Rendering]
RENDERERS: dict[str, tuple[Render, float]] = {
    "tinysoundfont": (synths.render_tinysoundfont, 0.05),
    "fluidsynth": (synths.render_fluidsynth, 0.51),
    "timidity": (synths.render_timidity, 0.55),
}
SYNTHS = [pytest.param("tinysoundfont", marks=pytest.mark.fetched), "fluidsynth", "timidity"]


def chords(bends: tuple[int, ...] = (8192,), range_semitones: int = 2) -> Stream:
    """A chord on channel 1 every two and a half seconds, each under a bend of the source."""
    stream: Stream = [(0.0, bytes((0xC0, 16)))]
    for controller, value in ((101, 0), (100, 0), (6, range_semitones), (38, 0)):
        stream.append((0.0, bytes((0xB0, controller, value))))
    for at, keys in enumerate(CHORDS):
        start_s = 0.1 + at * LENGTH_S
        bend = bends[at % len(bends)]
        stream.append((start_s - 0.05, bytes((0xE0, bend & 127, bend >> 7))))
        stream += [(start_s, bytes((0x90, key, 70))) for key in keys]
        stream += [(start_s + HOLD_S, bytes((0x80, key, 0))) for key in keys]
    return stream


def off_cents(rendering: synths.Rendering, shifts_cents: tuple[float, ...] = (0.0,)) -> float:
    """How far the worst note is from the table and the source's bend."""
    worst = 0.0
    for at, keys in enumerate(CHORDS):
        shift = 2 ** (shifts_cents[at % len(shifts_cents)] / 1200)
        wanted = [HZ[key] * shift for key in keys]
        heard = measure.window(rendering.samples, rendering.rate_hz, 0.25 + at * LENGTH_S, 2.1)
        measured = measure.tones_hz(heard, rendering.rate_hz, wanted, within_cents=45)
        worst = max(worst, *(abs(measure.cents(a, b)) for a, b in zip(measured, wanted, strict=True)))
    return worst


def planned(stream: Stream, synth: str, options: BendOptions | None = None) -> Stream:
    """What a file with these events becomes."""
    plan = plan_bend(stream, [], HZ, load_profile(synth), options)
    assert plan.report.exact == plan.report.notes
    return [(stream[anchor][0], data) for anchor, _, data in plan.outputs]


@pytest.mark.parametrize("synth", SYNTHS)
def test_chords_sound_the_table(synth: str, sine_font: Path) -> None:
    render, tolerance = RENDERERS[synth]
    assert off_cents(render(planned(chords(), synth), sine_font)) <= tolerance


@pytest.mark.fetched
def test_without_us_they_do_not(sine_font: Path) -> None:
    assert off_cents(synths.render_tinysoundfont(chords(), sine_font)) > 10


@pytest.mark.parametrize("synth", SYNTHS)
def test_the_files_own_bends_add_to_it(synth: str, sine_font: Path) -> None:
    render, tolerance = RENDERERS[synth]
    bends = (8192 + 4096, 8192 - 4096, 8192, 1000)
    # a synth that bends short (FluidSynth, 127/128) bends the file's own bends short as well, as it would without us
    scale = load_profile(synth).bend_scale
    shifts = tuple((bend - 8192) / 8192 * 300 * scale for bend in bends)
    assert off_cents(render(planned(chords(bends, 3), synth), sine_font), shifts) <= tolerance


@pytest.mark.fetched
def test_channels_handed_over_leave_no_trace(sine_font: Path) -> None:
    stream = planned(chords(), "tinysoundfont", BendOptions(channels=(3, 5, 6, 8)))
    assert off_cents(synths.render_tinysoundfont(stream, sine_font)) <= 0.05


@pytest.mark.parametrize("synth", SYNTHS)
def test_played_chords_sound_the_table(synth: str, sine_font: Path) -> None:
    render, tolerance = RENDERERS[synth]
    engine = BendEngine(load_profile(synth), HZ)
    out = engine.start(0.0)
    for time_s, data in chords():
        out += engine.feed(data, time_s)
    assert off_cents(render(out, sine_font)) <= tolerance


@pytest.mark.fetched
def test_a_change_moves_a_held_note(sine_font: Path) -> None:
    sharp = [hz * 2 ** (20 / 1200) for hz in HZ]
    engine = BendEngine(load_profile("tinysoundfont"), HZ)
    out = [*engine.start(0.0), *engine.feed(bytes((0x90, 62, 80)), 0.0), *engine.change(sharp, 2.0, "now")]
    out += engine.feed(bytes((0x80, 62, 0)), 4.0)
    rendering = synths.render_tinysoundfont(out, sine_font)
    for start_s, wanted in ((0.1, HZ[62]), (2.1, sharp[62])):
        assert abs(measure.cents(rendering.tone_hz(wanted, start_s, 1.8), wanted)) <= 0.05


@pytest.mark.fetched
def test_a_file_of_uneven_offsets(sine_font: Path) -> None:
    table = Frequencies([(key * 37) % 83 - 41 for key in range(128)])
    keys = (48, 55, 62, 69, 76)
    stream: Stream = [(0.0, bytes((0x90, key, 60))) for key in keys]
    stream += [(2.5, bytes((0x80, key, 0))) for key in keys]
    plan = plan_bend(stream, [], table, load_profile("tinysoundfont"))
    rendering = synths.render_tinysoundfont([(stream[a][0], data) for a, _, data in plan.outputs], sine_font)
    wanted = [table[key] for key in keys]
    measured = rendering.tones_hz(wanted, 0.2, 2.1)
    assert max(abs(measure.cents(a, b)) for a, b in zip(measured, wanted, strict=True)) <= 0.05
