"""A MIDI file that is played: halted, taken back a bar, looped, with parts left out, by a clock that the test moves.

Times come from the definition of the file format: at 120 quarters a minute a quarter lasts half a second, and the
tempo map of the file says anything else (Standard MIDI Files 1.0, meta event 51).
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from bridge.engine.play.controls import Action
from bridge.live.backing import Backing, make_backing
from bridge.live.track import BackingPlayer, Played
from bridge.store.smf import Event, MidiFile

QUARTER = 480
BAR = 4 * QUARTER
MELODY, BASS = 0x90, 0x91


def midi(*tracks: list[Event]) -> MidiFile:
    """A file of format 1; each track is ended."""
    made = [sorted(track, key=lambda event: event[0]) for track in tracks]
    return MidiFile(1, QUARTER, [[*track, (track[-1][0], b"\xff\x2f")] for track in made])


def note(tick: int, ticks: int, status: int, key: int) -> list[Event]:
    return [(tick, bytes((status, key, 80))), (tick + ticks, bytes((status & 0x8F, key, 0)))]


def duet(bars: int = 4) -> MidiFile:
    """A melody, a quarter on each beat (60 and up, one key a bar), and a bass that holds each bar (36 and up)."""
    melody: list[Event] = [(0, b"\xff\x03Melody")]
    bass: list[Event] = [(0, b"\xff\x03Bass"), (0, b"\xc1\x20")]
    for bar in range(bars):
        for beat in range(4):
            melody += note(bar * BAR + beat * QUARTER, QUARTER - 10, MELODY, 60 + bar)
        bass += note(bar * BAR, BAR - 10, BASS, 36 + bar)
    return midi(melody, bass)


def backing(count_in: int | None = 0, **said: object) -> Backing:
    return make_backing(duet(), "duet.mid", count_in, **said)  # type: ignore[arg-type]


class Run:
    """A track, and everything that it sent, with when."""

    def __init__(self, track: Backing, **said: object) -> None:
        self.player = BackingPlayer(track, 0.0, **said)  # type: ignore[arg-type]
        self.now_s = 0.0
        self.sent: list[tuple[float, Played]] = []

    def to(self, until_s: float, step_s: float = 0.01) -> None:
        """Turn the clock."""
        while self.now_s < until_s - 1e-9:
            self.sent += self.player.due(self.now_s)
            self.now_s = min(self.now_s + step_s, until_s)
        self.now_s = until_s

    def now(self, sent: list[bytes]) -> list[bytes]:
        """Take what was sent for an action."""
        self.sent += [(self.now_s, data) for data in sent]
        return sent

    def ons(self, status: int, since_s: float = 0.0) -> list[tuple[float, int]]:
        return [
            (round(at_s, 3), data[1])
            for at_s, data in self.sent
            if isinstance(data, bytes) and data[0] == status and data[2] and at_s > since_s - 1e-6
        ]

    def sounding(self) -> set[tuple[int, int]]:
        """What sounds, by channel and key, from what was sent."""
        held: set[tuple[int, int]] = set()
        for _, data in self.sent:
            if isinstance(data, bytes) and data[0] & 0xE0 == 0x80:
                on = data[0] & 0x10 and data[2]
                (held.add if on else held.discard)((data[0] & 15, data[1]))
        return held


def test_parts_are_named_as_a_musician_knows_them() -> None:
    made = backing()
    assert made.parts == ("Melody", "Bass")
    other = midi(
        [(0, b"\xc0\x18"), *note(0, 10, 0x90, 60)],
        note(0, 10, 0x99, 38),
        [(0, b"\xff\x03\xe9tude"), *note(0, 10, 0x92, 60), *note(0, 10, 0x93, 60)],
        [(0, b"\xff\x03no notes")],
    )
    # Program 25 of General MIDI is the nylon guitar, channel 10 drums; a track of two channels names neither.
    names = make_backing(other, "other.mid").parts
    assert names == ("Acoustic Guitar (nylon)", "Drums", "unnamed 1", "unnamed 2")


def test_it_waits_and_goes_on_where_it_was_with_what_sounded() -> None:
    run = Run(backing())
    run.to(2.6)  # bar 2, second beat: key 61 and the bass 37 sound
    off = run.now(run.player.pause(run.now_s))
    assert sorted(data[:2] for data in off) == [b"\x80\x3d", b"\x81\x25"]
    assert run.sounding() == set()
    assert run.player.paused
    run.to(12.6)
    assert run.ons(MELODY)[-1] == (2.5, 61), "nothing comes while it waits"
    assert run.player.position_s(run.now_s) == pytest.approx(2.6)
    run.now(run.player.pause(run.now_s))
    run.to(14.0)
    assert run.ons(BASS, 12.0) == [(12.6, 37)], "the held note sounds again"
    run.to(14.1)
    assert run.ons(MELODY, 12.0) == [(12.6, 61), (13.0, 61), (13.5, 61), (14.0, 62)], (
        "ten seconds later, all of it"
    )


def test_a_bar_back_and_one_more() -> None:
    run = Run(backing())
    run.to(5.2)  # in bar 3
    run.now(run.player.bar_back(run.now_s))
    assert run.sounding() == set()
    run.to(5.3)
    assert run.ons(BASS, 5.2) == [(5.2, 37)], "bar 2 begins at once"
    run.now(run.player.bar_back(run.now_s))
    run.to(5.4)
    assert run.ons(BASS, 5.3) == [(5.3, 36)]
    run.now(run.player.bar_back(run.now_s))
    run.to(7.5)
    assert run.ons(BASS, 5.4) == [(5.4, 36), (7.4, 37)], "nothing lies before bar 1"
    assert run.player.backing.bar_at(run.player.position_s(run.now_s)) == 2


def test_a_bar_back_while_it_waits_moves_the_place_and_sounds_nothing() -> None:
    run = Run(backing())
    run.to(5.2)
    run.now(run.player.pause(run.now_s))
    run.now(run.player.bar_back(run.now_s))
    run.to(6.0)
    assert run.player.paused
    assert run.player.position_s(run.now_s) == 2.0
    run.now(run.player.pause(run.now_s))
    run.to(6.1)
    assert run.ons(BASS, 5.2) == [(6.0, 37)]


def test_in_a_loop_it_goes_back_to_the_first_bar_at_most() -> None:
    run = Run(backing(loop=(2, 3)))
    run.to(0.7)
    run.now(run.player.bar_back(run.now_s))
    run.to(5.0)
    assert run.ons(BASS, 0.7) == [(0.7, 37), (2.7, 38), (4.7, 37)]


def test_a_muted_part_is_let_go_at_once_and_comes_back_with_its_next_note() -> None:
    run = Run(backing())
    run.to(2.6)
    assert run.now(run.player.mute(2)) == [b"\x81\x25\x40"]
    run.to(6.1)
    assert run.ons(BASS) == [(0.0, 36), (2.0, 37)]
    assert len(run.ons(MELODY)) == 13, "the other part goes on"
    assert run.player.muted == (2,)
    ends = [data for _, data in run.sent if isinstance(data, bytes) and data[0] == 0x81]
    assert ends == [b"\x81\x24\x00", b"\x81\x25\x40"], "no note ends twice"
    assert run.now(run.player.mute(2)) == []
    run.to(8.5)
    assert run.ons(BASS, 6.0) == [], "its note had begun already"
    assert run.player.ended
    assert run.sounding() == set()


def test_two_parts_on_one_channel_and_key_are_told_apart() -> None:
    both = midi(
        [(0, b"\xff\x03a"), *note(0, BAR, 0x90, 60)], [(0, b"\xff\x03b"), *note(QUARTER, QUARTER, 0x90, 60)]
    )
    run = Run(make_backing(both, "both.mid"))
    run.now(run.player.mute(2))
    run.to(2.5)
    assert run.ons(0x90) == [(0.0, 60)]
    ends = [(round(at_s, 2), data) for at_s, data in run.sent if isinstance(data, bytes) and data[0] == 0x80]
    assert ends == [(2.0, b"\x80\x3c\x00")], "the end of the muted note does not cut the other one"


def test_halted_while_it_counts_in_it_counts_anew() -> None:
    run = Run(backing(count_in=None))
    assert run.player.count_in(0.0) == 4
    run.to(1.2)
    assert run.player.count_in(1.2) == 2
    assert run.player.position_s(1.2) == 0.0
    run.now(run.player.pause(run.now_s))
    run.to(5.0)
    run.now(run.player.pause(run.now_s))
    run.to(7.1)
    assert [at_s for at_s, _ in run.ons(0x99, 5.0)] == [5.0, 5.5, 6.0, 6.5]
    assert run.ons(MELODY) == [(7.0, 60)]
    assert run.player.count_in(7.1) == 0


def test_silence_halts_it_and_what_sounded_is_forgotten() -> None:
    run = Run(backing())
    run.to(0.7)
    run.now(run.player.halt(run.now_s))
    run.to(3.0)
    run.now(run.player.pause(run.now_s))
    run.to(3.4)
    assert run.ons(BASS) == [(0.0, 36)]
    assert run.ons(MELODY) == [(0.0, 60), (0.5, 60), (3.3, 60)]


def test_an_interrupted_track_goes_on_waiting_and_muted_where_it_was() -> None:
    run = Run(backing(), position_s=2.0, paused=True, muted=(2,))
    run.to(1.0)
    assert run.sent == []
    run.now(run.player.pause(run.now_s))
    run.to(1.6)
    assert run.ons(MELODY) == [(1.0, 61), (1.5, 61)]
    assert run.ons(BASS) == []


def test_tables_come_before_the_notes_of_their_bar_and_wherever_it_jumps() -> None:
    made = Backing(**{**vars(backing(loop=(2, 3))), "tables": ((0.0, 1), (2.0, 2), (4.0, 1))})
    run = Run(made)
    run.to(6.2)
    tables = [
        (round(at_s, 3), data.number, at)
        for at, (at_s, data) in enumerate(run.sent)
        if isinstance(data, Action)
    ]
    # Bar 2 of the loop, its bar 3, and the jump back; the table of a place may be chosen twice.
    assert [(at_s, number) for at_s, number, _ in tables] == [
        (0.0, 2), (0.0, 2), (2.0, 1), (4.0, 2), (4.0, 2), (6.0, 1),
    ]  # fmt: skip
    for at_s, _, at in tables:
        before = [
            data for when_s, data in run.sent[:at] if round(when_s, 3) == at_s and isinstance(data, bytes)
        ]
        assert not [data for data in before if data[0] & 0xF0 == 0x90], "no note begins before its table"
    run.now(run.player.bar_back(run.now_s))
    run.to(6.3)
    assert [one for _, one in run.sent if isinstance(one, Action)][-1] == Action("table", 2)


@pytest.mark.parametrize("tempo", [1.0, 0.8, 1.37])
def test_no_note_drifts_from_the_tempo_map_however_long_it_loops(tempo: float) -> None:
    """Ten thousand tempo changes with periods that no float holds; each note is due when the map says, to 10 µs."""
    count = 10_000
    events: list[Event] = []
    at_s, due_s = Fraction(0), []
    for number in range(count):
        tempo_us = 333_333 + 7 * (number % 31)
        events += [(number * QUARTER, b"\xff\x51" + tempo_us.to_bytes(3, "big"))]
        events += note(number * QUARTER, QUARTER // 2, MELODY, 60 + number % 12)
        due_s.append(float(at_s / Fraction(tempo)))
        at_s += Fraction(tempo_us, 1_000_000)
    made = make_backing(midi(events), "long.mid", tempo=tempo)
    player = BackingPlayer(made, 1000.0)
    found = [when_s - 1000.0 for when_s, data in player.due(10_000.0) if data[0] == MELODY]
    assert len(found) == count
    assert max(abs(one - other) for one, other in zip(found, due_s, strict=True)) < 1e-5
    looped = BackingPlayer(make_backing(midi(events), "long.mid", loop=(2, 3), tempo=tempo), 1000.0)
    span_s = sum(333_333 + 7 * (number % 31) for number in range(4, 12)) / 1e6 / tempo
    turns = [
        when_s - 1000.0 for when_s, data in looped.due(1000.0 + 500.5 * span_s) if data[:2] == b"\x90\x40"
    ]
    assert len(turns) == 501
    assert turns[500] == pytest.approx(500 * span_s, abs=1e-5)


def test_a_file_without_bars_is_not_counted_in(tmp_path: Path) -> None:
    film = MidiFile(0, 0xE728, [[(0, b"\x90\x3c\x40"), (1000, b"\x80\x3c\x00"), (1000, b"\xff\x2f")]])
    made = make_backing(film, "film.mid", None)
    assert made.clicks_s == ()
    assert BackingPlayer(made, 0.0).bar_back(0.5) == []
