"""A player answers instead of a sound input: honest players get the truth, others get *unknown*."""

from __future__ import annotations

import io
from collections.abc import Callable

import pytest
from support.probed import is_rpn

from bridge.engine.probe.course import Findings
from bridge.engine.probe.messages import Place
from bridge.engine.probe.profile import profile_of, unknowns
from bridge.errors import InputProblem, MethodProblem
from bridge.live.probe.ask import Asker, ask_musician
from bridge.live.probe.seat import Seat
from bridge.ports.base import OutPort
from bridge.sound.generator.receiver import Receiver

HEARS_CENTS = 15.0
"""A smaller difference of two notes is not heard for sure."""


class Listened(OutPort):
    """A receiver that obeys everything, or less, and remembers with what pitch each note began and ended."""

    name = "listened"

    def __init__(self, change: Callable[[bytes], bytes | None] = lambda data: data) -> None:
        self.receiver = Receiver()
        self.notes: list[list[float]] = []
        self._change = change

    def emit(self, data: bytes) -> None:
        if data[0] & 0xF0 == 0x80:
            self.notes[-1].append(self.receiver.sounding()[0].hz)
        told = self._change(data)
        if told is not None:
            self.receiver.message(told)
        if data[0] & 0xF0 == 0x90:
            self.notes.append([self.receiver.sounding()[0].hz])

    def close(self) -> None:
        self.closed = True


class Player(io.StringIO):
    """Someone who listens and answers, line by line."""

    def __init__(self, port: Listened, answers: Callable[[str, int], str] = lambda right, _: right) -> None:
        super().__init__()
        self.port = port
        self.answers = answers
        self.asked: list[str] = []
        self.given = 0

    def readline(self, _size: int = -1, /) -> str:
        first, last = (
            self.port.notes[-1]
            if "middle" in self.asked[-1]
            else (self.port.notes[-2][1], self.port.notes[-1][0])
        )
        ratio = last / first
        step = 2 ** (HEARS_CENTS / 1200)
        right = "l" if ratio < 1 / step else "h" if ratio > step else "s"
        self.given += 1
        return self.answers(right, self.given) + "\n"


def asked(
    port: Listened, answers: Callable[[str, int], str] = lambda right, _: right
) -> tuple[Findings, Player]:
    """Let a player answer all questions."""
    player = Player(port, answers)
    seat = Seat(port, lambda _s: None)
    place = Place()
    try:
        found = ask_musician(Asker(seat, place, player, player.asked.append), place, lambda _text: None)
    finally:
        seat.leave()
    assert port.receiver.sounding() == []
    assert abs(port.receiver.hz(1, 69) - 440.0) < 1e-9
    assert port.closed
    return found, player


def test_an_honest_player_finds_what_a_whole_synth_obeys() -> None:
    found, player = asked(Listened())
    heard = {name: row.verdict for name, row in found.rows.items()}
    assert heard == {
        "note-unselected": "now",
        "note": "now",
        "dump": "new",
        "select-program": "now",
        "octave-2": "now",
        "octave-shared": "ignored",
        "master-fine": "now",
        "channel-fine": "now",
        "bend": "now",
        "bend-range": "now",
        "mpe": "now",
    }
    assert player.given < 30
    profile = profile_of(found, "x", "x", "answered by ear")
    assert profile.methods == ("note", "octave", "dump", "bend", "mpe")
    assert profile.sounding == {"note", "octave", "bend", "mpe"}
    assert profile.bend_range_max_semitones == 12  # no more was heard to be obeyed
    assert (profile.rounding, profile.bend_scale) == ("none", 1.0)
    assert any("by ear" in quirk for quirk in profile.quirks)
    assert any("how exact bends are" in text for text in unknowns(found))
    assert any("which channels" in text for text in unknowns(found))


def test_an_honest_player_finds_what_is_ignored() -> None:
    found, _ = asked(Listened(lambda data: None if is_rpn(data) or data[0] == 0xF0 else data))
    assert {name for name, row in found.rows.items() if row.verdict != "ignored"} == {"bend"}
    assert profile_of(found, "x", "x", "answered").methods == ("bend",)


def test_octave_tables_shared_by_all_channels_are_heard() -> None:
    def change(data: bytes) -> bytes:
        if data[:2] == b"\xf0\x7f" and data[3:5] == b"\x08\x09":
            return data[:5] + b"\x03\x7f\x7f" + data[8:]  # for all channels, whatever was said
        return data

    found, _ = asked(Listened(change))
    assert found.obeyed("octave-shared")
    assert profile_of(found, "x", "x", "answered").octave_shared


@pytest.mark.parametrize("always", ["l", "h", "s", "u"])
def test_a_player_who_does_not_listen_learns_nothing(always: str) -> None:
    found, _ = asked(Listened(), lambda _right, _number: always)
    assert {row.verdict for row in found.rows.values()} == {"unknown"}
    with pytest.raises(MethodProblem, match="no method is known"):
        profile_of(found, "x", "x", "answered")


def test_one_difference_heard_where_none_is_makes_all_unknown() -> None:
    """The last question is a control, too: what came before is not believed any more."""
    _, honest = asked(Listened())
    found, player = asked(Listened(), lambda right, number: "l" if number == honest.given else right)
    assert player.given == honest.given
    assert {row.verdict for row in found.rows.values()} == {"unknown"}
    assert {row.remark for row in found.rows.values()} == {"a difference was heard where there was none"}


def test_not_being_sure_is_asked_again_and_then_unknown() -> None:
    found, _ = asked(Listened(), lambda right, number: "u" if number == 3 else right)
    assert found.verdict("note-unselected") == "now"
    found, _ = asked(Listened(), lambda right, number: "unsure" if number in (3, 4) else right)
    assert found.verdict("note-unselected") == "unknown"
    assert found.verdict("note") == "now"


def test_it_is_played_again_when_asked_and_nonsense_is_not_an_answer() -> None:
    port = Listened()
    script = {1: "r", 2: "what", 3: "lower"}
    found, player = asked(
        port, lambda right, number: script.get(number, {"l": "yes", "s": "no", "h": "higher"}[right])
    )
    assert found.verdict("note") == "now"
    assert any("'what' is no answer" in line for line in player.asked)


def test_answers_that_end_too_early_leave_the_synth_put_back() -> None:
    port = Listened()
    seat = Seat(port, lambda _s: None)
    with pytest.raises(InputProblem, match="the answers ended before"):
        ask_musician(
            Asker(seat, Place(), io.StringIO("l\ns\n"), lambda _line: None), Place(), lambda _text: None
        )
    seat.leave()
    assert port.receiver.sounding() == []
    assert port.closed
