"""A first session file is valid as it is written, and everything that its comments show can be used."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest

from bridge.errors import InputProblem, OutputProblem, StillbeatError, ValueProblem
from bridge.jobs.session.start import new_session
from bridge.store.session.new import new_session_text
from bridge.store.session.reading import session_from_toml

EMPTY_MIDI = b"MThd\0\0\0\6\0\0\0\1\1\xe0MTrk\0\0\0\4\0\xff\x2f\0"
"""A Standard MIDI File of one track that ends at once (RP-001)."""


def test_it_reads_back_with_what_was_given(tmp_path: Path) -> None:
    (tmp_path / "tracks").mkdir()
    for name in ("two_strings-down.mid", "two strings down.mid"):
        (tmp_path / "tracks" / name).write_bytes(EMPTY_MIDI)
    session = new_session(
        tmp_path / "friday-lesson.toml",
        guitar="open-g",
        reference="G3=195.1",
        synths=("gm2", "gm2", "fluidsynth"),
        tracks=(tmp_path / "tracks" / "two_strings-down.mid", tmp_path / "tracks" / "two strings down.mid"),
    )
    assert session.title == "Friday lesson"
    assert session.reference is not None
    assert session.reference.hz == 195.1
    assert [synth.name for synth in session.synths] == ["gm2", "gm2-2", "fluidsynth"]
    assert [piece.title for piece in session.pieces] == ["Two strings down", "Two strings down 2"]
    assert [piece.track_text for piece in session.pieces] == [
        "tracks/two_strings-down.mid",
        "tracks/two strings down.mid",
    ]
    assert session.pieces[0].drone.notes == ("1", "5")


def test_pages_are_asked_for_only_where_they_can_be_made(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert new_session(tmp_path / "with.toml").pages
    monkeypatch.setattr("bridge.jobs.session.start.sheets_can_be_made", lambda: False)
    session = new_session(tmp_path / "without.toml")
    assert not session.pages
    assert "pip install 'stillbeat[sheets]'" in (tmp_path / "without.toml").read_text()


def test_with_nothing_given_it_is_valid_too(tmp_path: Path) -> None:
    session = new_session(tmp_path / "x.toml", title='Quotes " and \\ too')
    assert session.title == 'Quotes " and \\ too'
    assert session.pieces[0].spec.home == "D"


def test_every_commented_entry_can_be_used(tmp_path: Path) -> None:
    text = new_session_text("x.toml", "X", "open-d", "D3=146.5", ["fluidsynth"])
    (tmp_path / "tracks").mkdir()
    (tmp_path / "tracks" / "first-piece.mid").write_bytes(b"MThd")
    (tmp_path / "takes").mkdir()
    (tmp_path / "takes" / "string.wav").write_bytes(b"RIFF")
    lines = []
    for line in text.splitlines():
        entry = re.match(r"# (\[\[|[a-z_]+ = )", line)
        lines.append(line[2:] if entry else line)
    used = "\n".join(lines)
    assert len([line for line in lines if line not in text.splitlines()]) > 15
    tomllib.loads(used)
    session = session_from_toml(used, tmp_path)
    piece = session.pieces[0]
    assert (piece.spec.tonic, piece.spec.fret, piece.drone.notes) == ("A", 2, ("D2", "A2"))
    assert piece.sections[0].change.tonic == "G"
    assert session.transposing == ("Bb", "Eb", "F")
    assert session.live.next_controller == 80


def test_bad_starts_leave_nothing(tmp_path: Path) -> None:
    outside = tmp_path / "outside.mid"
    outside.write_bytes(b"MThd")
    folder = tmp_path / "folder"
    folder.mkdir()
    cases: list[tuple[type[StillbeatError], str, dict[str, object]]] = [
        (ValueProblem, "open-", {"guitar": "open-x"}),
        (ValueProblem, "German H", {"reference": "H3=146"}),
        (ValueProblem, "did you mean gm2", {"synths": ("gm3",)}),
        (ValueProblem, "outside the folder", {"tracks": (outside,)}),
        (InputProblem, "no such file", {"tracks": (folder / "missing.mid",)}),
    ]
    for kind, says, options in cases:
        with pytest.raises(kind, match=says):
            new_session(folder / "x.toml", **options)  # type: ignore[arg-type]
        assert list(folder.iterdir()) == []
    with pytest.raises(OutputProblem, match="is TOML"):
        new_session(folder / "x.txt")
    new_session(folder / "x.toml")
    with pytest.raises(OutputProblem, match="--overwrite"):
        new_session(folder / "x.toml")
