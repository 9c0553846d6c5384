"""From a session file to a plan: tables, pieces, drones, and what a synth that rests is given."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from bridge.engine.play.controls import Action, Controls
from bridge.errors import StillbeatError
from bridge.live.plan import TablesDrone
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
    listening = prepare_evening(ask(folder)).listening
    assert listening is not None
    assert listening.what == "string 4 (D3), open"
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
        ('track = "tracks/low-water.mid"', 'track = "../low.mid"', r"line \d+"),
    ],
)
def test_a_session_that_cannot_be_played(folder: Path, before: str, after: str, says: str) -> None:
    edit(folder, before, after)
    with pytest.raises(StillbeatError, match=says):
        prepare_evening(ask(folder, synth="organ"))


def test_without_a_keyboard_it_says_where_to_name_it() -> None:
    with pytest.raises(StillbeatError, match="the session names no keyboard"):
        prepare_evening(ask(in_port=None))
