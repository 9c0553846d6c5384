"""The tone generator's sound: silence when it should be silent, no clicks, no clipping, the same on every run."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.sound.generator.limiter import Limiter
from bridge.sound.generator.oscillators import Oscillators
from bridge.sound.generator.synth import MAX_NOTES, Generator, drums
from bridge.sound.generator.voices import voice_for
from bridge.sound.generator.wavetables import WaveBank

RATE = 16_000
ORGAN, GUITAR, PAD = 19, 25, 89


def on(key: int, channel: int = 1, velocity: int = 100) -> bytes:
    return bytes((0x90 | channel - 1, key, velocity))


def off(key: int, channel: int = 1) -> bytes:
    return bytes((0x80 | channel - 1, key, 0))


def cc(number: int, value: int, channel: int = 1) -> bytes:
    return bytes((0xB0 | channel - 1, number, value))


def program(number: int, channel: int = 1) -> bytes:
    return bytes((0xC0 | channel - 1, number))


def rms(sound: NDArray[np.float32]) -> float:
    return float(np.sqrt(np.mean(np.square(sound, dtype=np.float64))))


def largest_step(sound: NDArray[np.float32]) -> float:
    return float(np.max(np.abs(np.diff(sound, axis=0))))


@pytest.mark.parametrize("number", [0, 9, ORGAN, GUITAR, 33, 48, 53, 61, 65, 73, 81, PAD, 105])
def test_silence_before_the_first_note_and_soon_after_the_last(number: int) -> None:
    generator = Generator(RATE)
    assert not generator.block(1000).any()
    generator.feed(program(number) + on(50) + on(62) + on(81))
    assert rms(generator.block(RATE)) > 0.005
    generator.feed(off(50) + off(62) + off(81))
    generator.block(4 * RATE)
    assert not generator.block(RATE).any()
    assert generator.silent
    assert generator.receiver.channels[1].notes == []


@pytest.mark.parametrize("number", range(0, 128, 3))
def test_held_voices_hold_and_plucked_ones_die_away(number: int) -> None:
    generator = Generator(RATE)
    generator.feed(program(number) + on(60))
    early = rms(generator.block(RATE)[RATE // 2 :])
    generator.block(4 * RATE)
    late = rms(generator.block(RATE))
    if any(math.isinf(layer.t60_s) for layer in voice_for(number).layers):  # it holds as long as the key
        assert late == pytest.approx(early, rel=0.1)
    else:
        assert late < 0.5 * early


def test_a_plucked_note_ends_by_itself_though_the_key_stays_down() -> None:
    generator = Generator(RATE)
    generator.feed(program(GUITAR) + on(76))
    generator.block(12 * RATE)
    assert not generator.block(RATE).any()
    assert generator.note_count == 0
    generator.feed(off(76))
    assert not generator.block(RATE).any()


@pytest.mark.parametrize("message", [cc(120, 0), bytes.fromhex("F0 7E 7F 09 01 F7"), b"\xff"])
def test_all_sound_off_and_resets_are_quick_but_do_not_click(message: bytes) -> None:
    generator = Generator(RATE)
    generator.feed(program(PAD) + cc(64, 127) + on(45) + on(52) + on(61))
    steady = largest_step(generator.block(2 * RATE)[RATE:])
    generator.feed(message)
    assert largest_step(generator.block(400)) <= 1.1 * steady
    assert not generator.block(RATE).any()


@pytest.mark.parametrize("number", [ORGAN, GUITAR, PAD, 33])
def test_notes_begin_and_end_without_a_click(number: int) -> None:
    # The claim is about clicks, not loudness: no step exceeds what the steadily sounding tone itself makes, but for
    # the bright beginning of a pluck.
    generator = Generator(44_100)
    generator.feed(program(number) + on(40))
    begin = generator.block(44_100)
    generator.feed(off(40))
    end = generator.block(44_100)
    assert abs(float(begin[0, 0])) < 1e-4
    assert float(np.max(np.abs(end[0] - begin[-1]))) <= largest_step(begin[-4410:])
    assert largest_step(end) <= 1.05 * largest_step(begin[-8820:])


def test_changes_of_volume_expression_and_pan_are_smooth() -> None:
    generator = Generator(RATE)
    generator.feed(program(ORGAN) + on(50))
    steady = largest_step(generator.block(RATE)[RATE // 2 :])
    for message in (cc(7, 0), cc(7, 127), cc(11, 20), cc(11, 127), cc(10, 0), cc(10, 127), cc(10, 64)):
        generator.feed(message)
        assert largest_step(generator.block(300)) < 2.5 * steady
    generator.feed(cc(7, 0))
    generator.block(200)
    assert not generator.block(1000).any()


@pytest.mark.parametrize(
    ("pan", "left", "right"), [(0, 1.0, 0.0), (1, 1.0, 0.0), (64, 0.5, 0.5), (127, 0.0, 1.0)]
)
def test_pan_keeps_the_power(pan: int, left: float, right: float) -> None:
    generator = Generator(RATE)
    generator.feed(program(ORGAN) + cc(10, pan) + on(57))
    sound = generator.block(RATE)[RATE // 2 :]
    power = np.mean(np.square(sound, dtype=np.float64), axis=0)
    assert power / power.sum() == pytest.approx([left, right], abs=1e-9)


def test_loudness_follows_velocity_volume_and_soft_pedal() -> None:
    def loudness(*before: bytes, velocity: int = 100) -> float:
        generator = Generator(RATE)
        generator.feed(program(ORGAN) + b"".join(before) + on(57, velocity=velocity))
        return rms(generator.block(RATE)[RATE // 2 :])

    plain = loudness()
    assert loudness(velocity=50) < 0.6 * plain
    assert loudness(velocity=127) > 1.2 * plain
    assert loudness(cc(67, 127)) < 0.8 * plain
    # General MIDI: half the volume value is −12 dB.
    assert loudness(cc(7, 50)) == pytest.approx(0.25 * plain, rel=1e-3)
    assert loudness(cc(11, 0)) == 0.0
    # Master volume 0x2000 of 0x3FFF is half as well.
    assert loudness(bytes.fromhex("F0 7F 7F 04 01 00 40 F7")) == pytest.approx(0.25 * plain, rel=1e-3)


def test_one_note_is_far_from_loud() -> None:
    generator = Generator(RATE)
    generator.feed(program(ORGAN) + cc(7, 127) + on(57, velocity=127))
    assert float(np.max(np.abs(generator.block(RATE)))) < 0.25


def _busy(generator: Generator) -> None:
    for channel, number in ((1, ORGAN), (2, GUITAR), (3, PAD), (4, 33)):
        generator.feed(program(number, channel))
    for step in range(40):
        at = step * 1777
        channel = 1 + step % 4
        generator.feed(on(40 + (step * 7) % 41, channel), at)
        generator.feed(cc(7, 60 + step, channel) + bytes((0xE0 | channel - 1, 0, 64 + step)), at + 311)
        generator.feed(off(40 + (step * 7) % 41, channel), at + 5000)
        generator.feed(on(35 + step % 47, 10), at + 100)


def test_the_sizes_of_blocks_make_no_difference() -> None:
    whole = Generator(RATE)
    _busy(whole)
    pieces = Generator(RATE)
    _busy(pieces)
    sizes = [1, 64, 100, 4097, 13, 2000, 64, 31]
    got = []
    total = 0
    while total < 5 * RATE:
        size = min(sizes[len(got) % len(sizes)], 5 * RATE - total)
        got.append(pieces.block(size))
        total += size
    assert np.concatenate(got) == pytest.approx(whole.block(5 * RATE), abs=2e-6)
    assert whole.position == pieces.position == 5 * RATE


def test_the_same_bytes_sound_the_same_on_every_run() -> None:
    first, second = Generator(RATE), Generator(RATE)
    _busy(first)
    _busy(second)
    assert np.array_equal(first.block(5 * RATE), second.block(5 * RATE))


def test_bytes_take_effect_at_their_sample() -> None:
    generator = Generator(RATE)
    generator.feed(program(105))
    generator.feed(on(72), 1234)
    generator.feed(on(36, 10), 5000)
    sound = generator.block(8000)
    assert not sound[:1235].any()  # the rise begins at nothing, one sample later it is something
    assert sound[1236:1250].any()
    late = Generator(RATE)
    late.block(500)
    late.feed(program(105) + on(72), 100)  # a time that has passed means now
    assert late.block(10).any()


def test_tunings_and_bends_leave_the_drums_alone() -> None:
    def beat(*before: bytes) -> NDArray[np.float32]:
        generator = Generator(RATE)
        for data in before:
            generator.feed(data)
        generator.feed(on(36, 10) + on(38, 10) + on(45, 10))
        return generator.block(RATE)

    plain = beat()
    assert plain.any()
    tuned = beat(
        bytes.fromhex("F0 7F 7F 08 02 00 03 24 30 00 00 26 30 00 00 2D 30 00 00 F7"),
        bytes((0xE9, 0, 96)),
        bytes.fromhex("F0 7F 7F 04 03 00 60 F7"),
    )
    assert np.array_equal(plain, tuned)


def test_drums_end_by_themselves_and_a_closed_hi_hat_stops_an_open_one() -> None:
    generator, alone = Generator(RATE), Generator(RATE)
    generator.feed(on(46, 10))
    assert rms(generator.block(2000)) > 0.001
    alone.block(2000)
    for each in (generator, alone):
        each.feed(on(42, 10))
    ringing = rms(generator.block(300) - alone.block(300))
    assert ringing > 1e-5
    assert np.array_equal(generator.block(3000), alone.block(3000))
    for key in range(128):
        generator.feed(on(key, 10))
    generator.block(3 * RATE)
    assert generator.silent


@pytest.mark.parametrize("key", [0, 35, 36, 38, 42, 46, 49, 56, 75, 81, 127])
def test_every_stroke_begins_and_ends_at_nothing_and_stays_in_range(key: int) -> None:
    sound = drums.stroke(key, 44_100)
    assert 0.05 < np.max(np.abs(sound)) <= 1.0
    assert abs(sound[0]) < 1e-3
    assert abs(sound[-1]) < 1e-3


def test_more_notes_than_there_are_voices_let_the_oldest_go() -> None:
    generator = Generator(RATE)
    generator.feed(program(ORGAN))
    for number in range(3 * MAX_NOTES):
        generator.feed(on(number % 96 + 12, 1 + number % 9))
        generator.block(8)
    assert generator.note_count <= MAX_NOTES
    for channel in range(1, 17):
        generator.feed(cc(123, 0, channel))
    generator.block(2 * RATE)
    assert generator.silent
    assert not generator.block(100).any()


def test_the_limiter_keeps_the_loudest_chord_below_the_ceiling_without_a_click() -> None:
    def chord(ceiling: float | None) -> NDArray[np.float32]:
        generator = Generator(RATE, ceiling=ceiling)
        for channel in range(1, 9):
            generator.feed(program(ORGAN, channel) + cc(7, 127, channel))
            for key in range(40, 88, 4):
                generator.feed(on(key, channel, 127), channel * 500)
        return generator.block(4 * RATE)

    free, limited = chord(None), chord(0.5)
    assert float(np.max(np.abs(free))) > 2.0
    assert float(np.max(np.abs(limited))) <= 0.5
    assert rms(limited[RATE:]) > 0.05
    # The waveform is the same but for a gain that moves slowly: compare it over short stretches.
    delay = Generator(RATE, ceiling=0.5).delay
    for start in range(RATE, 3 * RATE, 1600):
        a, b = (
            free[start : start + 160, 0].astype(float),
            limited[start + delay : start + delay + 160, 0].astype(float),
        )
        gain = float(a @ b / (a @ a))
        assert float(np.max(np.abs(b - gain * a))) < 0.03 * float(np.max(np.abs(b)))


def test_the_limiter_leaves_what_is_below_the_ceiling_untouched() -> None:
    free, limited = Generator(RATE), Generator(RATE, ceiling=0.9)
    _busy(free)
    _busy(limited)
    delay = limited.delay
    sound = np.concatenate([limited.block(size) for size in (64, 1, 5000, 333, 20_000)])
    assert not sound[:delay].any()
    assert sound[delay:] == pytest.approx(free.block(len(sound))[:-delay], abs=2e-6)
    assert limited.reduction == 1.0


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 700), st.floats(0, 8)), min_size=1, max_size=12),
    st.integers(0, 2**32 - 1),
)
def test_nothing_gets_past_the_limiter(blocks: list[tuple[int, float]], seed: int) -> None:
    random = np.random.default_rng(seed)
    limiter = Limiter(RATE, 0.7)
    for frames, loudness in blocks:
        sound = (random.uniform(-1, 1, (frames, 2)) * loudness).astype(np.float32)
        limited = limiter.process(sound)
        assert limited.shape == (frames, 2)
        assert float(np.max(np.abs(limited))) <= 0.7


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.binary(max_size=60), st.integers(0, 300)), max_size=20))
def test_hostile_bytes_make_no_noise_and_no_error(parts: list[tuple[bytes, int]]) -> None:
    generator = Generator(8000, ceiling=0.8)
    for data, frames in parts:
        generator.feed(data)
        sound = generator.block(frames)
        assert np.all(np.isfinite(sound))
        assert float(np.max(np.abs(sound), initial=0.0)) <= 0.8
    generator.feed(b"\xf7" + bytes.fromhex("F0 7E 7F 09 01 F7"))
    generator.block(1000)
    generator.block(generator.delay)
    assert not generator.block(1000).any()


@pytest.mark.parametrize("rate", [0, -1, 7999, 500_000])
def test_sample_rates_out_of_range_are_refused(rate: int) -> None:
    with pytest.raises(ValueProblem, match="allowed: 8000 to 192000"):
        Generator(rate)


def test_strokes_of_which_no_sample_was_made_cost_none() -> None:
    """Of a thousand notes struck in one moment no more sound than the generator has, and none fades beside them."""
    generator = Generator(44100)
    for number in range(3000):
        generator.feed(bytes((0x90, 36 + number % 48, 100)))
        generator.feed(bytes((0x91, 60, 100)))
    generator.block(64)
    assert generator.note_count <= MAX_NOTES
    rows = generator._oscillators.count
    assert rows == sum(len(parts) for parts in generator._parts.values())
    assert sorted(part.row.at for parts in generator._parts.values() for part in parts) == list(range(rows))
    assert generator.block(4410).any()


@pytest.mark.parametrize("step", [220.0 / 48_000, math.pi / 10, 1e-7])
def test_a_tone_is_the_curve_that_its_frequency_says_however_late_and_in_whatever_blocks(step: float) -> None:
    # Straight lines between 2,048 samples miss a sine by (2*pi/2048)**2/8, 1.2e-6; the rest is for 32-bit numbers.
    bank = WaveBank()
    oscillators = Oscillators(48_000, bank)
    oscillators.add(bank.store("sine", np.ones(1)), step, (1.0, 0.5), 0.0, math.inf)
    first = np.angle(
        np.exp(1j * (math.pi / 13 - math.pi / 2))
    )  # what Schroeder's phases give the first partial
    begin = 0
    for frames in (2, 1, 255, 256, 257, 1000, 70_001):
        out = np.zeros((2, frames), dtype=np.float32)
        oscillators.render(out)
        at = begin + np.arange(frames)
        exact = np.cos(2 * np.pi * (step * at) + first)
        rising = at < 1  # its attack is one sample
        assert np.max(np.abs(out[0] - exact)[~rising]) < 2.5e-6
        assert np.array_equal(out[1], 0.5 * out[0])
        begin += frames
