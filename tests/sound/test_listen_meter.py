"""The live meter: how soon, how right, and that it does not depend on how the blocks fall."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support.corpus import guitar_notes
from support.plucks import Pluck, noisy, random_pluck
from support.sf2_samples import font_guitar
from support.sounding import sharp_at_first_cents

from bridge.errors import ValueProblem
from bridge.sound.listening.meter import Meter, Reading
from bridge.tuning.notes import key_to_hz, parse_note

REFERENCE = json.loads((Path(__file__).parent / "recordings_reference.json").read_text())
RATE = 48000
LEAD_S = 0.3


def readings(sound: np.ndarray, block: int = 128, rate: int = RATE, **options) -> list[tuple[float, Reading]]:
    """Readings with the time, counted from the start of `sound`, at which the block was in that made them."""
    meter = Meter(rate, **options)
    room = 1e-5 * np.random.default_rng(0).standard_normal(round(LEAD_S * rate))
    whole = np.concatenate([room, sound])
    out = []
    for start in range(0, whole.size, block):
        reading = meter.feed(whole[start : start + block])
        if reading is not None:
            out.append((min(start + block, whole.size) / rate - LEAD_S, reading))
    return out


def off_cents(reading: Reading, hz: float) -> float:
    return 1200 * math.log2(reading.hz / hz)


@pytest.mark.parametrize("block", [64, 128, 256])
def test_first_reading_at_110_hz_within_60_ms_of_the_onset(block: int) -> None:
    pluck = Pluck(110.0, 8e-5, 2.5)
    first_s, first = readings(noisy(pluck.samples(1.0, RATE), 30, np.random.default_rng(1)), block)[0]
    assert first_s <= 0.060
    # A first look, and said to be one.
    assert abs(off_cents(first, pluck.first_hz)) < 15.0
    assert first.confidence <= 0.5
    assert not first.steady


@pytest.mark.parametrize("hz", [73.4, 98.0, 146.83, 184.0, 246.9, 329.6, 659.3])
def test_readings_settle_to_a_tenth_of_a_cent(hz: float) -> None:
    pluck = Pluck(hz, 1e-4, 2.0)
    all_of_them = readings(noisy(pluck.samples(1.5, RATE), 30, np.random.default_rng(int(hz))))
    steady = [(at, r) for at, r in all_of_them if r.steady]
    assert steady[0][0] < 0.6
    assert len(steady) > 10
    assert max(abs(off_cents(r, pluck.first_hz)) for _, r in steady) < 0.1
    assert all(abs(off_cents(r, pluck.first_hz)) < 20.0 for _, r in all_of_them)


@pytest.mark.slow
def test_blocks_of_any_length_give_the_same_readings() -> None:
    sound = noisy(Pluck(196.0, 5e-5, 2.0).samples(1.0, RATE), 30, np.random.default_rng(2))
    by_block = {block: [r for _, r in readings(sound, block) if r.steady] for block in (1, 64, 100, 480)}
    expected = by_block[64]
    assert expected
    for got in by_block.values():
        assert [(r.time_s, pytest.approx(r.hz, rel=1e-9)) for r in got] == [
            (r.time_s, r.hz) for r in expected
        ]


def test_it_follows_the_string_from_one_pluck_to_the_next() -> None:
    rng = np.random.default_rng(3)
    sound = np.concatenate(
        [Pluck(146.0, 5e-5, 0.5).samples(1.5, RATE), Pluck(184.2, 5e-5, 0.8).samples(1.5, RATE)]
    )
    strings = [(4, 146.83), (3, 183.54), (2, 220.25)]
    got = [(at, r) for at, r in readings(noisy(sound, 35, rng), strings=strings) if r.confidence > 0.5]
    early = [r for at, r in got if 0.3 < at < 1.4]
    late = [r for at, r in got if at > 1.8]
    assert {r.string for r in early} == {4}
    assert {r.string for r in late} == {3}
    assert early[-1].cents == pytest.approx(1200 * math.log2(146.0 / 146.83), abs=0.2)
    assert late[-1].cents == pytest.approx(1200 * math.log2(184.2 / 183.54), abs=0.2)


def test_a_peg_being_turned_is_followed() -> None:
    # Up 100 cents in two seconds: the meter may lag by its window, not lose the note.
    t = np.arange(3 * RATE) / RATE
    hz = 110.0 * 2 ** (np.clip(t - 0.5, 0, 2) * 50 / 1200)
    phase = 2 * np.pi * np.cumsum(hz) / RATE
    sound = sum(np.exp(-0.3 * t) / n * np.cos(n * phase) for n in range(1, 9))
    got = [(at, r) for at, r in readings(noisy(sound, 35, np.random.default_rng(4))) if r.confidence > 0.5]
    assert len(got) > 30
    for at, reading in got:
        assert abs(off_cents(reading, 110.0 * 2 ** (np.clip(at - 0.8, 0, 2) * 50 / 1200))) < 20.0
    # Moving, it does not claim to be steady; at rest again it does.
    moving = [r.steady for at, r in got if 1.0 < at < 2.4]
    assert np.mean(moving) < 0.2
    assert got[-1][1].steady
    assert off_cents(got[-1][1], 110.0 * 2 ** (100 / 1200)) == pytest.approx(0.0, abs=0.5)


@pytest.mark.fetched
@pytest.mark.parametrize("file", ["D2.mp3", "A2.mp3", "D3.mp3", "Fs3.mp3", "A3.mp3", "D4.mp3"])
def test_recorded_strings(file: str) -> None:
    samples, rate = soundfile.read(next(p for p in guitar_notes() if p.name == file), always_2d=True)
    # The independent estimators' figures, from recordings_reference.json, are within some cents of these.
    equal = {"D2": 73.292, "A2": 110.015, "D3": 146.736, "Fs3": 184.726, "A3": 219.93, "D4": 293.34}
    got = readings(samples[: round(2.0 * rate)].mean(axis=1), 256, rate)
    steady = [r for _, r in got if r.steady]
    assert steady
    assert max(abs(off_cents(r, equal[file.removesuffix(".mp3")])) for r in steady) < 6.0


def test_silence_and_noise_give_no_steady_reading() -> None:
    assert readings(np.zeros(RATE)) == []
    noise = 0.1 * np.random.default_rng(6).standard_normal(2 * RATE)
    assert not any(r.steady for _, r in readings(noise))


@pytest.mark.parametrize("rate", [16000, 22050, 44100, 96000])
def test_sample_rates(rate: int) -> None:
    pluck = Pluck(146.83, 5e-5, 2.0)
    got = readings(noisy(pluck.samples(1.2, rate), 30, np.random.default_rng(7)), 256, rate)
    assert got[-1][1].steady
    assert abs(off_cents(got[-1][1], pluck.first_hz)) < 0.1


def test_time_is_counted_in_samples() -> None:
    meter = Meter(RATE)
    for _ in range(10):
        meter.feed(np.zeros(480))
    assert meter.time_s == pytest.approx(0.1, abs=0.002)


def test_values_out_of_range() -> None:
    with pytest.raises(ValueProblem, match="8000 to 192000"):
        Meter(44.1)


def recorded(path: Path, seconds: float) -> tuple[np.ndarray, int]:
    """A recorded note from its pluck on."""
    samples, rate = soundfile.read(path, always_2d=True)
    return from_pluck(samples.mean(axis=1), rate, seconds), rate


def from_pluck(sound: np.ndarray, rate: int, seconds: float) -> np.ndarray:
    sound = sound[: round((seconds + 0.2) * rate)]
    loud = np.abs(sound) > 0.02 * np.abs(sound).max()
    return 0.5 * sound[int(np.argmax(loud)) :][: round(seconds * rate)] / np.abs(sound).max()


@pytest.mark.fetched
@pytest.mark.slow
def test_first_and_settled_readings_of_recorded_notes() -> None:
    """Within 90 ms, a cent and a half at the median from what the string sounds then; never settled and wrong.

    The strings themselves start up to 9 cents sharp of where independent estimators put them a quarter of a second
    later, 2 cents at the median: so far a first reading may lie from there, and a cent.
    """
    settled_hz = {row["file"]: row["measured_hz"] for row in REFERENCE["guitar_acoustic"]}
    then, from_settled = [], []
    for path in guitar_notes():
        sound, rate = recorded(path, 2.0)
        hz = settled_hz[path.name]
        got = readings(sound, block=441, rate=rate)
        first_s, first = got[0]
        assert first_s <= 0.090, path.name
        from_settled.append(off_cents(first, hz))
        then.append(from_settled[-1] - sharp_at_first_cents(sound, rate, hz, first.time_s - LEAD_S))
        assert all(abs(off_cents(r, hz)) < 12.0 for _, r in got), path.name
        steady = [abs(off_cents(r, hz)) for _, r in got if r.steady]
        assert steady, path.name
        assert max(steady) < 10.0, path.name
    assert len(then) == 37
    assert np.median(np.abs(then)) < 1.5
    assert np.abs(then).max() < 6.0
    assert np.median(np.abs(from_settled)) < 3.0


@pytest.mark.slow
def test_first_readings_of_three_more_guitars() -> None:
    """The same of those samples of a Debian package's guitars that last long enough to be held against themselves."""
    then = []
    for row in REFERENCE["fluid_soundfont_gm"]:
        sample = font_guitar(row["instrument"])[row["sample"]]
        rate, hz = sample.sample_rate, row["measured_hz"]
        sound = from_pluck(sample.samples, rate, 1.4)
        if sound.size < 1.3 * rate:
            continue
        first_s, first = readings(sound[: round(0.2 * rate)], block=441, rate=rate)[0]
        assert first_s <= 0.090, row["sample"]
        then.append(off_cents(first, hz) - sharp_at_first_cents(sound, rate, hz, first.time_s - LEAD_S))
    assert len(then) == 21
    assert np.median(np.abs(then)) < 1.5
    assert np.abs(then).max() < 6.0


@pytest.mark.parametrize("glide_cents", [0.0, 3.0, 8.0])
@pytest.mark.parametrize("hz", [98.0, 196.0, 329.6])
def test_what_a_string_sounds_at_first_is_measured_right(hz: float, glide_cents: float) -> None:
    """The tracker that recorded notes are judged by, against strings whose pitch falls by exp(-t / glide_s)."""
    pluck = Pluck(hz, 1e-4, 2.0, glide_cents=glide_cents)
    sharp = sharp_at_first_cents(pluck.samples(1.4, RATE), RATE, pluck.first_hz, 0.07)
    assert sharp == pytest.approx(mean_glide_cents(pluck, 0.07), abs=0.5)


def mean_glide_cents(pluck: Pluck, until_s: float) -> float:
    """The mean, from the pluck to `until_s`, of a pitch that falls by exp(-t / glide_s)."""
    heard = until_s / pluck.glide_s
    return pluck.glide_cents * (1 - math.exp(-heard)) / heard


@pytest.mark.parametrize("swinging", [1, 3, 8])
def test_a_partial_that_swings_does_not_carry_the_first_reading_away(swinging: int) -> None:
    """On recorded strings single partials swing by ten cents and more in the first moments; the others hold still."""
    t = np.arange(RATE // 4) / RATE
    hz = [220.0 * n * 2 ** ((25 if n == swinging else 0) / 1200) for n in range(1, 11)]
    sound = sum(0.3 * np.exp(-3 * t) / n * np.cos(2 * np.pi * hz[n - 1] * t + n) for n in range(1, 11))
    _, first = readings(noisy(sound, 40, np.random.default_rng(1)))[0]
    assert abs(off_cents(first, 220.0)) < 0.5


@pytest.mark.slow
@pytest.mark.parametrize("glide_cents", [0.0, 6.0])
def test_first_readings_are_what_the_string_sounds_then(glide_cents: float) -> None:
    """Strings of known pitch, each a little sharp at first: a cent and a half at the median, within 90 ms."""
    rng = np.random.default_rng(17)
    off = []
    for _ in range(12):
        drawn = random_pluck(rng, 73.0, 600.0)
        pluck = replace(drawn, glide_cents=glide_cents)
        first_s, first = readings(noisy(pluck.samples(0.3, RATE), 30, rng))[0]
        assert first_s <= 0.090
        off.append(abs(off_cents(first, pluck.first_hz) - mean_glide_cents(pluck, first_s)))
    assert np.median(off) < 1.5
    assert max(off) < 15.0


@pytest.mark.fetched
@pytest.mark.parametrize("name", ["Cs5.mp3", "D5.mp3"])
def test_a_note_above_all_strings_is_not_folded_down(name: str) -> None:
    sound, rate = recorded(next(p for p in guitar_notes() if p.name == name), 1.0)
    strings = [(1, 293.0), (2, 219.8), (4, 146.5)]
    got = readings(sound, block=441, rate=rate, strings=strings)
    hz = key_to_hz(parse_note(name.removesuffix(".mp3").replace("s", "#")))
    assert any(r.steady for _, r in got)
    assert all(r.string is None and abs(off_cents(r, hz)) < 30.0 for _, r in got)


@pytest.mark.parametrize("hz", [554.4, 740.0, 1108.7])
def test_synthetic_notes_above_all_strings(hz: float) -> None:
    pluck = Pluck(hz, 5e-5, 0.8)
    got = readings(noisy(pluck.samples(1.0, RATE), 35, np.random.default_rng(1)), strings=[(1, 293.0)])
    assert all(r.string is None and abs(off_cents(r, pluck.first_hz)) < 5.0 for _, r in got)


def test_plucks_are_counted() -> None:
    rng = np.random.default_rng(3)
    sound = np.concatenate([Pluck(hz, 5e-5, 0.4).samples(1.0, RATE) for hz in (146.0, 184.2, 131.0)])
    got = readings(noisy(sound, 35, rng))
    for number in range(3):
        inside = {r.pluck for at, r in got if number + 0.03 < at < number + 1.0}
        assert inside == {number + 1}
