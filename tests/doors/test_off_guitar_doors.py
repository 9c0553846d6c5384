"""Electronics a comma off the guitar are never silent: one sentence, the same at every door.

A cello's A lies 81/80 (21.506 cents) above the 5/3 of the five-limit scale on its C: three fifths against a sixth.
"""

from __future__ import annotations

import re
from pathlib import Path

import mido
import pytest

import bridge
from bridge.cli import main
from bridge.engine.play.tables import Kept
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.demo_music import TICKS_PER_QUARTER, demo_tracks
from bridge.jobs.session.build import Built
from bridge.jobs.session.check import check_session
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.paper.retuning import Retuned
from bridge.jobs.session.paper.sheets import piece_sheet
from bridge.jobs.session.paper.text import start_here
from bridge.live.desk.desk import Desk
from bridge.live.prepare.keyboard import LiveRequest, prepare
from bridge.live.state import State
from bridge.store.smf import MidiFile, midi_bytes
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.tables import build_table

SAID = "string 1 (A3) 21.5 cents above the table"


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    song = midi_bytes(MidiFile(format=1, division=TICKS_PER_QUARTER, tracks=demo_tracks()))
    (tmp_path / "song.mid").write_bytes(song)
    return tmp_path


@pytest.mark.parametrize(
    "command",
    [
        ("retune", "song.mid", "-o", "out.mid"),
        ("drone", "5", "-o", "drone.wav", "--hold", "4"),
    ],
    ids=lambda command: command[0],
)
@pytest.mark.parametrize("guitar", ["cello", "open-d"])
def test_commands(capsys: pytest.CaptureFixture[str], command: tuple[str, ...], guitar: str) -> None:
    with pytest.raises(SystemExit) as left:
        main([*command, "--guitar", guitar])
    err = capsys.readouterr().err
    assert left.value.code == 0, err
    said = [line for line in err.splitlines() if "off the guitar" in line]
    assert len(said) == (guitar == "cello")
    assert all(SAID in line and line.startswith("note: ") for line in said)


def test_equal_for_comparison_is_meant_to_differ(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["retune", "song.mid", "-o", "out.mid", "--guitar", "cello", "--equal"])
    assert "off the guitar" not in capsys.readouterr().err


def test_playing() -> None:
    prepared = prepare(LiveRequest(table=TableRequest(guitar="cello"), out_port="synth", in_port="keys"))
    assert [one for one in prepared.notices if SAID in one]
    also = prepare(LiveRequest(table=TableRequest(guitar="open-d"), out_port="s", in_port="k", also=("E",)))
    (said,) = [one for one in also.notices if "off the guitar" in one]
    assert "21.5 cents below" in said


def test_sessions_and_their_sheets(folder: Path) -> None:
    (folder / "evening.toml").write_text(
        'schema = 1\ntitle = "Evening"\nguitar = "cello"\n\n[[pieces]]\ntitle = "One"\ntrack = "song.mid"\n'
    )
    checked = check_session(folder / "evening.toml")
    assert [one for one in checked.warnings if one.startswith("One: off the guitar") and SAID in one]
    sheet = piece_sheet(checked.plan, checked.plan.pieces[0], Manifest(), {}, Retuned())
    assert any(SAID in one for one in sheet.cautions)
    assert SAID in " ".join(start_here(checked.plan, Manifest()).split())
    built = Built(folder, None, checked.plan, Manifest(), done=0, reused=0)
    assert [one for one in built.notices if SAID in one] == [one for one in checked.warnings if SAID in one]


def test_a_build_asks_what_a_check_asks(folder: Path) -> None:
    """E3 is what the fourth string of open D sounds with a capo at fret 2, and no open string of it."""
    text = 'schema = 1\ntitle = "x"\nguitar = "open-d"\n[[pieces]]\ntitle = "One"\ncapo = 2\nreference = "E3=164.9"\n'
    (folder / "evening.toml").write_text(text)
    checked = check_session(folder / "evening.toml")
    built = Built(folder, None, checked.plan, Manifest(), done=0, reused=0)
    for said in (checked.warnings, built.notices):
        assert any(one.startswith("One: E3 = 164.9 Hz is taken for the open strings") for one in said)


def test_the_sentence_is_one() -> None:
    made = build_table(choose_table(TableRequest(guitar="cello")))
    assert SAID in off_guitar([("", made)])


# -- Python, and while it plays


def test_python_warns_of_the_line_that_asked() -> None:
    for ask in (bridge.table, bridge.frequencies):
        with pytest.warns(bridge.OffGuitarWarning, match=re.escape(SAID)) as caught:
            ask(guitar="cello")
        assert [one.filename for one in caught] == [__file__]
        ask(guitar="open-d", reference="D3=146.5")  # agrees: warnings are errors here
    song = mido.MidiFile("song.mid")
    with pytest.warns(bridge.OffGuitarWarning, match=re.escape(SAID)) as caught:
        bridge.retune(song, guitar="cello")
    assert [one.filename for one in caught] == [__file__]


def test_a_table_that_is_switched_to_says_so_when_it_holds() -> None:
    """From home to E, whose fifth takes B from 15/8 of D, a comma below three fifths: nothing at home, E says it."""
    prepared = prepare(
        LiveRequest(table=TableRequest(guitar="open-d"), out_port="s", in_port="k", also=("E",))
    )
    home, other = prepared.plan.tables
    assert home.off_guitar == ""
    assert "21.5 cents below the table" in other.off_guitar
    before, after = _state(1), _state(2)
    with Desk() as desk:
        desk._labels = prepared.labels
        desk._off_guitar(before, after)
        (said,) = desk._messages
        assert said.kind == "said"
        assert said.text == f"{other.name}: {other.off_guitar}"
        desk._off_guitar(after, after)
        desk._off_guitar(after, before)
        desk._off_guitar(before, _state(2, equal=True))
        assert len(desk._messages) == 1


def _state(number: int, equal: bool = False) -> State:
    return State(kept=Kept(number, equal=equal))
