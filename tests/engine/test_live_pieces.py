"""TableSwitch that belong to pieces, the drone's switch, and a reference that is found anew."""

from __future__ import annotations

import math

import pytest
from support.obedient import ObedientSynth

from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.controls import Action, ControlReader, Controls, parse_foot
from bridge.engine.play.performance import Performance
from bridge.engine.play.tables import PlayTable, TableSwitch
from bridge.errors import MethodProblem, ValueProblem
from bridge.store.profiles import load_profile

FULL = load_profile("full-midi-tuning")
EQUAL = tuple(440.0 * 2 ** ((key - 69) / 12) for key in range(128))


def choice(cents: float) -> PlayTable:
    """A table that lies so many cents above equal temperament at A440."""
    hz = tuple(value * 2 ** (cents / 1200) for value in EQUAL)
    return PlayTable(f"{cents:g} cents up", hz, hz, 2)


def make(method: str = "note") -> tuple[Performance, ObedientSynth]:
    """Three pieces: of two sections, of one, of three."""
    switch = TableSwitch([choice(number) for number in range(1, 7)], starts=(1, 3, 4))
    performance = Performance(
        MtsLiveEngine(FULL, switch.table(), method), switch, ControlReader(Controls(programs="piece"))
    )
    synth = ObedientSynth()
    for _, data in performance.start(0.0):
        synth.feed(data)
    return performance, synth


def act(performance: Performance, name: str, number: float = 0) -> tuple[int, int]:
    """Do something; return the piece and the table that hold then."""
    performance.act(Action(name, number), 1.0)
    return performance.switch.piece, performance.switch.number


def test_next_goes_through_sections_and_pieces_and_stops_at_the_end() -> None:
    performance, _ = make()
    steps = [act(performance, "next") for _ in range(6)]
    assert steps == [(1, 2), (2, 3), (3, 4), (3, 5), (3, 6), (3, 6)]
    assert performance.notices == ["that was the last one"]
    assert [act(performance, "previous") for _ in range(6)][-1] == (1, 1)
    assert performance.notices[-1] == "that was the first one"


def test_whole_pieces_begin_at_their_beginning() -> None:
    performance, _ = make()
    assert act(performance, "piece", 3) == (3, 4)
    act(performance, "next")
    assert act(performance, "previous-piece") == (2, 3)
    assert act(performance, "next-piece") == (3, 4)
    assert act(performance, "next-piece") == (3, 4)
    assert act(performance, "piece", 4) == (3, 4)
    assert performance.notices == ["that was the last one", "there is no piece 4: there are 3"]


def test_a_program_change_on_the_control_channel_chooses_a_piece() -> None:
    performance, _ = make()
    performance.feed(bytes((0xCF, 2)), 1.0)
    assert (performance.switch.piece, performance.switch.number) == (3, 4)


def test_without_pieces_every_table_is_one() -> None:
    switch = TableSwitch([choice(1), choice(2)])
    assert switch.select_piece(2)
    assert switch.piece == 2
    assert switch.step_piece(1)
    assert switch.number == 1


@pytest.mark.parametrize("starts", [(2, 3), (1, 1), (1, 7), (1, 3, 2)])
def test_pieces_rise_from_the_first_table(starts: tuple[int, ...]) -> None:
    with pytest.raises(ValueProblem, match="pieces that begin at tables"):
        TableSwitch([choice(number) for number in range(6)], starts=starts)


def test_a_foot_and_a_program_can_do_what_keys_can() -> None:
    assert parse_foot("80=next-piece") == (80, Action("next-piece"))
    assert parse_foot("81=drone") == (81, Action("drone"))
    with pytest.raises(ValueProblem, match="program changes cannot choose 'slot'"):
        Controls(programs="slot")  # type: ignore[arg-type]


def test_the_drone_has_a_switch_and_panic_turns_it_off() -> None:
    performance, _ = make()
    for name, state in (
        ("drone", (True, False)),
        ("hush", (True, True)),
        ("unhush", (True, False)),
        ("drone", (False, False)),
        ("unhush", (False, False)),
        ("drone", (True, False)),
    ):
        version = performance.version
        assert performance.act(Action(name), 1.0) == []
        assert (performance.drone, performance.hushed) == state
        assert performance.version > version
    performance.act(Action("hush"), 2.0)
    performance.act(Action("panic"), 2.0)
    performance.act(Action("unhush"), 2.0)
    assert not performance.drone, "panic while it is hushed lasts"


def test_a_new_reference_moves_every_table_and_what_sounds_and_ends_the_trim() -> None:
    performance, synth = make()
    act(performance, "table", 5)
    act(performance, "trim", 3.0)
    for _, data in performance.feed(bytes((0x90, 62, 100)), 1.0):
        synth.feed(data)
    for _, data in performance.renew([choice(number + 10.0) for number in range(1, 7)], (), 2.0):
        synth.feed(data)
    assert (performance.switch.number, performance.switch.trim_cents) == (5, 0.0)
    assert synth.pitch(0, 62) == pytest.approx(62.15, abs=1e-4)
    performance.act(Action("table", 1), 3.0)
    assert math.log2(performance.switch.table()[69] / 440.0) * 1200 == pytest.approx(11.0)


def test_tables_that_cannot_be_are_refused_whole() -> None:
    performance, _ = make("octave")
    act(performance, "trim", 2.0)
    pinned = list(EQUAL)
    pinned[64] *= 1.01
    bad = PlayTable("pinned", tuple(pinned), EQUAL, 2)
    before = performance.switch.table()
    with pytest.raises(MethodProblem, match="does not repeat at the octave"):
        performance.renew([bad] * 6, (), 1.0)
    assert performance.switch.table() == before
    with pytest.raises(ValueProblem, match="as many as before"):
        performance.renew([choice(1)], (), 1.0)
    assert performance.switch.table() == before
