"""A chart that is known while somebody plays: led by foot, key or track, solved beforehand, followed by the drone.

Expected ratios above D in open D (five-limit just intonation): the strings are D 1/1, F# 5/4, A 3/2; E minor, chord ii,
is pure as 10/9, 4/3, 5/3; A major, chord V, as 3/2, 15/8, 9/8. A comma is 81/80, 21.506 cents.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest
from jobs.test_follow_harmony import retuned, write_piece
from live.test_harmony_live import D3_HZ, FOLLOW, METHODS, Playing, by_options, seen
from live.test_live_player import Stage
from live.test_live_prepare import OPEN_D, ask
from live.test_live_shown import STATE
from live.test_live_track import song

from bridge.engine.play.controls import Action, Controls, parse_foot
from bridge.engine.play.drones.chart import CHORD_FADE_S
from bridge.errors import MethodProblem, ValueProblem
from bridge.harmony.choice.variants import palette_of
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import DroneRequest
from bridge.jobs.harmony.charts import chart_from
from bridge.live import frames
from bridge.live.desk.labels import Labels
from bridge.live.desk.typed import by_chord, read_key, read_line
from bridge.live.desk.views.playing import picture
from bridge.live.prepare.drone_chart import prepare_chart_drone
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.live.prepare.keyboard import prepare
from bridge.live.prepare.song import SongRequest
from bridge.live.state import AtChord
from bridge.page.beside import stand_of_play
from bridge.store.profiles import load_profile
from bridge.tuning.changes import Change, apply_change
from bridge.tuning.notes import parse_note
from bridge.tuning.tables import build_table

pytestmark = pytest.mark.slow

SONG = "[Verse] | D | Em G | A | D |"
NEXT, PREVIOUS, FIRST = Action("next-chord"), Action("previous-chord"), Action("first-chord")


@pytest.fixture
def stage(tmp_path: Path) -> Iterator[Stage]:
    one = Stage(tmp_path / "state")
    yield one
    one.leave()


def charted(stage: Stage, method: str = "note", chart: str = SONG, **more: object) -> Playing:
    more.setdefault("follow_harmony", FOLLOW)
    return Playing(
        stage, prepare(ask(method=method, synth=METHODS[method], chart=chart_from(chart), **more)).plan
    )


@pytest.mark.parametrize("method", METHODS)
def test_a_single_note_has_the_pitch_of_the_chord_that_is_known(stage: Stage, method: str) -> None:
    played = charted(stage, method)
    played.strike("E4")
    played.stands("E4", "9/4")  # D is now: no chord wants another E than the table's
    played.let_go("E4")
    played.player.act(NEXT)
    played.strike("E4")
    played.stands("E4", "20/9")  # ii, though nothing else sounds
    played.let_go("E4")
    played.player.act(NEXT)
    played.player.act(NEXT)
    played.strike("E4")
    played.stands("E4", "9/4")  # the fifth of V
    played.let_go("E4")
    played.player.act(PREVIOUS)
    played.player.act(PREVIOUS)
    played.strike("E4")
    played.stands("E4", "20/9")


def test_no_time_leads_through_a_chart(stage: Stage) -> None:
    played = charted(stage)
    stage.pass_time(played.player, 120.0, 1.0)
    chart = played.player.state().chart
    assert chart is not None
    assert (chart.number, chart.name, chart.coming) == (0, "D", "Em")


def test_what_sounds_stays_when_the_chord_changes_and_a_hand_may_be_a_little_ahead(stage: Stage) -> None:
    played = charted(stage)
    played.strike("E4")
    stage.pass_time(played.player, 0.5)
    played.player.act(NEXT)
    played.stands("E4", "9/4")
    played.strike("B4")
    played.stands("B4", "10/3")  # the chart's, whatever sounds
    played.let_go("E4", "B4")
    played.player.act(FIRST)
    played.strike("E4")
    stage.now_s += 0.02
    played.player.act(NEXT)
    played.stands("E4", "20/9")


def test_a_foot_leads_and_the_chart_goes_round(stage: Stage) -> None:
    number, action = parse_foot("66=next-chord")
    assert action == NEXT == read_key("c") == read_line("chord") == read_line("next chord")
    assert read_key("C") == read_line("previous chord") == PREVIOUS == parse_foot("67=previous-chord")[1]
    assert read_line("first chord") == FIRST
    played = charted(stage, controls=Controls(feet={number: action}))
    names = []
    for _ in range(6):
        chart = played.player.state().chart
        assert chart is not None
        names.append((chart.name, chart.bar, chart.coming))
        stage.keys.play(bytes((0xB0, 66, 127)), bytes((0xB0, 66, 0)))
    assert names == [
        ("D", 1, "Em"),
        ("Em", 2, "G"),
        ("G", 2, "A"),
        ("A", 3, "D"),
        ("D", 4, "D"),
        ("D", 1, "Em"),
    ]


def test_what_a_player_asked_for_wins_over_the_chart(stage: Stage) -> None:
    played = charted(stage, table=replace(OPEN_D, degrees=("2=9/8",)))
    played.player.act(NEXT)
    played.strike("E4")
    played.stands("E4", "9/4")


def test_the_bars_of_a_track_lead(stage: Stage, tmp_path: Path) -> None:
    piece = song(tmp_path / "song.mid", 4)
    plan = prepare(
        ask(
            method="note",
            synth=METHODS["note"],
            chart=chart_from("| D | G Em | G |"),
            song=SongRequest(piece, 0),
            follow_harmony=FOLLOW,
        )
    ).plan
    (chart,) = plan.charts
    assert chart is not None
    bars = plan.backing.bars_s if plan.backing is not None else ()
    second, third = bars[1], bars[2]
    begins: list[tuple[str, float]] = []
    for step, at_s in zip(
        chart.steps, chart.starts_s, strict=True
    ):  # where the track asks for it in finer steps
        if not begins or begins[-1][0] != step.name:
            begins.append((step.name, at_s))
    assert [name for name, _ in begins] == ["D", "G", "Em", "G", "(no chart)"]
    wanted = (0.0, second, (second + third) / 2, third, bars[3])
    assert [at_s for _, at_s in begins] == pytest.approx(wanted)
    played = Playing(stage, plan)
    start_s = stage.now_s
    found = []
    while len(found) < 3:
        at = played.player.state().chart
        assert at is not None
        assert at.by_track
        if not found or found[-1][0] != at.name:
            found.append((at.name, stage.now_s - start_s))
        assert played.player.next_s <= start_s + third + 0.01, "it is woken at the next chord"
        stage.now_s += 0.05
        played.player.tick()
    assert [name for name, _ in found] == ["D", "G", "Em"]
    assert [at_s for _, at_s in found] == pytest.approx([0.0, second, (second + third) / 2], abs=0.06)
    played.strike("E4")
    played.stands("E4", "20/9")
    played.player.act(NEXT)
    played.player.tick()
    assert any("bars of the track lead" in text for _, text in stage.said)


def test_a_chart_that_is_longer_than_its_track_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueProblem, match="the chart has 4 bars, the track 3"):
        prepare(ask(chart=chart_from(SONG), song=SongRequest(song(tmp_path / "song.mid", 3), 0)))


# ---- the drone


class Watched:
    """Listens to every message: levels by channel, and the pitch of every note at each moment."""

    def __init__(self, stage: Stage, channels: tuple[int, ...]) -> None:
        self.box, self.own = stage.box, {channel - 1 for channel in channels}
        self.at = 0
        self.levels: dict[int, int] = {}
        self.sounding: dict[tuple[int, int], float] = {}

    def look(self) -> None:
        """Take what came since the last look; a note that sounds must not move, and begins and ends in silence."""
        for data in self.box.received[self.at :]:
            kind, channel = data[0] & 0xF0, data[0] & 15
            if kind == 0xB0 and data[1] == 11:
                if any(one == channel for one, _ in self.sounding):
                    assert abs(data[2] - self.levels.get(channel, 0)) <= 14, "a fade goes in small steps"
                self.levels[channel] = data[2]
            if kind == 0x90 and data[2]:
                self.sounding[channel, data[1]] = self.box.paper.pitch(channel, data[1])
            elif kind in (0x80, 0x90):
                self.sounding.pop((channel, data[1]), None)
        self.at = len(self.box.received)
        for (channel, key), pitch in self.sounding.items():
            assert self.box.paper.pitch(channel, key) == pytest.approx(pitch, abs=1e-6), "nothing glides"

    def table_changed(self) -> None:
        """Another table moves what sounds at once, as it does everything that is played."""
        self.sounding = {one: self.box.paper.pitch(*one) for one in self.sounding}

    def ratios(self) -> list[Fraction]:
        """What sounds above D3, as ratios of small numbers."""
        low = 69 + 12 * math.log2(D3_HZ / 440)
        return sorted(
            Fraction(2 ** ((self.box.paper.pitch(channel, key) - low) / 12)).limit_denominator(100)
            for channel, key in self.sounding
        )


@pytest.mark.parametrize("follow", [FOLLOW, None], ids=["followed", "by its table"])
@pytest.mark.parametrize("method", ["note", "octave", "bend"])
def test_the_drone_stands_above_the_root_and_fades(stage: Stage, method: str, follow: object) -> None:
    played = charted(stage, method, "| D | Em G | A |", drone="1,5", follow_harmony=follow)
    chart = played.player.plan.charts[0]
    assert chart is not None
    watched = Watched(stage, chart.channels)

    def wait(seconds: float) -> None:
        for _ in range(round(seconds / 0.05)):
            stage.pass_time(played.player, 0.05)
            watched.look()

    wait(3.0)
    assert watched.ratios() == [1, Fraction(3, 2)]
    played.player.act(NEXT)
    wait(0.1)
    assert set(watched.ratios()) == {1, Fraction(3, 2), Fraction(10, 9), Fraction(5, 3)}, (
        "old and new overlap"
    )
    wait(CHORD_FADE_S + 0.2)
    assert watched.ratios() == [Fraction(10, 9), Fraction(5, 3)]
    played.player.act(NEXT)
    wait(0.05)
    played.player.act(NEXT)
    wait(2 * CHORD_FADE_S + 0.3)  # E has another pitch in A: it fades out first
    assert watched.ratios() == [Fraction(3, 2), Fraction(9, 4)]
    held = played.player.state().held
    assert held is not None
    assert held.keys == (parse_note("A3"), parse_note("E4"))
    played.player.act(Action("drone"))
    wait(CHORD_FADE_S + 0.2)
    assert watched.ratios() == []


def test_a_stroke_of_the_new_chord_does_not_wait_for_the_fading_drone(stage: Stage) -> None:
    played = charted(stage, "note", "| Em G | A |", drone="1,5")
    stage.pass_time(played.player, 3.0)
    for _ in range(2):
        played.player.act(NEXT)
        stage.pass_time(played.player, 0.1)
    played.strike("E5")
    assert played.cents("E5") == pytest.approx(1200 * math.log2(9 / 2), abs=0.06)
    stage.pass_time(played.player, 2.0)
    assert played.cents("E4") == pytest.approx(1200 * math.log2(9 / 4), abs=0.06), "and the drone agrees"


def test_beside_the_drone_of_a_chart_the_keyboard_has_its_table_unless_it_follows(stage: Stage) -> None:
    played = charted(stage, "note", "| Em | D |", drone="1", follow_harmony=None)
    stage.pass_time(played.player, 3.0)
    played.strike("B4", "C5")
    played.stands("B4", "10/3")
    assert played.player.state().following is None, "it was not asked for"
    played.player.act(Action("follow"))
    played.player.tick()
    assert any("--follow-harmony" in text for _, text in stage.said)
    played.strike("E5")  # the drone holds E at 10/9: what sounds stays, and both agree
    played.stands("E5", "40/9")
    played.let_go("E5", "B4", "C5")
    played.player.act(NEXT)
    stage.pass_time(played.player, 1.0)
    played.strike("E5")
    played.stands("E5", "9/2")


def test_a_synth_that_comes_back_gets_the_drone_again(stage: Stage) -> None:
    played = charted(stage, "note", "| D | Em |", drone="1,5")
    stage.pass_time(played.player, 3.0)
    stage.keys.play(bytes.fromhex("f07e7f0901f7"))
    before = len(stage.box.received)
    stage.pass_time(played.player, 3.0)
    later = stage.box.received[before:]
    assert {data[1] for data in later if data[0] & 0xF0 == 0x90} == {parse_note("D3"), parse_note("A3")}


def test_leaving_fades_and_ends_the_drone(stage: Stage) -> None:
    played = charted(stage, "note", "| D | Em |", drone="1,5")
    stage.pass_time(played.player, 3.0)
    played.player.leave()
    ringing: set[tuple[int, int]] = set()
    for data in stage.notes():
        place = data[0] & 15, data[1]
        (ringing.add if data[0] & 0xF0 == 0x90 and data[2] else ringing.discard)(place)
    assert not ringing
    chart = played.player.plan.charts[0]
    assert chart is not None
    last = {data[0] & 15: data[2] for data in stage.box.received if data[0] & 0xF0 == 0xB0 and data[1] == 11}
    assert all(last[channel - 1] == 127 for channel in chart.channels)


def test_a_drone_needs_two_channels_for_each_note() -> None:
    with pytest.raises(MethodProblem, match="a drone of 2 notes that fade into others needs 4 channels"):
        prepare(ask(chart=chart_from(SONG), drone="1,5", channels=(1, 2, 3)))


# ---- what is seen, and the options


def test_the_picture_shows_the_chord_that_is_now_and_the_next() -> None:
    at = AtChord(1, "Em", 2, "Verse", "A", 3)
    state = replace(STATE, chart=at)
    shown = seen(state=state)
    assert (shown.chart_now, shown.chart_next) == ("Em  (bar 2, Verse)", "A  (bar 3)")
    rows = [row.plain for row in picture(shown, 100, 40)]
    assert "now Em  (bar 2, Verse)   next A  (bar 3)" in rows
    last = seen(state=replace(STATE, chart=replace(at, coming="", coming_bar=0)))
    assert any("now Em" in row.plain and "the last chord" in row.plain for row in picture(last, 100, 40))
    reader: frames.FrameReader[object] = frames.FrameReader(
        io.BytesIO(frames.encode(frames.Changed(state))), frames.FromPlayer
    )
    assert reader.read() == frames.Changed(state)


def test_a_chart_alone_is_shown_and_changes_no_note() -> None:
    plan = by_options("--chart", SONG)
    (chart,) = plan.charts
    assert plan.follow is None
    assert chart is not None
    assert [(step.name, step.bar, step.section, step.limits) for step in chart.steps] == [
        ("D", 1, "Verse", ()),
        ("Em", 2, "Verse", ()),
        ("G", 2, "Verse", ()),
        ("A", 3, "Verse", ()),
        ("D", 4, "Verse", ()),
    ]


def test_every_table_has_the_chart_solved_above_its_own_tonic() -> None:
    plan = by_options("--chart", "| Em |", "--follow-harmony", "--also", "A", "--switch-keys", "C1-B1")
    assert (len(plan.charts), len(plan.tonic_charts)) == (2, 12)
    assert plan.follow is not None

    def pitch(number: int, pitch_class: int) -> Fraction | None:
        chart, choices = plan.charts[number], plan.follow.tables[number] if plan.follow else None
        assert chart is not None
        assert choices is not None
        index = dict(chart.steps[0].limits).get(pitch_class, 0)
        return choices.classes[pitch_class][index].ratio

    assert pitch(0, 4) == Fraction(10, 9)
    fifth = pitch(1, 11)
    root = pitch(1, 4)
    assert fifth is not None
    assert root is not None
    assert fifth / root in (Fraction(3, 2), Fraction(3, 4)), "E minor is pure above A too"


def test_a_player_that_replaces_another_goes_on_at_its_chord(stage: Stage) -> None:
    played = charted(stage)
    plan = replace(played.player.plan, chord=1)
    played.player.leave()
    again = Playing(stage, plan)
    chart = again.player.state().chart
    assert chart is not None
    assert chart.name == "Em"


# ---- a drone alone


@pytest.mark.parametrize(("method", "by_foot"), [("note", False), ("note", True), ("dump", False)])
def test_a_drone_alone_is_led_through_its_chart(stage: Stage, method: str, by_foot: bool) -> None:
    asked = DroneRequest(notes=("1", "5"))
    where = {"in_port": "keys", "controls": Controls(feet=dict([parse_foot("66=next")]))} if by_foot else {}
    prepared = prepare_chart_drone(
        OPEN_D, asked, chart_from(SONG), out_port="box", synth=METHODS["note"], method=method, **where
    )
    plan = prepared.plan
    if method == "dump":  # a synth that obeys nothing else
        plan = replace(plan, profile=replace(load_profile("full-midi-tuning"), methods=("dump",)))
    played = Playing(stage, plan)
    chart = prepared.plan.charts[0]
    assert chart is not None
    watched = Watched(stage, chart.channels)
    found = []
    for _ in range(5):
        for _ in range(60):
            stage.pass_time(played.player, 0.05)
            watched.look()
        found.append(watched.ratios())
        if by_foot:
            for value in (127, 0):
                stage.keys.play(bytes((0xB0, 66, value)))
            played.player.tick()
        else:
            played.player.act(NEXT)
    low, fifth = [1, Fraction(3, 2)], Fraction(3, 2)
    assert found == [
        low,
        [Fraction(10, 9), Fraction(5, 3)],
        [Fraction(4, 3), 2],
        [fifth, Fraction(9, 4)],
        low,
    ]
    if method == "dump":  # E is at 10/9 in E minor, and back at 9/8 over A
        dumps = [data for data in stage.box.received if data[:1] == b"\xf0"]
        assert [len(data) for data in dumps] == 3 * [408], (
            "a whole table at the start, and twice between chords"
        )
    assert not played.player.ended, "it waits for the next chord"
    assert "chart of 5 chords" in prepared.notices[0]


def test_without_other_tables_a_page_turner_turns_chords(stage: Stage) -> None:
    assert by_chord(read_key(" ") or "") == by_chord(read_key("n") or "") == NEXT
    assert by_chord(read_key("p") or "") == PREVIOUS
    assert by_chord(Action("drone")) == Action("drone")


@pytest.mark.parametrize(
    "more", [{"steps": ("1", "5")}, {"settle": "tempered"}, {"hold_s": 3.0}, {"rounds": 2}]
)
def test_a_drone_that_is_led_has_no_time_of_its_own(more: dict[str, object]) -> None:
    with pytest.raises(ValueProblem, match="a drone that follows a chart has no --"):
        prepare_chart_drone(OPEN_D, DroneRequest(**more), chart_from(SONG))  # type: ignore[arg-type]


# ---- an evening

EVENING = '''\
schema = 1
title = "Charts"
guitar = "open-d"
reference = "D3=146.5"
pages = false

[[synths]]
profile = "full-midi-tuning"
method = "note"
port = "box"

[[pieces]]
title = "Followed"
follow_harmony = true
chords = """| D | Em G | A |"""
drone = ["1", "5"]

[[pieces]]
title = "Drone alone"
chords = "| D | Em G | A |"
drone = ["1", "5"]

[[pieces]]
title = "Plain"
drone = ["1"]
'''


def evening(stage: Stage, folder: Path, text: str = EVENING, **more: object) -> Playing:
    file = folder / "charts.toml"
    file.write_text(text, encoding="utf-8")
    prepared = prepare_evening(EveningRequest(file=file, in_port="keys", **more))  # type: ignore[arg-type]
    stage.said += [("said", notice) for notice in prepared.notices]
    return Playing(stage, prepared.plan)


def test_in_an_evening_a_piece_says_whether_it_is_followed_and_has_its_chart(
    stage: Stage, tmp_path: Path
) -> None:
    played = evening(stage, tmp_path)
    assert any("it is followed in: Followed" in text for _, text in stage.said)
    following = played.player.state().following
    assert following is not None
    assert following.can
    played.player.act(NEXT)
    played.strike("E5")
    played.stands("E5", "40/9")
    played.let_go("E5")
    played.player.act(Action("next"))  # the second piece: from its first chord, by its table
    state = played.player.state()
    assert state.chart is not None
    assert (state.chart.number, state.chart.name) == (0, "D")
    assert state.following is not None
    assert not state.following.can
    played.player.act(NEXT)
    played.strike("E5")
    played.stands("E5", "9/2")
    played.let_go("E5")
    played.player.act(Action("next"))
    assert played.player.state().chart is None, "that piece has none"
    played.player.act(NEXT)
    played.player.tick()
    assert any("there is no chart here" in text for _, text in stage.said)


def test_in_an_evening_a_section_on_another_tonic_has_that_tonics_pitches_alone(
    stage: Stage, tmp_path: Path
) -> None:
    section = '\n[[pieces.sections]]\nbar = 5\ntonic = "Ab"\n\n[[pieces]]\ntitle = "Drone alone"'
    text = EVENING.replace('\n[[pieces]]\ntitle = "Drone alone"', section, 1)
    plan = evening(stage, tmp_path, text).player.plan
    assert plan.follow is not None
    choices = plan.follow.tables[1]
    assert choices is not None
    assert choices.tonic == "Ab"
    spec = choose_table(OPEN_D)
    table = build_table(apply_change(spec, spec, Change(bar=5, tonic="Ab")))
    for wanted, own in zip(palette_of(table).classes, choices.classes, strict=True):
        assert [one.offset_cents for one in own] == [one.offset_cents for one in wanted]
    # The chart of that piece is in D, whose pitches the section would have besides.
    assert palette_of(table, "D").classes != palette_of(table).classes


def test_in_an_evening_every_drone_sounds_with_its_chart_or_without(stage: Stage, tmp_path: Path) -> None:
    played = evening(stage, tmp_path)
    channels = tuple(
        one for chart in played.player.plan.charts if chart is not None for one in chart.channels
    )
    watched = Watched(stage, channels)

    def wait(seconds: float) -> list[Fraction]:
        for _ in range(round(seconds / 0.05)):
            stage.pass_time(played.player, 0.05)
            watched.look()
        return watched.ratios()

    assert wait(0.5) == [], "in an evening a drone begins when it is asked for"
    played.player.act(Action("drone"))
    low = Fraction(1, 1)
    assert wait(3.0) == [low, Fraction(3, 2)]
    played.player.act(NEXT)
    assert wait(1.0) == [Fraction(10, 9), Fraction(5, 3)]
    played.player.act(Action("next"))
    watched.table_changed()
    assert wait(1.0) == [low, Fraction(3, 2)]
    played.player.act(NEXT)
    assert wait(1.0) == [Fraction(10, 9), Fraction(5, 3)], (
        "its chords are pure though the keyboard has its table"
    )
    played.player.act(Action("next"))
    watched.table_changed()
    assert wait(1.0) == [low]
    held = played.player.state().held
    assert held is not None
    assert held.on


def test_what_the_command_asks_for_counts_in_every_piece(stage: Stage, tmp_path: Path) -> None:
    played = evening(stage, tmp_path, follow_harmony=FOLLOW)
    played.player.act(Action("next-piece"))
    played.player.act(NEXT)
    played.strike("E5")
    played.stands("E5", "40/9")


def test_by_dump_an_evening_is_played_as_its_tables_have_it(stage: Stage, tmp_path: Path) -> None:
    played = evening(stage, tmp_path, EVENING.replace('method = "note"', 'method = "dump"'))
    assert played.player.plan.follow is None
    assert any("by dump the harmony cannot be followed" in text for _, text in stage.said)
    chart = played.player.state().chart
    assert chart is not None
    assert chart.name == "D"


def test_a_page_offers_to_follow_and_to_go_on_only_where_that_is_possible() -> None:
    def offered(*options: str) -> set[str]:
        plan = by_options(*options)
        return set(stand_of_play(plan, Labels(plan.tables), None, False).actions)

    more = {"follow", "next-chord", "previous-chord"}
    assert offered() & more == set()
    assert offered("--follow-harmony") & more == {"follow"}
    assert offered("--chart", SONG) & more == {"next-chord", "previous-chord"}
    assert offered("--chart", SONG, "--drone", "1,5") & more == {"next-chord", "previous-chord"}
    assert offered("--chart", SONG, "--follow-harmony") & more == more


# ---- a track that is known


def struck(stage: Stage, played: Playing, until_s: float) -> list[tuple[int, float]]:
    """Let a track play; return every note that is struck and its pitch in cents above C-1, in order."""
    found: list[tuple[int, float]] = []
    at = 0
    end_s = stage.now_s + until_s
    while stage.now_s < end_s:
        stage.now_s = min(max(played.player.next_s, stage.now_s + 1e-4), end_s)
        played.player.tick()
        for data in stage.box.received[at:]:
            if data[0] & 0xF0 == 0x90 and data[2]:
                found.append((data[1], 100 * stage.box.paper.pitch(data[0] & 15, data[1])))
        at = len(stage.box.received)
    return found


@pytest.mark.parametrize("name", ["pump-x4", "ii-held-V", "to-V-and-back", "pump-tied"])
def test_a_track_that_plays_has_the_pitches_of_the_same_file_written(
    stage: Stage, tmp_path: Path, name: str
) -> None:
    # On the spot nobody could know that D of chord ii is held into V, where it must be 9/8.
    source = write_piece(tmp_path, name)
    table = TableRequest(tonic="C")
    ask_for = {"table": table, "song": SongRequest(source, 0), "synth": METHODS["note"], "method": "note"}
    prepared = prepare(ask(follow_harmony=FOLLOW, **ask_for))
    assert any("of the held thirds" in one for one in prepared.notices)
    played = Playing(stage, prepared.plan)
    length_s = prepared.plan.backing.length_s if prepared.plan.backing is not None else 0.0
    found = struck(stage, played, length_s + 1.0)
    _, written_notes = retuned(tmp_path, source, choose_table(table), "note")
    wanted = sorted((round(note.start_s, 3), note.key, note.cents) for note in written_notes)
    assert len(found) == len(wanted) > 10
    by_key: dict[int, list[float]] = {}
    for _, key, cents in wanted:
        by_key.setdefault(key, []).append(cents)
    for key, cents in found:
        assert cents == pytest.approx(by_key[key].pop(0), abs=0.05)


def test_a_keyboard_beside_a_track_sounds_at_once_and_goes_with_it(stage: Stage, tmp_path: Path) -> None:
    source = write_piece(tmp_path, "pump-x4")  # I vi ii V, two seconds each
    prepared = prepare(
        ask(
            table=TableRequest(tonic="C"),
            song=SongRequest(source, 0),
            synth=METHODS["note"],
            method="note",
            follow_harmony=FOLLOW,
        )
    )
    played = Playing(stage, prepared.plan)
    struck(stage, played, 4.5)  # D minor sounds
    before = len(stage.notes())
    stage.keys.play(bytes((0x93, parse_note("D6"), 80)))
    assert stage.notes()[before:] == [bytes((0x93, parse_note("D6"), 80))], "in the same moment"
    low = stage.box.paper.pitch(0, parse_note("D3"))
    assert stage.box.paper.pitch(3, parse_note("D6")) - low == pytest.approx(36.0, abs=5e-4)
    third = stage.box.paper.pitch(0, parse_note("F4")) - low
    assert 100 * third == pytest.approx(1200 + 1200 * math.log2(6 / 5), abs=0.05)


def test_the_drone_of_a_chart_moves_into_the_singers_key(stage: Stage) -> None:
    # Three semitones up: D becomes F, whose fifth is C.
    moved = prepare_chart_drone(
        replace(OPEN_D, transpose=3), DroneRequest(notes=("1",)), chart_from("| D | A |"), out_port="box"
    )
    chart = moved.plan.charts[0]
    assert chart is not None
    assert [step.name for step in chart.steps] == ["F", "C"]
    assert [[note.key % 12 for note in step.held] for step in chart.steps] == [[5], [0]]
