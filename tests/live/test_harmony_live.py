"""The harmony followed while somebody plays: from what is asked for, over the pipe, to a synth on paper.

Expected ratios above D in open D: E minor, chord ii, is pure as 10/9, 4/3, 5/3; the strings are D 1/1, F# 5/4, A 3/2
(five-limit just intonation; a comma is 81/80, 21.506 cents).
"""

from __future__ import annotations

import io
import math
import queue
import shutil
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import click
import pytest
from live.test_live_player import Stage
from live.test_live_prepare import ask
from live.test_live_shown import STATE, seen

from bridge.cli.parts.options import take_table
from bridge.cli.play import play_command, prepare_tables
from bridge.engine.play.controls import Action, Controls, parse_foot
from bridge.errors import MethodProblem, StillbeatError, ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.jobs.choose import TableRequest
from bridge.live import frames
from bridge.live.desk.keeper import Keeper
from bridge.live.desk.typed import read_key, read_line
from bridge.live.plan import LivePlan
from bridge.live.player.player import Player
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.live.prepare.follow import LiveFollow
from bridge.live.prepare.keyboard import prepare
from bridge.live.state import Following, Sounding
from bridge.tuning.notes import parse_note

D3_HZ = 146.5
EVENING = Path(__file__).resolve().parents[2] / "examples" / "evening"
COMMA_CENTS = 1200 * math.log2(81 / 80)
FOLLOW = LiveFollow(FollowRequest())
METHODS = {"note": "full-midi-tuning", "octave": "full-midi-tuning", "bend": None, "mpe": "mpe"}


class Playing:
    """Somebody who plays by a plan that has gone over the pipe."""

    def __init__(self, stage: Stage, plan: LivePlan) -> None:
        reader: frames.FrameReader[frames.Begin] = frames.FrameReader(
            io.BytesIO(frames.encode(frames.Begin(plan))), frames.ToPlayer
        )
        begun = reader.read()
        assert begun == frames.Begin(plan)
        self.stage = stage
        stage.plan = replace(begun.plan, out_port="box", state_dir=stage.plan.state_dir)
        self.player: Player = stage.player()
        self.player.tick()

    def strike(self, *names: str) -> None:
        for name in names:
            self.stage.keys.play(bytes((0x90, parse_note(name), 80)))
        self.player.tick()

    def let_go(self, *names: str) -> None:
        for name in names:
            self.stage.keys.play(bytes((0x80, parse_note(name), 0)))
        self.stage.pass_time(self.player, 0.4)

    def cents(self, name: str) -> float:
        """How far a sounding note lies above D3, by the synth."""
        key = parse_note(name)
        (channel,) = {
            data[0] & 15
            for data in self.stage.notes()
            if data[0] & 0xF0 == 0x90 and data[1] == key and data[2]
        } & self.ringing(key)
        return 100 * (self.stage.box.paper.pitch(channel, key) - 69 - 12 * math.log2(D3_HZ / 440))

    def ringing(self, key: int) -> set[int]:
        found: set[int] = set()
        for data in self.stage.notes():
            if data[1] == key:
                (found.add if data[0] & 0xF0 == 0x90 and data[2] else found.discard)(data[0] & 15)
        return found

    def stands(self, name: str, ratio: str) -> None:
        assert self.cents(name) == pytest.approx(1200 * math.log2(Fraction(ratio)), abs=0.06), name


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    one = Stage(tmp_path / "state")
    yield one
    one.leave()


def playing(stage: Stage, method: str = "note", **more: object) -> Playing:
    more.setdefault("follow_harmony", FOLLOW)
    more.setdefault("synth", METHODS[method])
    return Playing(stage, prepare(ask(method=method, **more)).plan)


@pytest.mark.parametrize("method", METHODS)
def test_chord_ii_over_open_d_is_pure_and_the_strings_stay(stage: Stage, method: str) -> None:
    played = playing(stage, method)
    played.strike("D3", "F#3", "A3")
    for name, ratio in (("D3", "1"), ("F#3", "5/4"), ("A3", "3/2")):
        played.stands(name, ratio)
    played.let_go("F#3", "A3")
    played.strike("E4", "G4", "B4")  # D rings on below
    for name, ratio in (("D3", "1"), ("E4", "20/9"), ("G4", "8/3"), ("B4", "10/3")):
        played.stands(name, ratio)
    played.let_go("E4", "G4", "B4")
    played.strike("A3", "E4")  # the string A is held at 3/2: E goes back to 9/4
    played.stands("A3", "3/2")
    played.stands("E4", "9/4")


def test_off_by_foot_is_the_table_again_and_on_by_key_follows(stage: Stage) -> None:
    number, action = parse_foot("66=follow")
    played = playing(stage, controls=Controls(feet={number: action}))
    chord = ("E4", "G4", "B4")
    played.strike(*chord)
    played.stands("E4", "20/9")
    stage.keys.play(bytes((0xB0, 66, 127)), bytes((0xB0, 66, 0)))
    played.stands("E4", "20/9")  # what sounds stays
    following = played.player.state().following
    assert following is not None
    assert not following.on
    played.let_go(*chord)
    played.strike(*chord)
    played.stands("E4", "9/4")
    played.let_go(*chord)
    assert read_key("f") == read_line("follow") == Action("follow")
    played.player.act(Action("follow"))
    played.strike(*chord)
    played.stands("E4", "20/9")
    following = played.player.state().following
    assert following is not None
    assert following.on
    assert following.offsets_cents[4] == pytest.approx(-COMMA_CENTS)


def test_switched_on_under_a_held_note_nothing_that_sounds_moves(stage: Stage) -> None:
    played = playing(stage)
    played.player.act(Action("follow"))
    played.strike("E4")
    played.player.act(Action("follow"))
    played.strike("G4", "B4")
    played.stands("E4", "9/4")
    played.stands("B4", "27/8")  # 27/16, a pure fifth above the E that sounds


def test_without_being_asked_for_the_table_holds_and_the_key_says_why_not(stage: Stage) -> None:
    played = playing(stage, follow_harmony=None)
    played.strike("E4", "G4", "B4")
    played.stands("E4", "9/4")
    played.player.act(Action("follow"))
    played.player.tick()
    assert any("--follow-harmony" in text for _, text in stage.said)


def test_the_chord_may_arrive_within_its_window_and_not_later(stage: Stage) -> None:
    for window_ms, ratio in ((40.0, "20/9"), (0.0, "9/4")):
        played = playing(stage, follow_harmony=LiveFollow(FollowRequest(), window_ms))
        played.strike("E4")
        played.stands("E4", "9/4")
        stage.now_s += 0.03
        played.strike("G4", "B4")
        played.stands("E4", ratio)
        played.player.leave()


def test_a_synth_that_does_not_move_sounding_notes_gets_the_choice_at_the_stroke(stage: Stage) -> None:
    # The 1-byte form of this profile is whole cents: pitches are that exact.
    prepared = prepare(ask(synth="gm2", method="octave", follow_harmony=FOLLOW))
    assert any(
        "does not move notes that sound" in one and "as it is struck" in one for one in prepared.notices
    )
    assert prepared.plan.follow is not None
    assert prepared.plan.follow.window_s == 0.0
    moving = prepare(ask(synth="gm2", method="bend", follow_harmony=FOLLOW))
    assert not any("as it is struck" in one for one in moving.notices)
    assert moving.plan.follow is not None
    assert moving.plan.follow.window_s == 0.04
    played = Playing(stage, prepared.plan)
    played.strike("E4")
    first = played.cents("E4")
    assert first == pytest.approx(1200 * math.log2(9 / 4), abs=1.0)
    stage.now_s += 0.015
    played.strike("G4", "B4")
    assert played.cents("E4") == pytest.approx(first, abs=0.5), "no comma: only what the master tuning rounds"
    played.let_go("E4", "G4", "B4")
    stage.pass_time(played.player, 5.0, 0.5)
    played.strike("G4", "B4", "E4")
    assert played.cents("E4") == pytest.approx(1200 * math.log2(20 / 9), abs=1.0)


def test_a_trim_takes_held_choices_along_and_equal_has_none(stage: Stage) -> None:
    played = playing(stage)
    played.strike("E4", "G4", "B4")
    played.player.act(Action("trim", 2.0))
    assert played.cents("E4") == pytest.approx(1200 * math.log2(20 / 9) + 2.0, abs=0.05)
    played.let_go("E4", "G4", "B4")
    played.player.act(Action("trim", -2.0))
    played.player.act(Action("equal"))
    played.strike("E4", "G4", "B4")
    assert played.cents("E4") == pytest.approx(1400.0, abs=0.05)
    following = played.player.state().following
    assert following is not None
    assert not following.can
    played.let_go("E4", "G4", "B4")
    played.player.act(Action("equal"))
    played.strike("E4", "G4", "B4")
    played.stands("E4", "20/9")


def test_a_trim_moves_no_sounding_note_by_a_comma(stage: Stage) -> None:
    played = playing(stage)
    played.strike("E4")
    stage.pass_time(played.player, 1.0)
    played.strike("G4", "B4")
    played.player.act(Action("trim", 2.0))
    assert played.cents("E4") == pytest.approx(1200 * math.log2(9 / 4) + 2.0, abs=0.05)
    assert played.cents("B4") == pytest.approx(1200 * math.log2(27 / 8) + 2.0, abs=0.05)


def test_another_table_is_followed_above_its_own_tonic(stage: Stage) -> None:
    played = playing(stage, also=("G",))
    played.player.act(Action("table", 2))
    played.strike("A3", "C4", "E4")  # ii of G; the open string A is a 10/9 or 9/8 above G by where it lies
    fifth = played.cents("E4") - played.cents("A3")
    assert fifth == pytest.approx(1200 * math.log2(3 / 2), abs=0.05)


def test_a_drone_holds_its_classes(stage: Stage) -> None:
    plan = prepare(ask(synth="full-midi-tuning", method="note", drone="1,2", follow_harmony=FOLLOW)).plan
    assert plan.follow is not None
    assert plan.follow.tables[0] is not None
    assert len(plan.follow.tables[0].classes[4]) == 1, "E sounds in the drone: it has one pitch"


def test_what_a_method_cannot_say_is_not_chosen() -> None:
    # 1-byte octave messages reach 64 cents either way (CA-021): 63/32 lies 73 above its key, 110/81 lies 70 below.
    table = TableRequest(scale="overtone", tonic="D", degrees=("7=63/32",))
    by_octave, by_note = (
        prepare(ask(table=table, synth=synth, method=method, follow_harmony=FOLLOW)).plan.follow
        for synth, method in (("gm2", "octave"), ("builtin", "note"))
    )
    assert by_octave is not None
    assert by_note is not None
    low = Fraction(110, 81)
    for follow, said in ((by_octave, False), (by_note, True)):
        assert follow.tables[0] is not None
        assert (low in [one.ratio for one in follow.tables[0].classes[8]]) is said
        assert follow.tables[0].classes[8][0].ratio == Fraction(11, 8)


def test_a_player_that_replaces_another_follows_only_if_that_one_did(monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[object] = []
    process = SimpleNamespace(tell=told.append, end=lambda: None)
    monkeypatch.setattr(Keeper, "_spawn", lambda _: process)
    for on in (True, False):
        keeper = Keeper(queue.SimpleQueue(), lambda *_: None)
        keeper.plan = prepare(ask(follow_harmony=FOLLOW)).plan
        keeper.state = replace(STATE, held=None, following=Following(on, True, (0.0,) * 12))
        keeper._replace("restarting")
        begin = told[-1]
        assert isinstance(begin, frames.Begin)
        assert begin.plan.follow is not None
        assert begin.plan.follow.on is on


def test_panic_forgets_what_sounded(stage: Stage) -> None:
    played = playing(stage)
    played.strike("E4")
    played.player.act(Action("panic"))
    stage.pass_time(played.player, 5.0, 0.5)
    played.strike("G4", "B4")
    played.stands("B4", "10/3")  # no E holds it at 27/8 any more


def test_the_picture_shows_the_chord_and_which_note_was_lowered() -> None:
    notes = (Sounding(1, 52, -20.0), Sounding(1, 55, -6.0), Sounding(1, 59, -20.0))
    offsets = tuple(-COMMA_CENTS if one == 4 else 0.0 for one in range(12))
    state = replace(STATE, sounding=notes, following=Following(True, True, offsets))
    assert seen(state=state).chord == "Em  E lowered 21.5 cents"
    reader: frames.FrameReader[object] = frames.FrameReader(
        io.BytesIO(frames.encode(frames.Changed(state))), frames.FromPlayer
    )
    assert reader.read() == frames.Changed(state)
    off = replace(state, following=Following(False, True, (0.0,) * 12))
    assert seen(state=off).chord == "Em  harmony not followed"
    assert seen(state=replace(state, sounding=())).chord == ""


def test_what_excludes_following_is_said() -> None:
    with pytest.raises(StillbeatError, match="tempered"):
        prepare(ask(table=TableRequest(scale="equal", tonic="D"), follow_harmony=FOLLOW))
    with pytest.raises(MethodProblem, match="dump"):
        prepare(ask(synth="full-midi-tuning", method="dump", follow_harmony=FOLLOW))
    with pytest.raises(ValueProblem, match="chord window of 900 ms"):
        LiveFollow(FollowRequest(), 900.0)


@pytest.mark.parametrize(
    "option", ["--chord-window=20", "--moves=few", "--pinned=tonic", "--natural-sevenths"]
)
def test_options_that_say_how_need_the_one_that_says_whether(option: str) -> None:
    with pytest.raises(click.UsageError, match="add --follow-harmony"):
        by_options(option)


def test_options_become_what_they_say() -> None:
    plan = by_options(
        "--follow-harmony", "--chord-window=20", "--moves=few", "--pinned=tonic", "--natural-sevenths"
    )
    follow = plan.follow
    assert follow is not None
    assert follow.tables[0] is not None
    assert (follow.window_s, follow.tables[0].moves, follow.on) == (0.02, "few", True)
    assert len(follow.tables[0].classes[2]) == 1, "the tonic"
    assert len(follow.tables[0].classes[9]) > 1, "the string A is free"
    assert Fraction(7, 4) in [one.ratio for one in follow.tables[0].classes[0]], "C, the seventh"
    standing = by_options("--follow-harmony").follow
    assert standing is not None
    assert standing.tables[0] is not None
    assert [len(standing.tables[0].classes[one]) for one in (2, 6, 9)] == [1, 1, 1], "the strings D, F# and A"
    assert standing.window_s == 0.04


def by_options(*options: str) -> LivePlan:
    line = ["--in=a", "--out=b", "--guitar=open-d", "--reference=D3=146.5", *options]
    values = dict(play_command.make_context("play", line, help_option_names=["-h", "--help"]).params)
    return prepare_tables(take_table(values), values).plan


def test_an_evening_follows_in_every_piece_that_can() -> None:
    plan = prepare_evening(
        EveningRequest(file=EVENING / "evening.toml", in_port="keys", follow_harmony=FOLLOW)
    ).plan
    assert plan.follow is not None
    assert len(plan.follow.tables) == len(plan.tables)
    assert plan.follow.tables[0] is not None
    begin = frames.Begin(plan)
    reader: frames.FrameReader[object] = frames.FrameReader(io.BytesIO(frames.encode(begin)), frames.ToPlayer)
    assert reader.read() == begin


def test_an_evening_leaves_pieces_that_have_no_commas_and_says_so(tmp_path: Path) -> None:
    folder = tmp_path / "evening"
    shutil.copytree(EVENING, folder)
    table = folder / "tables" / "lantern.table.toml"
    text = table.read_text(encoding="utf-8")
    assert '"seven-limit"' in text
    table.write_text(text.replace('"seven-limit"', '"equal"'), encoding="utf-8")
    request = EveningRequest(file=folder / "evening.toml", in_port="keys", follow_harmony=FOLLOW)
    prepared = prepare_evening(request)
    assert prepared.plan.follow is not None
    assert prepared.plan.follow.tables[0] is not None
    assert prepared.plan.follow.tables[-1] is None
    assert any(one.startswith("Lantern Waltz is played as its table has it") for one in prepared.notices)
