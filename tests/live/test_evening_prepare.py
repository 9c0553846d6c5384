"""From a session file to a plan: tables, pieces, drones, and what a synth that rests is given."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bridge.engine.play.controls import Action, Controls
from bridge.engine.play.tables import Kept, TableSwitch
from bridge.errors import StillbeatError, ValueProblem
from bridge.jobs.session.build import build_session
from bridge.jobs.session.check import check_session
from bridge.live.plan import LivePlan, TablesDrone
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.tuning.reference import Reference

EVENING = Path(__file__).resolve().parents[2] / "examples" / "evening"
D3 = 146.5


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A copy of the example evening to be changed."""
    target = tmp_path / "evening"
    shutil.copytree(EVENING, target)
    return target


def ask(folder: Path = EVENING, **changes: object) -> EveningRequest:
    values: dict[str, object] = {"file": folder / "evening.toml", "in_port": "keys", **changes}
    return EveningRequest(**values)  # type: ignore[arg-type]


def edit(folder: Path, before: str, after: str) -> None:
    file = folder / "evening.toml"
    text = file.read_text(encoding="utf-8")
    assert text.count(before) >= 1
    file.write_text(text.replace(before, after, 1), encoding="utf-8")


def test_every_section_is_a_table_and_pieces_begin_where_they_do() -> None:
    prepared = prepare_evening(ask())
    plan = prepared.plan
    assert plan.starts == (1, 6, 9, 10, 16, 17)
    assert len(plan.tables) == len(prepared.labels.programme) == 17
    assert (plan.out_port, plan.method) == ("FLUID", "octave")
    low_water, e_minor = plan.tables[:2]
    assert low_water.hz[64] == pytest.approx(D3 * 9 / 4)
    assert e_minor.hz[64] == pytest.approx(D3 * 20 / 9), "10/9 above D"
    assert plan.tables[15].hz[64] == pytest.approx(2 * D3 * 2 ** (2 / 12)), "two frets up"
    assert prepared.strings[15].hz[4] == pytest.approx(D3 * 2 ** (2 / 12)), "its capo is on the strings"
    assert plan.controls.feet == {80: Action("next"), 81: Action("previous")}
    assert plan.controls.programs == "piece"
    assert isinstance(plan.drone, TablesDrone)
    assert plan.drone.plan.tables[5].keys == (38, 45), "the evening's own: D2 A2"
    assert plan.drone.plan.tables[12].keys == (45,), "the turnaround's: A2"
    assert not plan.drone.on


def test_what_is_asked_for_comes_before_what_the_session_says() -> None:
    plan = prepare_evening(
        ask(
            out_port="other",
            on_change="glide",
            glide_s=2.0,
            controls=Controls(channel=3, feet={66: Action("drone"), 80: Action("panic")}, zone_means="piece"),
            control_channel=True,
        )
    ).plan
    assert (plan.out_port, plan.on_change, plan.glide_s) == ("other", "glide", 2.0)
    assert plan.controls.channel == 3
    assert plan.controls.feet == {80: Action("panic"), 81: Action("previous"), 66: Action("drone")}


def test_a_session_plays_on_its_sound_card_in_the_place_of_a_synth(folder: Path) -> None:
    edit(folder, "next_controller = 80", 'card = "usual"\nnext_controller = 80')
    prepared = prepare_evening(ask(folder))
    plan = prepared.plan
    assert (plan.card, plan.out_port, plan.method, plan.in_port) == (True, "usual", "note", "keys")
    assert prepared.labels.instrument == "the sound card (for Organ on the laptop)"
    assert "other synths have runs of their own: --synth rack, student" in prepared.notices
    assert plan.tables[1].hz[64] == pytest.approx(D3 * 20 / 9), "10/9 above D, as on the synth"
    assert isinstance(plan.drone, TablesDrone)
    assert plan.drone.plan.tables[5].keys == (38, 45), "the evening's own: D2 A2"
    assert prepare_evening(ask(folder, card="Room")).plan.out_port == "Room"
    out = prepare_evening(ask(folder, out_port="box")).plan
    assert (out.card, out.out_port, out.method) == (False, "box", "octave")
    for changes in ({"card": "Room", "out_port": "box"}, {"channels": (1,)}):
        with pytest.raises(ValueProblem, match="sound card"):
            prepare_evening(ask(folder, **changes))


def test_without_any_synth_the_sound_card_plays_every_piece(tmp_path: Path) -> None:
    (tmp_path / "evening.toml").write_text(
        'schema = 1\ntitle = "One"\nguitar = "open-d"\n[[pieces]]\ntitle = "Reel"\n'
    )
    for asked in ({}, {"card": "usual", "synth": "rack"}):
        with pytest.raises(StillbeatError, match="names no synth"):
            prepare_evening(ask(tmp_path, **asked))
    prepared = prepare_evening(ask(tmp_path, card="usual"))
    assert (prepared.plan.card, len(prepared.plan.tables)) == (True, 1)
    with pytest.raises(ValueProblem, match="names no keyboard"):
        prepare_evening(ask(tmp_path, card="usual", in_port=None))
    drones = prepare_evening(EveningRequest(file=EVENING / "evening.toml", card="usual"))
    assert drones.plan.drone is not None, "its drones are led by typed keys"
    assert not drones.labels.feet, "there is no port on which feet could be"
    assert not any("rests" in step.notes for step in prepared.labels.programme)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"controls": Controls(feet={66: Action("next")})}, "foot switches and switch keys need a port"),
        ({"controls": Controls(foot_keys={21: Action("next")})}, "foot switches and switch keys need a port"),
        ({"system": "JACK"}, "--system belongs to a synth's port"),
    ],
)
def test_what_comes_by_a_port_is_refused_without_one(changes: dict[str, object], says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        prepare_evening(ask(card="usual", in_port=None, **changes))


def test_feet_of_a_session_may_be_pedals_programs_and_keys(folder: Path) -> None:
    edit(
        folder,
        "previous_controller = 81",
        'previous_controller = 81\nfeet = ["66=listen", "program 9=undo", "key A0=drone"]',
    )
    prepared = prepare_evening(ask(folder, controls=Controls(feet={66: Action("undo")}, zone_means="piece")))
    controls = prepared.plan.controls
    assert controls.feet == {80: Action("next"), 81: Action("previous"), 66: Action("undo")}
    assert controls.foot_programs == {9: Action("undo")}
    assert controls.foot_keys == {21: Action("drone")}
    assert {"sostenuto pedal: undo", "program 9: undo", "key A0: drone"} <= set(prepared.labels.feet)


def test_the_session_names_its_microphone_and_the_command_line_wins(folder: Path) -> None:
    assert microphone(ask(folder)) is None
    edit(folder, "control_channel = 16", 'control_channel = 16\nmic = "Line"')
    assert microphone(ask(folder)) == "Line"
    assert microphone(ask(folder, device="Room")) == "Room"
    edit(folder, 'mic = "Line"', 'device = "Line"')
    with pytest.raises(
        StillbeatError, match=r"line \d+: the microphone is named by mic here .type mic = 'Line'"
    ):
        prepare_evening(ask(folder))


def microphone(request: EveningRequest) -> str | None:
    """Which microphone is asked for the reference string."""
    listening = prepare_evening(request).listening
    assert listening is not None
    return listening.device


def test_a_piece_in_which_the_synth_rests_keeps_the_tuning_if_the_method_cannot_say_its_own(
    folder: Path,
) -> None:
    edit(folder, 'synths = ["organ", "student", "home-keyboard"]', 'synths = ["student"]')
    table = folder / "tables" / "lantern.table.toml"
    table.write_text(table.read_text(encoding="utf-8") + "\n[keys]\nD4 = 296.0\n", encoding="utf-8")
    prepared = prepare_evening(ask(folder, synth="organ", method="octave"))
    assert prepared.plan.tables[16] == prepared.plan.tables[15]
    assert "rests in this piece" in prepared.labels.programme[16].notes
    by_bend = prepare_evening(ask(folder, synth="student")).plan
    assert by_bend.tables[16].hz[62] == pytest.approx(296.0)


def test_a_synth_that_does_not_move_sounding_notes_says_so() -> None:
    notices = prepare_evening(ask(synth="rack")).notices
    assert any("does not move notes that sound" in notice for notice in notices), notices


def test_a_reference_found_anew_moves_the_pieces_that_follow_it(folder: Path) -> None:
    edit(folder, 'title = "Ferry Bell"', 'title = "Ferry Bell"\nreference = "D3=150"')
    prepared = prepare_evening(ask(folder))
    listening = prepared.listening
    assert listening is not None
    assert listening.what == "string 4 (D3), open"
    assert [one.follows_reference for one in prepared.strings[7:9]] == [True, False]
    moved = listening.heard(Reference(50, D3 * 2 ** (6 / 1200)), trim_cents=2.0)
    assert "4.0 cents higher" in moved.text
    assert "Ferry Bell stays" in moved.text
    assert moved.tables is not None
    tables = moved.tables[0]
    assert tables[0].hz[50] == pytest.approx(D3 * 2 ** (6 / 1200))
    assert tables[8].hz[50] == pytest.approx(150.0)
    same = listening.heard(Reference(50, D3 * 2 ** (6 / 1200)), trim_cents=0.0)
    assert same.tables is None
    shutil.rmtree(folder)
    back = listening.undo()
    assert back is not None, "what is taken back needs no file"
    assert (back.tables is not None, back.trim_cents) == (True, 2.0)
    assert listening.undo() is None


@pytest.mark.parametrize(
    ("before", "after", "says"),
    [
        ('port = "FLUID"', "", "names no port for Organ"),
        (
            "next_controller = 80",
            "next_controller = 6",
            r"evening.toml, line \d+: .*controller 6 cannot be a foot",
        ),
        ("next_controller = 80", "next_controller = 81", r"line \d+: .*cannot mean both: 81"),
        (
            "next_controller = 80",
            'feet = ["66=listn"]',
            r"line \d+: feet: .*cannot do 'listn' .did you mean listen",
        ),
        ('track = "tracks/low-water.mid"', 'track = "../low.mid"', r"line \d+"),
    ],
)
def test_a_session_that_cannot_be_played(folder: Path, before: str, after: str, says: str) -> None:
    edit(folder, before, after)
    with pytest.raises(StillbeatError, match=says):
        prepare_evening(ask(folder, synth="organ"))


@pytest.mark.parametrize(
    ("begin", "number"),
    [("4", 10), ("slate roof blues", 10), ("Slate", 10), ("lantern-w", 17), (" two  frets ", 16), ("1", 1)],
)
def test_it_begins_with_the_piece_that_was_asked_for(begin: str, number: int) -> None:
    prepared = prepare_evening(ask(begin=begin))
    switch = TableSwitch(prepared.plan.tables, (), prepared.plan.starts)
    if prepared.plan.kept is not None:
        switch.put(prepared.plan.kept)
    assert switch.number == number
    assert prepared.spec is not None
    assert prepared.spec.name == prepared.labels.programme[number - 1].title.lower().replace(" ", "-")


@pytest.mark.parametrize(
    ("begin", "says"),
    [
        ("7", "there is no piece '7' .Thursday evening has 6, from 1 Low Water to 6 Lantern Waltz"),
        ("0", "there is no piece '0'"),
        ("kettel him", "there is no piece 'kettel him' .did you mean 2 Kettle Hymn"),
        ("waltz", "did you mean .*6 Lantern Waltz"),
        ("zzz", "there are: 1 Low Water, 2 Kettle Hymn, .*, 6 Lantern Waltz"),
        ("", "there is no piece ''"),
    ],
)
def test_a_piece_that_is_none_is_answered_with_those_that_are_near(begin: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        prepare_evening(ask(begin=begin))


def test_several_pieces_that_begin_alike_are_listed(folder: Path) -> None:
    edit(folder, 'title = "Lantern Waltz"', 'title = "Low Tide"')
    with pytest.raises(ValueProblem, match="'low': 1 Low Water, 6 Low Tide"):
        prepare_evening(ask(folder, begin="low"))
    assert prepare_evening(ask(folder, begin="low t")).plan.kept == Kept(17)


def drone_sounds(plan: LivePlan) -> bool:
    """Tell whether a plan's drone sounds from the beginning."""
    assert isinstance(plan.drone, TablesDrone)
    return plan.drone.on


def test_drones_wait_for_d_unless_the_session_or_the_command_says_so(folder: Path) -> None:
    quiet = prepare_evening(ask(folder))
    assert not drone_sounds(quiet.plan)
    assert "d begins the drone" in quiet.notices
    assert drone_sounds(prepare_evening(ask(folder, drone_on=True)).plan)
    edit(folder, "control_channel = 16", "control_channel = 16\ndrone = true")
    aloud = prepare_evening(ask(folder))
    assert drone_sounds(aloud.plan)
    assert "drones sound from the beginning; d ends them" in aloud.notices
    assert not drone_sounds(prepare_evening(ask(folder, drone_on=False)).plan)


def test_a_missing_track_is_a_warning_for_whoever_plays_it_himself(folder: Path) -> None:
    whole = prepare_evening(ask(folder)).plan
    (folder / "tracks" / "low-water.mid").unlink()
    (folder / "tracks" / "ferry-bell.mid").write_bytes(b"no MIDI file")
    prepared = prepare_evening(ask(folder))
    assert prepared.plan == whole
    assert any(
        notice == "Low Water: there is no file tracks/low-water.mid, its backing track"
        for notice in prepared.notices
    )
    assert any(
        notice.startswith("Ferry Bell: its backing track: tracks/ferry") for notice in prepared.notices
    )
    with pytest.raises(
        StillbeatError, match=r"line \d+: track = 'tracks/low-water.mid': there is no such file"
    ):
        check_session(folder / "evening.toml")
    with pytest.raises(StillbeatError, match=r"low-water\.mid"):
        build_session(folder / "evening.toml", folder / "out")


def test_a_track_whose_key_signatures_are_followed_is_needed(folder: Path) -> None:
    (folder / "tracks" / "kettle-hymn.mid").unlink()
    with pytest.raises(StillbeatError, match=r"kettle-hymn\.mid.*no such file"):
        prepare_evening(ask(folder))


def test_without_a_keyboard_it_says_where_to_name_it() -> None:
    with pytest.raises(StillbeatError, match="the session names no keyboard"):
        prepare_evening(ask(in_port=None))
