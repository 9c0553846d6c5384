"""An examination that cannot hear clearly says *unknown*, or stops; and whatever ends it, the synth is put back."""

from __future__ import annotations

import signal

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from support.probed import RATE, ProbedSynth

from bridge.engine.probe.course import Findings
from bridge.engine.probe.messages import Place
from bridge.engine.probe.trials import octave_trials, tuning_trials
from bridge.errors import PortProblem
from bridge.live.probe.examine import Prober, examine
from bridge.live.probe.seat import Seat, held_signals
from bridge.sound.generator.synth import Generator
from bridge.sound.listening.probe_ear import Ear

pytestmark = pytest.mark.slow

EQUAL_HZ = 440.0 * 2.0 ** ((np.arange(128) - 69) / 12)


def silently(_label: str, _done: float) -> None:
    """Report nothing."""


def examined(synth: ProbedSynth) -> Findings:
    ear = Ear(synth)
    seat = Seat(synth, ear.skip)
    try:
        return examine(Prober(seat, ear, Place()), Place(), silently)
    finally:
        seat.leave()


def put_back(synth: ProbedSynth) -> None:
    """Check that nothing sounds, and that every key of every channel is in equal temperament again."""
    synth.instrument.block(480)  # what was sent takes effect
    receiver = synth.instrument.receiver  # type: ignore[attr-defined]
    assert receiver.sounding() == []
    for channel in range(1, 17):
        if channel != 10:
            hz = [receiver.hz(channel, key) for key in range(128)]
            assert np.allclose(1200 * np.log2(hz / EQUAL_HZ), 0.0, atol=0.004), channel
        state = receiver.channels[channel]
        assert state.bend == 8192
        assert state.bend_range_semitones == 2
        assert state.expression == 127
    assert synth.closed
    assert synth.received[-1][0] & 0xF0 == 0xB0


@pytest.fixture(scope="module")
def whole_run() -> int:
    """How many messages an examination sends until it leaves."""
    synth = ProbedSynth()
    ear = Ear(synth)
    seat = Seat(synth, ear.skip)
    examine(Prober(seat, ear, Place()), Place(), silently)
    sent = len(synth.received)
    seat.leave()
    put_back(synth)
    assert sent > 500
    return sent


def test_the_last_parameter_is_null() -> None:
    synth = ProbedSynth()
    examined(synth)
    for channel in range(16):
        parameters = [
            data for data in synth.received if data[0] == 0xB0 | channel and data[1] in (6, 38, 100, 101)
        ]
        assert [data[2] for data in parameters[-2:]] in ([], [0x7F, 0x7F])


@pytest.mark.slow
@settings(max_examples=40)
@given(share=st.floats(0.0, 1.0))
def test_it_can_be_interrupted_at_any_message(whole_run: int, share: float) -> None:
    synth = ProbedSynth()
    synth.fails_at = int(share * (whole_run - 1))
    with pytest.raises(KeyboardInterrupt):
        examined(synth)
    put_back(synth)


def test_an_input_that_goes_away_leaves_the_synth_put_back() -> None:
    synth = ProbedSynth()

    def spoil(block: NDArray[np.float64], heard_s: float) -> NDArray[np.float64]:
        if heard_s > 20.0:
            raise PortProblem("the sound input has gone silent")
        return block

    synth.spoil = spoil
    with pytest.raises(PortProblem, match="gone silent"):
        examined(synth)
    put_back(synth)


def test_a_server_that_is_gone_is_not_sent_anything() -> None:
    synth = ProbedSynth()
    seat = Seat(synth, lambda _s: None)
    seat.strike(1, 69)
    sent = len(synth.received)
    seat.gone.set()
    with pytest.raises(PortProblem, match="the MIDI server is gone"):
        seat.send(b"\x80\x45\x40")
    seat.leave()
    assert len(synth.received) == sent
    assert not synth.closed


# ---- what cannot be heard


def test_silence_is_said_and_nothing_is_concluded() -> None:
    synth = ProbedSynth(gain=0.0)
    with pytest.raises(PortProblem, match="the synth is not heard"):
        examined(synth)
    put_back(synth)


def test_noise_that_hides_the_notes_is_said() -> None:
    with pytest.raises(PortProblem, match=r"not heard|cannot be followed|goes on"):
        examined(ProbedSynth(noise_rms=0.08, gain=0.05))


def test_a_room_that_is_loud_is_said() -> None:
    with pytest.raises(PortProblem, match="sound already"):
        examined(ProbedSynth(noise_rms=0.3))


def test_a_note_that_does_not_end_is_said() -> None:
    synth = ProbedSynth(lambda data: None if data[0] & 0xF0 == 0x80 else data)
    with pytest.raises(PortProblem, match="goes on after the test note"):
        examined(synth)


def test_sounds_without_a_pitch_are_said() -> None:
    synth = ProbedSynth()
    random = np.random.default_rng(3)

    def spoil(block: NDArray[np.float64], _heard_s: float) -> NDArray[np.float64]:
        return 3 * float(np.sqrt(np.mean(block**2))) * random.standard_normal(block.size)

    synth.spoil = spoil
    with pytest.raises(PortProblem, match="cannot be followed"):
        examined(synth)


def test_a_pitch_that_wavers_makes_everything_unknown_or_is_said() -> None:
    class Wavering(Generator):
        def block(self, frames: int) -> NDArray[np.float32]:
            self.at = getattr(self, "at", 0) + 1
            bend = 8192 + round(2000 * np.sin(2 * np.pi * 3 * self.at * frames / RATE))
            if self.at > 700:  # past the first look
                for channel in range(16):
                    self.feed(bytes((0xE0 | channel, bend & 0x7F, bend >> 7)))
            return super().block(frames)

    found = examined(ProbedSynth(instrument=Wavering(RATE)))
    known = [name for name, row in found.rows.items() if row.verdict in ("now", "new")]
    assert known == []
    tried = {trial.name for trial in [*tuning_trials(Place(), True), *octave_trials(Place())]}
    assert all(found.rows[name].verdict == "unknown" for name in tried)
    assert {found.rows[name].remark for name in tried} == {"the pitch wavers"}


def _master_scaled(data: bytes, share: float) -> bytes:
    """Master fine tuning that goes only part of the way."""
    value = 8192 + round((data[5] + 128 * data[6] - 8192) * share)
    return data[:5] + bytes((value & 0x7F, value >> 7)) + data[7:]


def is_master(data: bytes) -> bool:
    return data[:5] == bytes.fromhex("f07f7f0403")


def test_a_synth_that_answers_differently_each_time_is_unknown() -> None:
    shares = iter((0.5, 1.0, 0.0))

    def change(data: bytes) -> bytes:
        if is_master(data) and data[5:7] != b"\x00\x40":
            return _master_scaled(data, next(shares))
        return data

    found = examined(ProbedSynth(change))
    row = found.rows["master-fine"]
    assert (row.verdict, row.remark) == ("unknown", "heard differently each time")
    assert found.verdict("note") == "now"


def test_one_bad_hearing_of_three_does_no_harm() -> None:
    shares = iter((0.5, 1.0, 1.0))

    def change(data: bytes) -> bytes:
        if is_master(data) and data[5:7] != b"\x00\x40":
            return _master_scaled(data, next(shares))
        return data

    assert examined(ProbedSynth(change)).verdict("master-fine") == "now"


def test_a_shift_of_another_size_is_unknown_with_what_was_heard() -> None:
    def change(data: bytes) -> bytes:
        return _master_scaled(data, 0.5) if is_master(data) else data

    found = examined(ProbedSynth(change))
    row = found.rows["master-fine"]
    assert row.verdict == "unknown"
    assert row.later_cents == pytest.approx(-30.0, abs=0.1)
    assert "asked for -60 cents, heard -30" in row.remark


# ---- signals


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_interrupts_once_and_never_while_leaving(number: signal.Signals) -> None:
    before = signal.getsignal(number)
    left: list[bool] = []
    with pytest.raises(KeyboardInterrupt):
        _interrupted(number, left)
    assert left == [True]
    assert signal.getsignal(number) == before


def _interrupted(number: signal.Signals, left: list[bool]) -> None:
    with held_signals() as guard:
        try:
            signal.raise_signal(number)
        finally:
            guard.hold()
            signal.raise_signal(number)
            left.append(True)
