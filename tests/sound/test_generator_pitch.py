"""The tone generator's pitch, measured in its sound, under every method and every way of saying it.

Bytes are written out by hand here, from the layouts in the MIDI 1.0 Detailed Specification ("MIDI Tuning"), CA-020,
CA-021, CA-025 and the MPE specification, and the expected frequency follows from the formulas printed there; nothing
of the project computes either. Sounds are measured by least squares (`support.measure`), to far better than the 0.001
cents that are claimed.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray
from support import measure

from bridge.sound.generator.synth import Generator

RATE = 16_000
CLAIM_CENTS = 0.001
ORGAN, GUITAR = 19, 25


def hz_of(semitones: float) -> float:
    """Frequency of a pitch in semitones above key 0, A4 (69) = 440 Hz (ISO 16)."""
    return 440.0 * 2.0 ** ((semitones - 69.0) / 12.0)


def sysex(*body: int | bytes) -> bytes:
    return b"\xf0" + b"".join(bytes((part,)) if isinstance(part, int) else part for part in body) + b"\xf7"


def rpn(channel: int, lsb: int, *data: tuple[int, int]) -> bytes:
    status = 0xB0 | channel - 1
    return bytes((status, 101, 0, status, 100, lsb)) + b"".join(bytes((status, *pair)) for pair in data)


def select(channel: int, bank: int, program: int) -> bytes:
    return rpn(channel, 4, (6, bank)) + rpn(channel, 3, (6, program))


def xyz(semitones: float) -> tuple[bytes, float]:
    """Frequency data nearest to a pitch, and the pitch that it really says."""
    number = round(semitones * 16384)
    return bytes((number >> 14, number >> 7 & 127, number & 127)), number / 16384


def dump_of(pitches: Sequence[float], program: int, bank: int | None) -> bytes:
    head = bytes((8, 1, program)) if bank is None else bytes((8, 4, bank, program))
    body = b"\x7e\x7f" + head + b"a just chord    " + b"".join(xyz(pitch)[0] for pitch in pitches)
    check = 0
    for byte in body:
        check ^= byte
    return b"\xf0" + body + bytes((check & 0x7F,)) + b"\xf7"


def play(*parts: bytes, seconds: float = 2.4, rate: int = RATE, program: int = ORGAN) -> NDArray[np.float32]:
    """The sound from 0.3 s after the bytes, all channels on one program."""
    generator = Generator(rate)
    for channel in range(16):
        generator.feed(bytes((0xC0 | channel, program)))
    for part in parts:
        generator.feed(part)
    return generator.block(round(seconds * rate))[round(0.3 * rate) :]


def assert_sounds(sound: NDArray[np.float32], wanted_hz: float, rate: int = RATE) -> None:
    off = measure.cents(measure.tone_hz(sound, rate, wanted_hz, within_cents=40), wanted_hz)
    assert abs(off) <= CLAIM_CENTS, f"{off:+.5f} cents from {wanted_hz:.4f} Hz"


@pytest.mark.parametrize("program", [0, 19, 25, 33, 48, 61, 73, 89, 105, 112])
def test_every_kind_of_voice_sounds_its_key_in_equal_temperament(program: int) -> None:
    assert_sounds(play(bytes((0x90, 69, 100)), program=program), 440.0)


@pytest.mark.parametrize("key", [28, 38, 50, 60, 74, 93, 108])
@pytest.mark.parametrize("rate", [16_000, 44_100, 48_000])
def test_keys_from_bottom_to_top_at_several_sample_rates(key: int, rate: int) -> None:
    assert_sounds(play(bytes((0x90, key, 100)), rate=rate), hz_of(key), rate)


# Source: MIDI 1.0 Detailed Specification, table of frequency data, with its errata corrected by the standard's own
# formula; rows within the range of hearing.
@pytest.mark.parametrize(
    ("data", "hz"),
    [("3C 00 00", 261.6256), ("3D 00 00", 277.1826), ("44 7F 7F", 439.9984), ("45 00 00", 440.0)],
)
def test_the_specifications_own_frequency_examples(data: str, hz: float) -> None:
    sound = play(sysex(0x7F, 0x7F, 8, 2, 0, 1, 62, bytes.fromhex(data)), bytes((0x90, 62, 100)))
    assert measure.tone_hz(sound, RATE, hz) == pytest.approx(hz, abs=0.00006)


def test_single_note_tuning_on_a_selected_program() -> None:
    data, pitch = xyz(62.1370)
    sound = play(
        select(3, 0, 7), sysex(0x7F, 0x7F, 8, 2, 7, 2, 62, data, 69, xyz(68.9)[0]), bytes((0x92, 62, 100))
    )
    assert_sounds(sound, hz_of(pitch))


@pytest.mark.parametrize("header", [0x7F, 0x7E])
def test_single_note_tuning_with_bank(header: int) -> None:
    data, pitch = xyz(65.8631)
    sound = play(sysex(header, 0x7F, 8, 7, 5, 9, 1, 66, data), select(2, 5, 9), bytes((0x91, 66, 100)))
    assert_sounds(sound, hz_of(pitch))


@pytest.mark.parametrize("bank", [None, 0, 3])
def test_bulk_dump(bank: int | None) -> None:
    pitches = [key + 0.07 * ((key * 5) % 12 - 6) / 6 for key in range(128)]
    pitches[0] = 0.0
    sound = play(dump_of(pitches, 11, bank), select(1, bank or 0, 11), bytes((0x90, 57, 100)))
    assert_sounds(sound, hz_of(xyz(pitches[57])[1]))


@pytest.mark.parametrize("header", [0x7F, 0x7E])
def test_scale_octave_tuning_of_one_byte(header: int) -> None:
    offsets = bytes(64 + (pc * 7) % 23 - 11 for pc in range(12))
    sound = play(
        sysex(header, 0x7F, 8, 8, 0, 0, 0b0000100, offsets),  # channel 3
        bytes((0x92, 66, 100)),
    )
    assert_sounds(sound, hz_of(66 + ((6 * 7) % 23 - 11) / 100))


@pytest.mark.parametrize("header", [0x7F, 0x7E])
def test_scale_octave_tuning_of_two_bytes(header: int) -> None:
    raw = [8192 + (pc - 5) * 611 for pc in range(12)]
    offsets = b"".join(bytes((value >> 7, value & 127)) for value in raw)
    sound = play(
        sysex(header, 0x7F, 8, 9, 0b01, 0, 0, offsets),  # channel 15
        bytes((0x9E, 64, 100)),
    )
    assert_sounds(sound, hz_of(64 + (4 - 5) * 611 / 8192))


@pytest.mark.parametrize("form", [5, 6])
def test_scale_octave_dump_selected_by_rpn(form: int) -> None:
    if form == 5:
        offsets, semitones = bytes(64 + pc - 9 for pc in range(12)), -2 / 100
    else:
        offsets = b"".join(
            bytes((value >> 7, value & 127)) for value in (8192 + 300 * pc for pc in range(12))
        )
        semitones = 300 * 7 / 8192
    body = b"\x7e\x7f" + bytes((8, form, 2, 6)) + b"octave          " + offsets
    check = 0
    for byte in body:
        check ^= byte
    sound = play(b"\xf0" + body + bytes((check,)) + b"\xf7", select(1, 2, 6), bytes((0x90, 67, 100)))
    assert_sounds(sound, hz_of(67 + semitones))


@pytest.mark.parametrize(
    ("value", "semitones", "cents"), [(0, 2, 0), (16383, 12, 0), (9001, 1, 50), (5000, 24, 0)]
)
def test_pitch_bend_in_the_range_that_rpn_sets(value: int, semitones: int, cents: int) -> None:
    sound = play(
        rpn(1, 0, (6, semitones), (38, cents)),
        bytes((0xE0, value & 127, value >> 7, 0x90, 67, 100)),
    )
    assert_sounds(sound, hz_of(67 + (value - 8192) / 8192 * (semitones + cents / 100)))


@pytest.mark.parametrize("data", [[(6, 80), (38, 33)], [(6, 80), (38, 33), (6, 80)], [(38, 33), (6, 80)]])
def test_fine_tuning_in_whatever_order_its_bytes_come(data: list[tuple[int, int]]) -> None:
    sound = play(rpn(1, 1, *data), bytes((0x90, 60, 100)))
    assert_sounds(sound, hz_of(60 + ((80 << 7 | 33) - 8192) / 8192))


def test_coarse_master_fine_and_master_coarse_tuning_add_up() -> None:
    sound = play(
        rpn(1, 2, (6, 64 - 5)),
        sysex(0x7F, 0x7F, 4, 3, 0x21, 0x4A),
        sysex(0x7F, 0x7F, 4, 4, 0, 64 + 2),
        bytes((0x90, 72, 100)),
    )
    assert_sounds(sound, hz_of(72 - 5 + 2 + ((0x4A << 7 | 0x21) - 8192) / 8192))


def test_bend_fine_tuning_and_tuning_program_add_up() -> None:
    data, pitch = xyz(63.86)
    sound = play(
        sysex(0x7F, 0x7F, 8, 2, 0, 1, 64, data),
        rpn(1, 1, (6, 60), (38, 5)),
        bytes((0xE0, 0x11, 0x46, 0x90, 64, 100)),
    )
    fine = ((60 << 7 | 5) - 8192) / 8192
    bend = ((0x46 << 7 | 0x11) - 8192) / 8192 * 2
    assert_sounds(sound, hz_of(pitch + fine + bend))


@pytest.mark.parametrize(("manager", "member"), [(1, 3), (16, 14)])
def test_mpe_adds_the_managers_bend_to_its_members(manager: int, member: int) -> None:
    member_status, manager_status = 0xE0 | member - 1, 0xE0 | manager - 1
    sound = play(
        rpn(manager, 6, (6, 4)),
        bytes((member_status, 0x31, 0x41, manager_status, 0x00, 0x50)),
        bytes((0x90 | member - 1, 65, 100)),
    )
    of_member = ((0x41 << 7 | 0x31) - 8192) / 8192 * 48
    of_manager = ((0x50 << 7) - 8192) / 8192 * 2
    assert_sounds(sound, hz_of(65 + of_member + of_manager))


def test_mpe_bend_range_set_on_one_member_holds_for_all() -> None:
    sound = play(rpn(1, 6, (6, 5)), rpn(2, 0, (6, 12), (38, 0)), bytes((0xE3, 0x00, 0x60, 0x93, 60, 100)))
    assert_sounds(sound, hz_of(60 + ((0x60 << 7) - 8192) / 8192 * 12))


@pytest.mark.parametrize("program", [ORGAN, GUITAR])
@pytest.mark.parametrize(
    "change",
    [
        sysex(0x7F, 0x7F, 8, 2, 0, 1, 62, xyz(61.72)[0]),
        sysex(0x7F, 0x7F, 8, 7, 0, 0, 1, 62, xyz(61.72)[0]),
        sysex(0x7F, 0x7F, 8, 9, 0, 0, 1, b"\x40\x00" * 2 + b"\x2e\x14" + b"\x40\x00" * 9),
        bytes((0xE0, 0x14, 0x37)),
        rpn(1, 1, (6, 0x2E), (38, 0x14)),
        sysex(0x7F, 0x7F, 4, 3, 0x14, 0x2E),
    ],
    ids=["note", "note with bank", "octave", "bend", "fine tuning", "master tuning"],
)
def test_real_time_changes_move_a_sounding_note_without_a_jump_of_phase(change: bytes, program: int) -> None:
    generator = Generator(RATE)
    generator.feed(bytes((0xC0, program, 0x90, 62, 100)))
    before = generator.block(2 * RATE)
    generator.feed(change)
    after = generator.block(2 * RATE)
    now_hz = hz_of(xyz(61.72)[1])
    if change[0] == 0xE0:
        now_hz = hz_of(62 + ((0x37 << 7 | 0x14) - 8192) / 8192 * 2)
    elif change[1:4] != b"\x7f\x7f\x08" or change[4] == 9:
        now_hz = hz_of(62 + ((0x2E << 7 | 0x14) - 8192) / 8192)
    assert_sounds(before[RATE // 4 :], hz_of(62))
    assert_sounds(after, now_hz)
    # No click: the step over the border is no larger than the steps on either side of it.
    step = float(np.max(np.abs(after[0] - before[-1])))
    around = np.concatenate((before[-400:], after[:400]))
    assert step <= 1.02 * float(np.max(np.abs(np.diff(around[:400], axis=0))))
    # Phase: a tone that keeps its phase is the same tone as one that ran at the new pitch from the border on.
    assert abs(_phase_jump(before[:, 0], after[:, 0], hz_of(62), now_hz)) < 1e-3


def _phase_jump(
    before: NDArray[np.float32], after: NDArray[np.float32], before_hz: float, after_hz: float
) -> float:
    """Difference of the fundamental's phase at the border as seen from either side, in cycles."""
    count = RATE
    weights = np.kaiser(count, 20)

    def phase(sound: NDArray[np.float32], hz: float, first: int) -> float:
        turn = np.exp(-2j * np.pi * hz / RATE * (first + np.arange(count)))
        return float(np.angle(np.sum(sound * weights * turn)) / (2 * np.pi))

    jump = phase(after[:count], after_hz, 0) - phase(before[-count:], before_hz, -count)
    return (jump + 0.5) % 1.0 - 0.5


def test_non_real_time_changes_are_for_later_notes_only() -> None:
    generator = Generator(RATE)
    generator.feed(bytes((0xC0, ORGAN, 0x90, 62, 100)))
    generator.block(RATE // 2)
    data, pitch = xyz(61.5)
    generator.feed(sysex(0x7E, 0x7F, 8, 7, 0, 0, 1, 62, data))
    assert_sounds(generator.block(2 * RATE), hz_of(62))
    generator.feed(bytes((0x80, 62, 0, 0x90, 62, 100)))
    assert_sounds(generator.block(3 * RATE)[RATE:], hz_of(pitch))


def test_a_long_note_does_not_drift() -> None:
    generator = Generator(RATE)
    generator.feed(bytes((0xC0, ORGAN, 0xE0, 0x01, 0x43, 0x90, 57, 100)))
    wanted = hz_of(57 + ((0x43 << 7 | 0x01) - 8192) / 8192 * 2)
    weights = np.kaiser(RATE, 20)
    phases = []
    for second in range(60):
        sound = generator.block(RATE)[:, 0]
        turn = np.exp(-2j * np.pi * ((wanted / RATE * (second * RATE + np.arange(RATE))) % 1.0))
        phases.append(float(np.angle(np.sum(sound * weights * turn)) / (2 * np.pi)))
    drift = np.unwrap(np.array(phases[1:]), period=1.0)
    assert np.ptp(drift) < 1e-5  # cycles in 58 s: less than 1e-6 cents at this pitch


def test_a_just_chord_does_not_beat_and_a_tempered_one_does() -> None:
    # Derived: the fifth partial of D3 and the fourth of F#3 at A440 lie 5.827 Hz apart (tempered), 0 (just).
    chord = bytes((0x90, 50, 100, 0x90, 54, 100))
    just = 50 + 12 * np.log2(5 / 4)
    tempered = play(chord, seconds=6.0)
    pure = play(sysex(0x7F, 0x7F, 8, 2, 0, 1, 54, xyz(just)[0]), chord, seconds=6.0)
    assert measure.beats_per_s(tempered, RATE, hz_of(50) * 5) == pytest.approx(5.827, abs=0.005)
    with pytest.raises(measure.NoTone, match="steady"):
        measure.beats_per_s(pure, RATE, hz_of(50) * 5)


@pytest.mark.parametrize("program", [ORGAN, 48, 73])
def test_a_held_tone_is_free_of_vibrato_and_tremolo(program: int) -> None:
    sound = play(bytes((0x90, 62, 100)), seconds=4.0, program=program)
    for partial in range(1, 7):
        with pytest.raises(measure.NoTone, match="steady"):
            measure.beats_per_s(sound, RATE, partial * hz_of(62))


def test_partials_are_whole_multiples_and_strong_enough_to_beat() -> None:
    for program in (0, ORGAN, 25, 33, 48, 61, 65, 73, 81, 89, 105):
        sound = play(bytes((0x90, 50, 100)), program=program)
        first = measure.amplitude(sound, RATE, hz_of(50))
        for partial in range(2, 7):
            hz = measure.tone_hz(sound, RATE, partial * hz_of(50))
            assert abs(measure.cents(hz, partial * hz_of(50))) < 0.002
            assert measure.amplitude(sound, RATE, hz) > 0.01 * first


@pytest.mark.parametrize("key", [96, 108, 120, 127])
def test_high_keys_do_not_fold_back(key: int) -> None:
    rate = 44_100
    sound = play(bytes((0x90, key, 127)), rate=rate).mean(axis=1)
    weights = np.kaiser(len(sound), 20)
    spectrum = np.abs(np.fft.rfft(sound * weights))
    hz = np.fft.rfftfreq(len(sound), 1 / rate)
    near = np.abs(hz / hz_of(key) - np.round(hz / hz_of(key))) * hz_of(key) < 20
    assert spectrum[~near].max() < 1e-3 * spectrum.max()  # −60 dB


def test_a_glide_over_four_octaves_stays_in_tune_and_does_not_fold_back() -> None:
    rate = 44_100
    generator = Generator(rate)
    generator.feed(bytes((0xC0, 80)) + rpn(1, 0, (6, 48), (38, 0)) + bytes((0x90, 60, 100)))
    worst = 0.0
    values = range(8192, 16384, 64)
    for value in values:
        generator.feed(bytes((0xE0, value & 127, value >> 7)))
        sound = generator.block(400)
        worst = max(worst, float(np.max(np.abs(np.diff(sound[:, 0])))))
    sound = generator.block(2 * rate)
    assert_sounds(sound, hz_of(60 + (values[-1] - 8192) / 8192 * 48), rate)
    mono = sound.mean(axis=1)
    spectrum = np.abs(np.fft.rfft(mono * np.kaiser(len(mono), 20)))
    hz = np.fft.rfftfreq(len(mono), 1 / rate)
    tone = hz_of(60 + (values[-1] - 8192) / 8192 * 48)
    near = np.abs(hz / tone - np.round(hz / tone)) * tone < 20
    assert spectrum[~near].max() < 1e-3 * spectrum.max()
    # The steepest step anywhere is that of a tone of this loudness, not of a click.
    assert worst < 0.1


def test_pitches_beyond_half_the_sample_rate_are_silent_and_come_back() -> None:
    generator = Generator(8000)
    generator.feed(bytes((0xC0, ORGAN, 0x90, 115, 127)))  # 6271 Hz
    assert not generator.block(8000).any()
    generator.feed(rpn(1, 2, (6, 64 - 24)))
    assert_sounds(generator.block(16_000), hz_of(91), 8000)
