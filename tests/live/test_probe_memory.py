"""With a port on which the synth answers, tunings that are overwritten come back."""

from __future__ import annotations

import pytest
from support.fake_ports import Desk, FakeSystem, Keyboard
from support.probed import ProbedSynth

from bridge.engine.probe.messages import Place
from bridge.live.probe.examine import Prober, examine
from bridge.live.probe.seat import Memory, Seat
from bridge.sound.listening.probe_ear import Ear
from bridge.wire import mts

OWN_CENTS = {60: 14.0, 69: -22.0}


class Answering(ProbedSynth):
    """A synth whose answers come in on a keyboard's port, at once."""

    def __init__(self, port: Keyboard, answers: bool = True) -> None:
        super().__init__()
        self._port = port
        self._answers = answers
        pairs = tuple((key, round((key + cents / 100) * 16384)) for key, cents in OWN_CENTS.items())
        self.instrument.feed(mts.encode(mts.NoteTuning(0x7F, 0, pairs)))
        self.instrument.block(480)
        self.received.clear()

    def emit(self, data: bytes) -> None:
        super().emit(data)
        if data[0] == 0xF0 and self._answers:
            self.instrument.block(1)
            for answer in self.instrument.receiver.replies():  # type: ignore[attr-defined]
                self._port.play(answer)


def off_cents(synth: ProbedSynth, key: int) -> float:
    from math import log2

    synth.instrument.block(480)
    hz = synth.instrument.receiver.hz(1, key)  # type: ignore[attr-defined]
    return float(1200 * log2(hz / (440.0 * 2 ** ((key - 69) / 12))))


@pytest.mark.parametrize("answers", [True, False])
def test_a_tuning_of_the_synths_own_is_put_back_if_it_tells(answers: bool) -> None:
    desk = Desk()
    port = desk.keyboard("synth out")
    synth = Answering(port, answers)
    memory = Memory(FakeSystem(desk), "synth out")
    ear = Ear(synth)
    seat = Seat(synth, ear.skip)
    assert off_cents(synth, 69) == pytest.approx(-22.0, abs=0.01)
    kept = memory.ask(seat, 0x7F, 0.01)
    assert bool(kept) == answers
    seat.keep(kept)
    found = examine(Prober(seat, ear, Place()), Place(), lambda _label, _done: None)
    seat.leave()
    memory.close()
    # The note that is examined begins 22 cents flat; shifts count from there, so tunings seem to move it less.
    assert found.verdict("bend") == "now"
    for key, own in OWN_CENTS.items():
        assert off_cents(synth, key) == pytest.approx(own if answers else 0.0, abs=0.01)


def test_an_answer_that_is_none_is_passed_over() -> None:
    desk = Desk()
    port = desk.keyboard("synth out")
    memory = Memory(FakeSystem(desk), "synth out")
    port.play(b"\xf0\x7e\x00\x08\x01\xf7")
    port.play(b"\x90\x45\x40")
    synth = ProbedSynth()
    seat = Seat(synth, lambda _s: None)
    assert memory.ask(seat, 0x7F, 0.01) == ()
    asked = [data for data in synth.received if data[0] == 0xF0]
    assert asked == [
        bytes.fromhex("f07e7f080000f7"),
        bytes.fromhex("f07e7f080001f7"),
        bytes.fromhex("f07e7f08030100f7"),
    ]
    seat.leave()
    memory.close()
