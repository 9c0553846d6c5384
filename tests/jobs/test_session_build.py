"""Building a session: the same bytes every time, only what changed, all or nothing whatever happens."""

from __future__ import annotations

import errno
import hashlib
import importlib.util
import math
import os
import shutil
import signal
import subprocess
import sys
import zipfile
from pathlib import Path

import mido
import pytest
from support import once

from bridge.errors import InputProblem, OutputProblem
from bridge.jobs.session import folder as session_folder
from bridge.jobs.session import piece as session_piece
from bridge.jobs.session.build import build_session
from bridge.jobs.session.folder import FolderBuild
from bridge.jobs.session.paper import pages as session_pages
from bridge.jobs.session.reading_back.verify import verify_session
from bridge.tuning.notes import note_name

SESSION = """\
schema = 1
title = "Short"
guitar = "open-g"
reference = "G3=195.1"
pages = false

[drone]
notes = ["1"]
seconds = 2

[trims]
range_cents = 10
step_cents = 10

[[synths]]
name = "keys"
profile = "fluidsynth"

[[synths]]
name = "bent"
profile = "bend-only"

[[synths]]
name = "eight"
profile = "gm2"
"""


def add_piece(folder: Path, name: str, *more: str) -> None:
    """Add a piece with a track of its own to the session of a folder."""
    midi = mido.MidiFile(ticks_per_beat=96)
    track = mido.MidiTrack([mido.MetaMessage("track_name", name=name)])
    for key in (55, 59, 62, 65, 67, 69):
        track.append(mido.Message("note_on", note=key, velocity=70))
        track.append(mido.Message("note_off", note=key, time=96))
    midi.tracks.append(track)
    midi.save(folder / f"{name}.mid")
    with (folder / "short.toml").open("a") as file:
        file.write("\n".join([f'\n[[pieces]]\ntitle = "{name}"\ntrack = "{name}.mid"', *more, ""]))


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder ``session`` and what is built from it, ``out``."""

    def make(folder: Path) -> None:
        home = folder / "session"
        home.mkdir()
        (home / "short.toml").write_text(SESSION)
        for name in ("one", "two", "three"):
            add_piece(home, name)
        with (home / "short.toml").open("a") as file:
            file.write('\n[[pieces.sections]]\nbar = 2\ntonic = "D"\n')
        build_session(home / "short.toml", folder / "out", processes=1)

    return once.folder(tmp_path_factory, "short", make)


@pytest.fixture
def home(master: Path, tmp_path: Path) -> Path:
    """The session, to be changed."""
    return Path(shutil.copytree(master / "session", tmp_path / "session"))


@pytest.fixture
def out(master: Path, tmp_path: Path) -> Path:
    """What was built from it, to be built again."""
    return Path(shutil.copytree(master / "out", tmp_path / "out"))


def tree(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


def inodes(folder: Path) -> dict[str, tuple[int, int]]:
    return {
        path.relative_to(folder).as_posix(): (path.stat().st_ino, path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file()
    }


def neighbours(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.parent.iterdir())


@pytest.mark.slow
def test_the_same_session_gives_the_same_bytes_everywhere(home: Path, tmp_path: Path) -> None:
    other = tmp_path / "elsewhere" / "deeper"
    shutil.copytree(home, other)
    first = build_session(home / "short.toml", tmp_path / "a", processes=1)
    (tmp_path / "b").mkdir()
    second = build_session(other / "short.toml", tmp_path / "b" / "a", processes=2, zipped=True)
    assert tree(tmp_path / "a") == tree(tmp_path / "b" / "a")
    assert (first.done, first.reused) == (second.done, second.reused) == (16, 0)
    (tmp_path / "c").mkdir()
    third = build_session(home / "short.toml", tmp_path / "c" / "a", processes=1, zipped=True)
    assert third.zip is not None
    assert second.zip is not None
    assert third.zip.read_bytes() == second.zip.read_bytes()


def test_the_zip_file_holds_the_bundle_and_no_times(home: Path, tmp_path: Path) -> None:
    built = build_session(home / "short.toml", tmp_path / "out", processes=1, zipped=True)
    assert built.zip == tmp_path / "out.zip"
    with zipfile.ZipFile(built.zip) as archive:
        assert archive.testzip() is None
        entries = archive.infolist()
        assert {entry.filename: archive.read(entry) for entry in entries} == {
            f"out/{name}": data for name, data in tree(tmp_path / "out").items()
        }
    assert {entry.date_time for entry in entries} == {(1980, 1, 1, 0, 0, 0)}
    assert {entry.compress_type for entry in entries} == {zipfile.ZIP_STORED}
    assert [entry.filename for entry in entries] == sorted(entry.filename for entry in entries)
    (tmp_path / "out").rename(tmp_path / "moved")
    with pytest.raises(OutputProblem, match=r"out.zip exists already"):
        build_session(home / "short.toml", tmp_path / "out", processes=1, zipped=True)
    assert not (tmp_path / "out").exists()


def test_a_second_build_needs_permission_and_then_does_nothing_again(home: Path, out: Path) -> None:
    before, content = inodes(out), tree(out)
    with pytest.raises(OutputProblem, match=r"out exists already .*--overwrite"):
        build_session(home / "short.toml", out)
    assert inodes(out) == before
    again = build_session(home / "short.toml", out, overwrite=True, processes=2)
    assert (again.done, again.reused, again.removed) == (0, 16, ())
    assert tree(out) == content
    after = inodes(out)
    always = {"START-HERE.txt", "manifest.json"}
    kept = {name for name in after if after[name] == before[name]}
    remade = set(after) - kept
    assert all(
        name in always or name.startswith("session/") or "load-everything" in name or "back-to-equal" in name
        for name in remade
    )


@pytest.mark.slow
def test_one_change_touches_one_piece(home: Path, out: Path) -> None:
    before = inodes(out)
    text = (home / "short.toml").read_text()
    (home / "short.toml").write_text(
        text.replace('title = "two"', 'title = "two"\nname = "two"\ndegrees = { b7 = "7/4" }')
    )
    again = build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert again.done == 5  # tables and drone, how pure it is, and three synths
    after = inodes(out)
    for name in after:
        if "/02-two" in name:
            assert after[name] != before[name]
        elif "/01-" in name or "/03-" in name or name.startswith("reference"):
            assert after[name] == before[name]
    assert not verify_session(out).problems
    # What players read of a piece changes no sound.
    (home / "short.toml").write_text(
        (home / "short.toml").read_text().replace('name = "two"', 'name = "two"\nnotes = "Softly."')
    )
    again = build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert again.done == 0
    assert "Softly." in (out / "START-HERE.txt").read_text()
    # Another note in the track makes the track again, and leaves the drone.
    midi = mido.MidiFile(home / "two.mid")
    midi.tracks[0].insert(0, mido.Message("note_on", note=70, velocity=50))
    midi.tracks[0].insert(1, mido.Message("note_off", note=70, time=96))
    midi.save(home / "two.mid")
    again = build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert again.done == 4  # how pure it is, and three synths
    for name, inode in inodes(out).items():
        if name.startswith(("drones/", "tables/")):
            assert inode == after[name], f"{name} was made again"
    assert not verify_session(out).problems


def test_what_the_session_no_longer_has_goes(home: Path, out: Path) -> None:
    text = (home / "short.toml").read_text()
    (home / "short.toml").write_text(text.replace('\n[[pieces.sections]]\nbar = 2\ntonic = "D"\n', ""))
    again = build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert "synths/keys/03-three.bar-2.recall.mid" in again.removed
    assert not (out / "synths/keys/03-three.bar-2.recall.mid").exists()
    assert not verify_session(out).problems


def test_a_file_that_was_spoilt_is_made_again(home: Path, out: Path) -> None:
    content = tree(out)
    (out / "synths/keys/01-one.syx").write_bytes(b"\xf0\xf7")
    (out / "tables/02-two.csv").unlink()
    again = build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert again.done == 2
    assert tree(out) == content


@pytest.mark.parametrize(
    ("prepare", "says"),
    [
        (lambda out: (out.mkdir(), (out / "dear.txt").write_text("x")), "holds files that are no session's"),
        (lambda out: out.write_text("x"), "is a file, not a folder"),
    ],
)
def test_what_no_build_made_stays(prepare, says: str, home: Path, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    out = tmp_path / "out"
    prepare(out)
    with pytest.raises(OutputProblem, match=says):
        build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert neighbours(out) == ["out", "session"]
    assert "x" in (out.read_text() if out.is_file() else (out / "dear.txt").read_text())


def test_a_file_put_into_a_bundle_is_not_removed(home: Path, out: Path) -> None:
    (out / "synths" / "keys" / "my-own.syx").write_bytes(b"dear")
    with pytest.raises(OutputProblem, match=r"synths/keys/my-own.syx, which the build did not make"):
        build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert (out / "synths" / "keys" / "my-own.syx").read_bytes() == b"dear"


def test_what_file_managers_leave_is_no_obstacle(home: Path, out: Path) -> None:
    (out / "synths" / ".DS_Store").write_bytes(b"x")
    assert not verify_session(out).problems
    build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert not (out / "synths" / ".DS_Store").exists()


def test_titles_of_any_language_are_read_on_the_page(home: Path, tmp_path: Path) -> None:
    text = (home / "short.toml").read_text()
    (home / "short.toml").write_text(
        text.replace('title = "two"', 'title = "Ærø, Übung Nº 2"'), encoding="utf-8"
    )
    built = build_session(home / "short.toml", tmp_path / "out", processes=1)
    assert "Ærø, Übung Nº 2" in (built.folder / "START-HERE.txt").read_text("utf-8")
    assert (built.folder / "tables" / "02-r-ubung-no-2.csv").exists()
    assert not verify_session(built.folder).problems


def test_a_synth_without_pieces_and_one_with_an_awkward_name(home: Path, tmp_path: Path) -> None:
    text = (home / "short.toml").read_text().replace('name = "keys"', 'name = "tables"')
    text = text.replace('title = "one"', 'title = "one"\nsynths = ["tables"]')
    text = text.replace('title = "two"', 'title = "two"\nsynths = ["tables", "eight"]')
    text = text.replace('title = "three"', 'title = "three"\nsynths = []')
    (home / "short.toml").write_text(text)
    built = build_session(home / "short.toml", tmp_path / "out", processes=1)
    assert "No piece is for this synth." in (built.folder / "START-HERE.txt").read_text()
    assert (built.folder / "synths/tables/02-two.syx").exists()
    assert not verify_session(built.folder).problems
    again = build_session(home / "short.toml", tmp_path / "out", overwrite=True, processes=1)
    assert again.done == 0


def test_the_bundle_may_not_take_the_place_of_the_session(home: Path, tmp_path: Path) -> None:
    for folder in (home, tmp_path):
        with pytest.raises(OutputProblem, match="holds the session file itself"):
            build_session(home / "short.toml", folder, overwrite=True)
    built = build_session(home / "short.toml", home / "out", processes=1)  # inside is fine
    assert built.folder == home / "out"


def test_an_empty_folder_is_filled_and_a_link_is_followed(home: Path, tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    build_session(home / "short.toml", tmp_path / "link", processes=1)
    assert (tmp_path / "link").is_symlink()
    assert (tmp_path / "real" / "manifest.json").exists()
    with pytest.raises(OutputProblem, match="make the folder first"):
        build_session(home / "short.toml", tmp_path / "no" / "such")


@pytest.mark.parametrize("processes", [1, 2])
def test_a_build_that_fails_leaves_the_old_bundle(processes: int, home: Path, out: Path) -> None:
    before = inodes(out)
    (home / "two.mid").write_bytes(b"MThd\0\0\0\6\0\1\0\1\0\x60MTrk\0\0\1\0\0\x90")
    (home / "three.mid").write_bytes(b"not music")
    with pytest.raises(InputProblem, match=r"short.toml, line 31: two.mid is cut off"):
        build_session(home / "short.toml", out, overwrite=True, processes=processes)
    assert inodes(out) == before
    assert neighbours(out) == ["out", "session"]


def test_a_full_disk_leaves_nothing(home: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(root: Path, made: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(session_piece, "write_made", full)
    with pytest.raises(OutputProblem, match="the disk is full"):
        build_session(home / "short.toml", tmp_path / "out", processes=1)
    assert neighbours(tmp_path / "out") == ["session"]


def test_two_builds_of_one_folder_do_not_run_at_once(home: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with FolderBuild(out), pytest.raises(OutputProblem, match="being built at this moment"):
        build_session(home / "short.toml", out, processes=1)
    assert neighbours(out) == ["session"]
    build_session(home / "short.toml", out, processes=1)


def test_without_an_atomic_exchange_two_steps_do(
    home: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    content = tree(out)
    monkeypatch.setattr(session_folder, "_exchange", lambda one, other: False)
    build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert tree(out) == content
    assert neighbours(out) == ["out", "session"]


def test_a_build_killed_between_two_steps_is_put_right(home: Path, out: Path, tmp_path: Path) -> None:
    content = tree(out)
    out.rename(tmp_path / ".out.before-0123abcd")
    (tmp_path / ".out.building-89abcdef").mkdir()
    again = build_session(home / "short.toml", out, overwrite=True, processes=1)
    assert again.reused == 16
    assert tree(out) == content
    assert neighbours(out) == ["out", "session"]


@pytest.fixture
def printed(home: Path) -> Path:
    """The session with pages to print."""
    (home / "short.toml").write_text(
        (home / "short.toml").read_text().replace("pages = false", "pages = true")
    )
    return home


@pytest.mark.slow
def test_pages_come_for_every_piece_and_for_the_whole(printed: Path, tmp_path: Path) -> None:
    built = build_session(printed / "short.toml", tmp_path / "out", processes=1)
    names = [
        f"{stem}.{ending}"
        for stem in ("01-one", "02-two", "03-three", "session-singer-violin", "session")
        for ending in ("html", "pdf")
    ]
    assert sorted(path.name for path in (tmp_path / "out/pages").iterdir()) == sorted(names)
    assert "pages" in (tmp_path / "out/START-HERE.txt").read_text()
    for name in names:
        data = (tmp_path / "out/pages" / name).read_bytes()
        assert data.startswith(b"<!DOCTYPE html>" if name.endswith("html") else b"%PDF-")
    whole = (tmp_path / "out/pages/session.html").read_text("utf-8")
    assert all(word in whole for word in ("Short", "one", "two", "three", "load-everything", "program 1"))
    assert not verify_session(tmp_path / "out").problems
    other = build_session(printed / "short.toml", tmp_path / "other", processes=2)
    assert tree(tmp_path / "out") == tree(tmp_path / "other")
    assert (built.done, other.done) == (21, 21)


@pytest.mark.slow
def test_a_changed_piece_changes_its_page_and_that_of_the_whole(printed: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    build_session(printed / "short.toml", out, processes=1)
    before = inodes(out / "pages")
    assert build_session(printed / "short.toml", out, overwrite=True, processes=1).done == 0
    text = (printed / "short.toml").read_text()
    (printed / "short.toml").write_text(
        text.replace('title = "two"', 'title = "two"\nnotes = "Second time softly."')
    )
    assert build_session(printed / "short.toml", out, overwrite=True, processes=1).done == 3
    after = inodes(out / "pages")
    assert {name for name in after if after[name] != before[name]} == {
        f"{stem}.{ending}"
        for stem in ("02-two", "session", "session-singer-violin")
        for ending in ("html", "pdf")
    }
    for name in ("02-two.html", "session.html"):
        assert "Second time softly." in (out / "pages" / name).read_text("utf-8")
    assert not verify_session(out).problems


@pytest.mark.slow
def test_a_long_session_comes_in_parts(
    printed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_pages, "MOST_PIECES", 2)
    build_session(printed / "short.toml", tmp_path / "out", processes=1)
    names = {path.name for path in (tmp_path / "out/pages").glob("session*")}
    assert names == {
        f"session-{span}{form}.{ending}"
        for span in ("001-002", "003-003")
        for form in ("", "-singer-violin")
        for ending in ("html", "pdf")
    }
    assert not verify_session(tmp_path / "out").problems


@pytest.mark.slow
def test_a_string_that_has_drifted_takes_one_command(printed: Path, tmp_path: Path) -> None:
    """D3 at 9 cents below equal, against what the file says: everything moves as far, and the pages are told."""
    out = tmp_path / "out"
    file = printed / "short.toml"
    before = file.read_bytes()
    first = build_session(file, out, processes=1)
    assert first.differs == ()
    old = first.plan.session.reference
    assert old is not None
    now = f"{note_name(old.key)}-9c"
    moved = build_session(file, out, overwrite=True, processes=1, reference=now)
    assert file.read_bytes() == before
    assert f'reference = "{now}"' in (out / "session/short.toml").read_text("utf-8")
    now_hz = 440 * 2 ** ((old.key - 69 - 0.09) / 12)  # 9 cents below what a tuner at A4 = 440 Hz wants
    cents = 1200 * math.log2(now_hz / old.hz)
    followers = sum(piece.follows_reference for piece in moved.plan.session.pieces)
    assert followers > 0
    assert f" {abs(cents):.1f} cents lower than on the pages printed before" in moved.differs[0]
    assert any(line.startswith("print again: pages/") for line in moved.differs)
    assert f"{now_hz:.2f}" in (out / "pages/session.html").read_text("utf-8")
    assert not verify_session(out).problems
    again = build_session(file, out, overwrite=True, processes=1, reference=now)
    assert (again.done, again.differs) == (0, ())


def test_without_the_libraries_there_are_no_pages_and_a_word(
    printed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = importlib.util.find_spec
    monkeypatch.setattr(
        importlib.util, "find_spec", lambda name, *a: None if name == "typst" else real(name, *a)
    )
    built = build_session(printed / "short.toml", tmp_path / "out", processes=1)
    assert any("typst is not installed" in notice for notice in built.notices)
    assert not (tmp_path / "out/pages").exists()
    assert not verify_session(tmp_path / "out").problems


KILLED = """
import sys
from pathlib import Path
from bridge.jobs.session.build import build_session
if __name__ == "__main__":
    build_session(Path(sys.argv[1]), Path(sys.argv[2]), overwrite=True, processes=2,
                  progress=lambda name, done: print(name, flush=True))
"""


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="only where processes can be killed")
def test_a_killed_build_leaves_the_old_bundle_whole(home: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    for number in range(9):
        add_piece(home, f"more-{number}", "drone = { notes = ['1', '5'], seconds = 8 }")
    build_session(home / "short.toml", out, processes=1)
    before, content = inodes(out), tree(out)
    text = (home / "short.toml").read_text()
    (home / "short.toml").write_text(text.replace("G3=195.1", "G3=194.2"))
    script = tmp_path / "killed.py"
    script.write_text(KILLED)
    for lines in (1, 4):
        child = subprocess.Popen(
            [sys.executable, str(script), str(home / "short.toml"), str(out)],
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        )
        assert child.stdout is not None
        for _ in range(lines):
            assert child.stdout.readline()
        child.send_signal(signal.SIGKILL)
        assert child.wait() == -signal.SIGKILL
        child.stdout.read()  # ends only when every process of the build has gone
        child.stdout.close()
        assert inodes(out) == before
        assert tree(out) == content
        assert any(name.startswith(".out.building-") for name in neighbours(out))
    (home / "short.toml").write_text(text)
    assert not verify_session(out).problems
    (home / "short.toml").write_text(text.replace("G3=195.1", "G3=194.2"))
    build_session(home / "short.toml", out, overwrite=True, processes=2)
    assert not verify_session(out).problems
    assert neighbours(out) == ["killed.py", "out", "session"]


def test_hashes_in_the_manifest_are_of_the_content(home: Path, tmp_path: Path) -> None:
    built = build_session(home / "short.toml", tmp_path / "out", processes=1)
    for path, facts in built.manifest.files.items():
        data = (built.folder / path).read_bytes()
        assert (hashlib.sha256(data).hexdigest(), len(data)) == (facts["sha256"], facts["bytes"])


def test_letters_that_a_pdf_cannot_show_are_told_and_kept_in_mind(tmp_path: Path) -> None:
    text = 'schema = 1\ntitle = "Sea"\n[trims]\nrange_cents = 0\n[[pieces]]\ntitle = "海"\nname = "umi"\ntonic = "D"\n'
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "sea.toml").write_text(text, encoding="utf-8")
    for again in (False, True):
        built = build_session(tmp_path / "in" / "sea.toml", tmp_path / "out", overwrite=again, processes=1)
        assert [notice.partition(" has no letters for 海 ")[0] for notice in built.notices] == [
            "pages/01-umi.pdf",
            "pages/session.pdf",
        ]
    assert "海" in (tmp_path / "out" / "pages" / "01-umi.html").read_text(encoding="utf-8")


def test_ctrl_c_while_the_lock_is_made_leaves_none(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    really = os.open

    def opened(path: Path, *more: int) -> int:
        descriptor = really(path, *more)
        signal.raise_signal(signal.SIGINT)
        return descriptor

    before = signal.signal(signal.SIGINT, signal.default_int_handler)  # who started us may ignore it
    try:
        with monkeypatch.context() as patched:
            patched.setattr(session_folder.os, "open", opened)
            with pytest.raises(KeyboardInterrupt), FolderBuild(tmp_path / "bundle"):
                pytest.fail("nothing is built after Ctrl-C")
    finally:
        signal.signal(signal.SIGINT, before)
    assert list(tmp_path.iterdir()) == []
