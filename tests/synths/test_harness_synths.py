"""The independent synths, untuned: they play, in tune, and nothing of the user's set-up gets in."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import mido
import numpy as np
import pytest
from support import independent, measure, synths

Renderer = Callable[..., synths.Rendering]

RENDERERS = [
    synths.render_fluidsynth,
    synths.render_timidity,
    pytest.param(synths.render_tinysoundfont, marks=pytest.mark.fetched),
]
KEYS = (40, 57, 69, 88)


def key_hz(key: int) -> float:
    return float(440.0 * 2.0 ** ((key - 69) / 12))


def chord(channel: int = 1) -> list[tuple[float, bytes]]:
    on = [(0.5, bytes([0x90 + channel - 1, key, 100])) for key in KEYS]
    return [*on, *((3.5, bytes([0x80 + channel - 1, key, 0])) for key in KEYS)]


@pytest.mark.parametrize("render", RENDERERS)
@pytest.mark.parametrize("channel", [1, 10, 16])
def test_untuned_notes_are_equal_temperament(render: Renderer, channel: int, sine_font: Path) -> None:
    sound = render(chord(channel), sine_font)
    found = sound.tones_hz([key_hz(key) for key in KEYS], 1.0, 2.0)
    worst = max(abs(measure.cents(hz, key_hz(key))) for hz, key in zip(found, KEYS, strict=True))
    assert worst < 0.01
    assert sound.peak(0.0, 0.45) == 0.0
    assert sound.peak(1.0, 2.0) < 1.0


@pytest.mark.parametrize("render", RENDERERS)
def test_every_program_sounds_the_same(render: Renderer, sine_font: Path) -> None:
    plain = render(chord(), sine_font)
    other = render([(0.0, b"\xb0\x00\x08"), (0.0, b"\xc0\x59"), *chord()], sine_font)
    assert np.allclose(other.window(1.0, 1.0), plain.window(1.0, 1.0), atol=1e-3)


@pytest.mark.parametrize("render", RENDERERS)
def test_the_modulation_wheel_and_pressure_add_no_vibrato(render: Renderer, sine_font: Path) -> None:
    wobbly = [(0.0, b"\xb0\x01\x7f"), (0.6, b"\xd0\x7f"), *chord()]
    found = render(wobbly, sine_font).tones_hz([key_hz(key) for key in KEYS], 1.0, 2.0)
    assert max(abs(measure.cents(hz, key_hz(key))) for hz, key in zip(found, KEYS, strict=True)) < 0.01


@pytest.mark.parametrize("render", RENDERERS)
def test_notes_end(render: Renderer, sine_font: Path) -> None:
    sound = render([*chord(), (5.0, b"\x90\x3c\x01"), (5.1, b"\x80\x3c\x00")], sine_font)
    assert sound.peak(3.7, 1.0) < 1e-4


def test_a_file_is_written_as_other_readers_expect(tmp_path: Path) -> None:
    events = [(0.25, b"\x90\x45\x64"), (0.0, b"\xf0\x7e\x7f\x09\x01\xf7"), (1.5, b"\x80\x45\x00")]
    path = synths.write_midi(tmp_path / "x.mid", events, end_s=2.0)
    times_s = []
    messages = []
    now_s = 0.0
    for message in mido.MidiFile(path):
        now_s += message.time
        times_s.append(now_s)
        messages.append(bytes(message.bytes()))
    assert messages[:3] == [b"\xf0\x7e\x7f\x09\x01\xf7", b"\x90\x45\x64", b"\x80\x45\x00"]
    assert times_s == pytest.approx([0.0, 0.25, 1.5, 2.0], abs=1e-4)
    reading = independent.read(path)
    assert independent.seconds_of(reading) == pytest.approx([0.0, 0.25, 1.5, 2.0], abs=1e-4)


@pytest.mark.fetched
def test_a_path_renders_like_its_events(tmp_path: Path, sine_font: Path) -> None:
    path = synths.write_midi(tmp_path / "x.mid", chord())
    from_file = synths.render_tinysoundfont(path, sine_font)
    from_events = synths.render_tinysoundfont(chord(), sine_font)
    assert np.array_equal(from_file.samples, from_events.samples)


def test_fluidsynth_says_what_it_stored() -> None:
    # Key 69 up by 2000 (hex) / 4000 of a semitone, so 50 cents: MIDI Tuning, single note change.
    message = bytes.fromhex("f0 7f 7f 08 02 00 01 45 45 40 00 f7")
    table = synths.fluid_stored_table([message])
    assert table[69] == pytest.approx(6950.0, abs=1e-9)
    assert table[68] == 6800.0
    with pytest.raises(AssertionError, match="stored no tuning in bank 0, program 5"):
        synths.fluid_stored_table([message], program=5)
