"""Live sound without a sound card: what the sound card's thread is given, block by block, with a clock of our own."""

from __future__ import annotations

import threading

import numpy as np
import pytest
from numpy.typing import NDArray
from support import measure

from bridge.errors import ValueProblem
from bridge.sound.device.mixer import QUEUE_MESSAGES, Mixer

RATE = 16_000
BLOCK = 160
ORGAN = b"\xc0\x13"


class Clock:
    """A clock that is moved by hand."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


def ready(ceiling: float = 0.5, clock: Clock | None = None) -> tuple[Mixer, Clock]:
    clock = clock or Clock()
    mixer = Mixer(RATE, ceiling=ceiling, clock=clock)
    mixer.fade(1.0, 0.0)
    fill(mixer, clock, 1)
    return mixer, clock


def fill(mixer: Mixer, clock: Clock, blocks: int, channels: int = 2) -> NDArray[np.float32]:
    """Let the sound card ask for blocks, one every 10 ms of its clock."""
    got = []
    for _ in range(blocks):
        clock.now += BLOCK / RATE
        out = np.full((BLOCK, channels), np.nan, dtype=np.float32)
        mixer.fill(out)
        got.append(out)
    return np.concatenate(got)


def test_what_is_sent_sounds_at_its_pitch_below_the_ceiling() -> None:
    mixer, clock = ready()
    mixer.send(ORGAN + b"\x90\x39\x64")
    sound = fill(mixer, clock, 250)
    assert abs(measure.cents(measure.tone_hz(sound[RATE // 4 :], RATE, 220.0), 220.0)) < 0.001
    assert mixer.peak == pytest.approx(float(np.max(np.abs(sound))))
    assert mixer.note_count == 1


def test_loud_chords_stay_below_the_ceiling() -> None:
    mixer, clock = ready(ceiling=0.3)
    for channel in range(8):
        mixer.send(bytes((0xC0 | channel, 19, 0xB0 | channel, 7, 127)))
        mixer.send(b"".join(bytes((0x90 | channel, key, 127)) for key in range(40, 90, 5)))
    assert float(np.max(np.abs(fill(mixer, clock, 200)))) <= 0.3
    assert mixer.peak <= 0.3
    assert mixer.reduction < 1.0


def test_rhythm_keeps_its_shape_whatever_the_blocks() -> None:
    # Two strokes 117 samples apart, sent anywhere within blocks of 160 samples, sound 117 samples apart.
    first, apart = 34, 117
    mixer, clock = ready()
    clock.now += first / RATE
    mixer.send(b"\x99\x4b\x64")
    clock.now += apart / RATE
    mixer.send(b"\x99\x4b\x64")
    clock.now -= (first + apart) / RATE
    sound = fill(mixer, clock, 30)[:, 0].astype(float)
    alone, clock = ready()
    clock.now += first / RATE
    alone.send(b"\x99\x4b\x64")
    clock.now -= first / RATE
    one = fill(alone, clock, 30)[:, 0].astype(float)
    assert one.any()
    two = one + np.concatenate((np.zeros(apart), one[:-apart]))
    assert sound == pytest.approx(two, abs=1e-6)


def test_order_is_kept_even_if_the_clock_says_otherwise() -> None:
    mixer, clock = ready()
    mixer.send(ORGAN + b"\x90\x3c\x64")
    clock.now -= 0.5
    mixer.send(b"\x80\x3c\x00")
    fill(mixer, clock, 200)
    assert mixer.note_count == 0


def test_sound_swells_up_from_nothing_and_fades_without_a_click() -> None:
    clock = Clock()
    mixer = Mixer(RATE, clock=clock)
    mixer.send(ORGAN + b"\x90\x39\x7f")
    assert not fill(mixer, clock, 50).any()  # nothing comes before it is opened
    mixer.fade(1.0, 1.0)
    sound = fill(mixer, clock, 150)
    loud = [float(np.sqrt(np.mean(np.square(part)))) for part in np.split(sound[: 100 * BLOCK], 10)]
    assert loud == sorted(loud)
    assert loud[0] < 0.02 * loud[-1]
    steady = float(np.max(np.abs(np.diff(sound[-BLOCK * 20 :], axis=0))))
    mixer.fade(0.0, 0.2)
    tail = fill(mixer, clock, 40)
    assert float(np.max(np.abs(np.diff(tail, axis=0)))) <= 1.01 * steady
    assert mixer.faded.is_set()
    assert not tail[-BLOCK:].any()


def test_panic_silences_pedals_and_what_is_waiting_but_keeps_the_tuning() -> None:
    mixer, clock = ready()
    mixer.send(
        bytes.fromhex("F0 7F 7F 08 02 00 01 39 39 40 00 F7") + ORGAN + b"\xb0\x40\x7f\x90\x39\x64\x90\x40\x64"
    )
    assert fill(mixer, clock, 30).any()
    mixer.send(b"\x90\x45\x64")
    mixer.panic()
    fill(mixer, clock, 5)
    assert not fill(mixer, clock, 5).any()
    mixer.send(b"\x90\x39\x64")
    hz = measure.tone_hz(fill(mixer, clock, 250)[RATE // 4 :], RATE, 226.0)
    assert abs(measure.cents(hz, 440.0 * 2 ** ((57.5 - 69) / 12))) < 0.001


def test_a_panic_in_the_middle_of_system_exclusive_is_a_panic() -> None:
    mixer, clock = ready()
    mixer.send(ORGAN + b"\x90\x39\x64\xf0\x7f\x7f\x08\x02\x00\x01\x39\x3c")
    fill(mixer, clock, 20)
    mixer.panic()
    fill(mixer, clock, 5)
    assert not fill(mixer, clock, 5).any()


def test_dump_requests_are_answered() -> None:
    mixer, clock = ready()
    mixer.send(bytes.fromhex("F0 7E 7F 08 00 00 F7"))
    assert mixer.answers() == []
    fill(mixer, clock, 2)
    (answer,) = mixer.answers()
    assert answer[3:5] == b"\x08\x01"
    assert len(answer) == 408
    assert mixer.answers() == []


def test_one_channel_gets_the_mean_and_further_ones_silence() -> None:
    stereo, clock = ready()
    stereo.send(ORGAN + b"\x90\x39\x64\xb0\x0a\x10")
    both = fill(stereo, clock, 50)
    mono, clock = ready()
    mono.send(ORGAN + b"\x90\x39\x64\xb0\x0a\x10")
    assert fill(mono, clock, 50, channels=1)[:, 0] == pytest.approx(both.mean(axis=1), abs=1e-7)
    wide, clock = ready()
    wide.send(ORGAN + b"\x90\x39\x64\xb0\x0a\x10")
    four = fill(wide, clock, 50, channels=4)
    assert four[:, :2] == pytest.approx(both, abs=1e-7)
    assert not four[:, 2:].any()


def test_a_failure_in_the_sound_cards_thread_is_silence_and_is_kept(monkeypatch: pytest.MonkeyPatch) -> None:
    mixer, clock = ready()
    mixer.send(ORGAN + b"\x90\x39\x64")
    assert fill(mixer, clock, 20).any()

    def broken(frames: int) -> NDArray[np.float32]:
        raise RuntimeError("no more sound")

    monkeypatch.setattr(mixer._generator, "block", broken)
    assert not fill(mixer, clock, 3).any()
    assert str(mixer.failure) == "no more sound"
    monkeypatch.undo()
    assert not fill(mixer, clock, 3).any()


def test_a_queue_that_nobody_empties_drops_and_counts() -> None:
    mixer, clock = ready()
    for _ in range(QUEUE_MESSAGES + 7):
        mixer.send(b"\xfe")
    assert mixer.dropped == 7
    fill(mixer, clock, 1)
    mixer.send(b"\x90\x39\x64")
    assert mixer.dropped == 7
    fill(mixer, clock, 2)
    assert mixer.note_count == 1


def test_many_threads_may_send_at_once() -> None:
    mixer, clock = ready()

    def play(channel: int) -> None:
        for step in range(300):
            key = 30 + step % 60
            mixer.send(bytes((0x90 | channel, key, 90)))
            mixer.send(bytes((0x80 | channel, key, 0)))

    threads = [threading.Thread(target=play, args=(channel,)) for channel in range(4)]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        fill(mixer, clock, 1)
    for thread in threads:
        thread.join()
    fill(mixer, clock, 400)
    assert mixer.failure is None
    assert mixer.dropped == 0
    assert mixer.note_count == 0


@pytest.mark.parametrize("ceiling", [0, -0.1, 1.01, float("nan")])
def test_impossible_ceilings_are_refused(ceiling: float) -> None:
    with pytest.raises(ValueProblem, match="at most 1"):
        Mixer(RATE, ceiling=ceiling)


@pytest.mark.parametrize(("to", "seconds"), [(1.5, 1), (-0.1, 1), (1, -1), (float("nan"), 1)])
def test_impossible_fades_are_refused(to: float, seconds: float) -> None:
    with pytest.raises(ValueProblem, match="is impossible"):
        ready()[0].fade(to, seconds)
