"""Which tables a session needs, and where each goes in every synth."""

from __future__ import annotations

from pathlib import Path

import mido
import pytest

from bridge.errors import InputProblem
from bridge.jobs.session.build import build_session
from bridge.jobs.session.check import check_session
from bridge.jobs.session.plan import SessionPlan, plan_session
from bridge.store.session.reading import session_from_toml

HEAD = 'schema = 1\ntitle = "x"\nguitar = "open-d"\n'


def synth(name: str, profile: str, *more: str) -> str:
    return "\n".join([f'[[synths]]\nname = "{name}"\nprofile = "{profile}"', *more, ""])


def piece(title: str, *more: str) -> str:
    return "\n".join([f'[[pieces]]\ntitle = "{title}"', *more, ""])


def section(bar: int, *more: str) -> str:
    return "\n".join([f"[[pieces.sections]]\nbar = {bar}", *more, ""])


def plan(folder: Path, *parts: str) -> SessionPlan:
    return plan_session(session_from_toml(HEAD + "".join(parts), folder, "x.toml"))


def programs(planned: SessionPlan, name: str = "s") -> dict[tuple[int, int], int]:
    return dict(next(one for one in planned.synths if one.synth.name == name).programs)


def test_tables_take_programs_in_order_of_playing(tmp_path: Path) -> None:
    planned = plan(
        tmp_path,
        synth("s", "fluidsynth"),
        piece("a"),
        section(3, 'tonic = "A"'),
        section(5, 'tonic = "D"'),  # home again: the table of the start
        section(7, 'tonic = "A"', 'degrees = { b7 = "7/4" }'),
        section(9, 'title = "only a name"'),
        piece("b", 'tonic = "A"'),
    )
    first = planned.pieces[0]
    assert [(step.label, step.table) for step in first.steps] == [
        ("", 0), ("bar-3", 1), ("bar-5", 0), ("bar-7", 2), ("bar-9", 2),
    ]  # fmt: skip
    assert [spec.name for spec in first.tables] == ["a", "a-bar-3", "a-bar-7"]
    assert first.steps[4].what == "as before"
    assert programs(planned) == {(1, 0): 1, (1, 1): 2, (1, 2): 3, (2, 0): 4}


def test_two_pieces_with_the_same_table_have_programs_of_their_own(tmp_path: Path) -> None:
    assert programs(plan(tmp_path, synth("s", "fluidsynth"), piece("a"), piece("b"))) == {
        (1, 0): 1,
        (2, 0): 2,
    }


def test_what_is_asked_for_is_placed_first(tmp_path: Path) -> None:
    planned = plan(
        tmp_path,
        synth("s", "fluidsynth", 'programs = "1-4"'),
        piece("a"),
        section(3, 'tonic = "A"', "program = 1"),
        piece("b", "program = 3"),
    )
    assert programs(planned) == {(1, 0): 2, (1, 1): 1, (2, 0): 3}


def test_a_synth_gets_only_its_pieces(tmp_path: Path) -> None:
    planned = plan(
        tmp_path,
        synth("s", "fluidsynth", 'programs = "5"'),
        synth("t", "timidity"),
        piece("a", 'synths = ["t"]'),
        piece("b"),
    )
    assert programs(planned) == {(2, 0): 5}
    assert programs(planned, "t") == {(1, 0): 1, (2, 0): 2}


@pytest.mark.parametrize(
    ("profile", "method", "recalls"),
    [
        ("fluidsynth", "note", True),
        ("gm2", "octave", False),
        ("bend-only", "", False),
        ("whole-cents", "", False),
        ("mpe", "", False),
        ("full-midi-tuning", "note", True),
    ],
)
def test_the_method_follows_the_synth(profile: str, method: str, recalls: bool, tmp_path: Path) -> None:
    (found,) = plan(tmp_path, synth("s", profile), piece("a")).synths
    assert (found.method, found.recalls) == (method, recalls)


def test_a_table_that_twelve_offsets_cannot_say_is_left_out(tmp_path: Path) -> None:
    planned = plan(tmp_path, synth("s", "gm2"), piece("a"), piece("b", 'keys = { "F#3" = 183.9 }'))
    (found,) = planned.synths
    assert found.method == "octave"
    assert set(found.left_out) == {(2, 0)}
    assert "octave" in found.left_out[2, 0]


def test_a_synth_that_can_say_it_otherwise_does(tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text(
        'schema = 1\nname = "own"\ntitle = "Own"\nsource = "a test"\nunits = "cents"\n'
        'methods = ["octave", "note"]\n'
    )
    keys = 'keys = { "F#3" = 183.9 }'
    for more, method in ((keys, "note"), ("", "octave")):
        (found,) = plan(tmp_path, '[[synths]]\nprofile = "own.toml"\n', piece("a", more)).synths
        assert (found.method, found.left_out) == (method, {})


def test_key_signatures_make_tables(tmp_path: Path) -> None:
    midi = mido.MidiFile(ticks_per_beat=96)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    for key, time in (("D", 0), ("A", 8 * 96), ("D", 4 * 96)):
        track.append(mido.MetaMessage("key_signature", key=key, time=time))
    track.append(mido.MetaMessage("end_of_track", time=4 * 96))
    midi.save(tmp_path / "t.mid")
    planned = plan(
        tmp_path,
        synth("s", "fluidsynth"),
        piece("a", 'track = "t.mid"', "follow_key_signatures = true"),
        section(3, 'degrees = { b7 = "7/4" }'),
    )
    steps = planned.pieces[0].steps
    assert [(step.label, step.what, step.table) for step in steps] == [
        ("", "", 0),
        ("bar-3", "tonic A, b7=7/4", 1),
        ("bar-4", "tonic D", 0),
    ]


REFUSED = [
    (
        (synth("s", "fluidsynth", 'programs = "1-2"'), piece("a"), section(3, 'tonic = "A"'), piece("b")),
        r"x.toml, line 4: the session has 3 tables for synth s, but only 2 tuning programs \(1-2\)",
    ),
    (
        (synth("s", "fluidsynth"), piece("a", "program = 4"), piece("b", "program = 4")),
        r"x.toml, line 10: 'b' takes tuning program 4 of synth s, which piece 'a' has .*that one: x.toml, line 7",
    ),
    (
        (synth("s", "fluidsynth"), piece("a", "program = 4"), section(3, 'tonic = "A"', "program = 4")),
        r"line 11: 'a' takes tuning program 4 of synth s, which another section of 'a' has",
    ),
    (
        (synth("s", "fluidsynth", 'programs = "1-8"'), piece("a", "program = 9")),
        r"line 8: program = 9 is none that synth s may fill .*1-8; 0 is for backing tracks",
    ),
]


@pytest.mark.parametrize(
    ("parts", "says"), REFUSED, ids=["too many", "two pieces", "two sections", "not allowed"]
)
def test_programs_that_cannot_be_given(parts: tuple[str, ...], says: str, tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match=says):
        plan(tmp_path, *parts)


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """Four bars of 4/4."""
    midi = mido.MidiFile(ticks_per_beat=96)
    midi.tracks.append(
        mido.MidiTrack([mido.Message("note_on", note=62), mido.Message("note_off", note=62, time=16 * 96)])
    )
    midi.save(tmp_path / "song.mid")
    return tmp_path


@pytest.mark.parametrize(
    ("where", "says"),
    [
        (
            section(5, 'tonic = "A"'),
            r"x.toml, line 8: song.mid: there is no bar 5: the piece has bars 1 to 4",
        ),
        (section(4, "beat = 5"), r"x.toml, line 8: song.mid: there is no beat 5 in bar 4"),
    ],
)
def test_a_section_beyond_the_end_is_refused_by_check_and_build(where: str, says: str, song: Path) -> None:
    (song / "x.toml").write_text(HEAD + piece("a", 'track = "song.mid"') + where)
    with pytest.raises(InputProblem, match=says):
        check_session(song / "x.toml")
    with pytest.raises(InputProblem, match=says):
        build_session(song / "x.toml", song / "out")
    assert sorted(path.name for path in song.iterdir()) == ["song.mid", "x.toml"]


def test_check_tells_bars_and_doubts(song: Path) -> None:
    (song / "x.toml").write_text(
        HEAD.replace("guitar", 'reference = "D3=160"\nguitar') + piece("a", 'track = "song.mid"')
    )
    checked = check_session(song / "x.toml")
    assert checked.lengths == {1: 4}
    assert any("D3 = 160 Hz lies" in warning for warning in checked.warnings)
    assert sorted(path.name for path in song.iterdir()) == ["song.mid", "x.toml"]
