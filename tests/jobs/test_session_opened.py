"""An evening is played from its file, from the folder that was built of it, or from a zip file, wherever that lies."""

from __future__ import annotations

import shutil
import struct
import zipfile
from pathlib import Path

import pytest

from bridge.errors import InputProblem
from bridge.jobs.session import opened
from bridge.jobs.session.build import build_session
from bridge.jobs.session.folder import write_zip
from bridge.jobs.session.opened import session_file
from bridge.jobs.session.reading_back.verify import verify_session
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.store.files import open_atomic
from bridge.store.finding import tables_dir

EVENING = Path(__file__).resolve().parents[2] / "examples" / "evening"


@pytest.fixture(scope="session")
def bundle(evening_bundle: Path) -> Path:
    return evening_bundle


def plan_of(path: Path) -> object:
    with session_file(path) as file:
        return prepare_evening(EveningRequest(file=file, in_port="keys")).plan


@pytest.fixture(scope="module")
def zipped(bundle: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("zipped") / "bundle.zip"
    names = [one.relative_to(bundle).as_posix() for one in bundle.rglob("*") if one.is_file()]
    with open_atomic(path) as stream:
        write_zip(stream, bundle, bundle.name, names)
    return path


@pytest.mark.slow
def test_the_folder_that_was_built_plays_as_its_session_does(bundle: Path, tmp_path: Path) -> None:
    wanted = prepare_evening(EveningRequest(file=EVENING / "evening.toml", in_port="keys")).plan
    moved = tmp_path / "other computer" / "Thursday"
    shutil.copytree(bundle, moved)
    assert plan_of(moved) == wanted
    for path in (moved, moved / "session", moved / "session" / "evening.toml"):
        with session_file(path) as file:
            assert file == moved / "session" / "evening.toml"


@pytest.mark.slow
def test_a_zip_of_it_plays_as_well_and_leaves_nothing_behind(
    bundle: Path, zipped: Path, tmp_path: Path
) -> None:
    wanted = prepare_evening(EveningRequest(file=EVENING / "evening.toml", in_port="keys")).plan
    assert plan_of(zipped) == wanted
    other = tmp_path / "without its ending"
    shutil.copy(zipped, other)
    with session_file(other) as file:
        assert file.is_file()
        folder = file.parents[1]
        assert {one.name for one in folder.iterdir()} == {"manifest.json", "session"}, "only what is played"
    assert not folder.exists()


@pytest.mark.slow
def test_one_that_was_packed_again_by_hand_plays(bundle: Path, tmp_path: Path) -> None:
    """Packed without the folder around it, compressed, with what a desktop adds."""
    path = tmp_path / "again.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for one in bundle.rglob("*"):
            archive.write(one, one.relative_to(bundle))
        archive.writestr("__MACOSX/._manifest.json", b"\0")
    assert plan_of(path) == plan_of(bundle)


def changed(zipped: Path, path: Path, **entries: bytes) -> Path:
    """Copy a zip file and add entries to it."""
    shutil.copy(zipped, path)
    with zipfile.ZipFile(path, "a", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    return path


@pytest.mark.parametrize(
    "name",
    [
        "../outside.toml",
        "bundle/session/../../../outside.toml",
        "/outside.toml",
        "C:/outside.toml",
        "bundle/session/a\\..\\..\\outside.toml",
        "bundle//session/outside.toml",
    ],
)
def test_names_that_lead_elsewhere_are_refused(zipped: Path, tmp_path: Path, name: str) -> None:
    path = changed(zipped, tmp_path / "bad.zip", **{name: b"x"})
    with pytest.raises(InputProblem, match=r"outside the bundle.*do not trust it"):
        plan_of(path)
    assert [one.name for one in tmp_path.iterdir()] == ["bad.zip"]


def test_links_are_refused(zipped: Path, tmp_path: Path) -> None:
    path = tmp_path / "link.zip"
    shutil.copy(zipped, path)
    entry = zipfile.ZipInfo("bundle/session/tracks")
    entry.create_system, entry.external_attr = 3, 0o120777 << 16
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr(entry, "/etc")
    with pytest.raises(InputProblem, match="a link or a device"):
        plan_of(path)


def test_what_unpacks_to_too_much_is_refused_whatever_it_says(
    zipped: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(opened, "MOST_BYTES", 1 << 20)
    big = changed(zipped, tmp_path / "big.zip", **{"bundle/session/big": bytes(2 << 20)})
    assert big.stat().st_size < zipped.stat().st_size + 10_000, "it looks small"
    with pytest.raises(
        InputProblem, match=r"session/big unpacks to too much .at most a file of 1 MB, 1024 MB"
    ):
        plan_of(big)
    data = big.read_bytes()  # and one whose directory says that it is small
    at = data.rindex(b"bundle/session/big") - 46
    assert data[at : at + 4] == b"PK\x01\x02"
    big.write_bytes(data[: at + 24] + struct.pack("<I", 100) + data[at + 28 :])
    with pytest.raises(InputProblem, match=r"cannot be unpacked|unpacks to too much"):
        plan_of(big)
    monkeypatch.setattr(opened, "MOST_UNPACKED_BYTES", 1 << 10)
    with pytest.raises(InputProblem, match="unpacks to too much"):
        plan_of(zipped)
    monkeypatch.setattr(opened, "MOST_FILES", 5)
    with pytest.raises(InputProblem, match=r"holds \d+ files .at most 5"):
        plan_of(zipped)


def test_the_same_file_twice_is_refused(zipped: Path, tmp_path: Path) -> None:
    path = changed(zipped, tmp_path / "twice.zip", **{"bundle/session/EVENING.toml": b"x"})
    with pytest.raises(InputProblem, match=r"EVENING.toml twice|evening.toml twice"):
        plan_of(path)


def test_zip_files_that_are_damaged_or_something_else_say_so(zipped: Path, tmp_path: Path) -> None:
    data = zipped.read_bytes()
    path = tmp_path / "bad.zip"
    for bad in (b"", b"PK\x03\x04", data[: len(data) // 2], b"schema = 1\n"):
        path.write_bytes(bad)
        with pytest.raises(InputProblem, match=r"bad.zip"):
            plan_of(path)
    other = tmp_path / "other.zip"
    with zipfile.ZipFile(other, "w") as archive:
        archive.writestr("evening.toml", "schema = 1")
    with pytest.raises(InputProblem, match=r"holds no manifest\.json.*session build"):
        plan_of(other)
    with pytest.raises(InputProblem, match="there is no file"):
        plan_of(tmp_path / "none.zip")


def test_a_damaged_file_in_it_is_said(zipped: Path, tmp_path: Path) -> None:
    data = bytearray(zipped.read_bytes())
    at = data.index(b"Low Water", data.index(b"session/evening.toml"))
    data[at] ^= 0xFF
    path = tmp_path / "worn.zip"
    path.write_bytes(data)
    with pytest.raises(InputProblem, match="cannot be unpacked: Bad CRC"):
        plan_of(path)


def test_folders_that_no_build_made_and_that_lack_something(bundle: Path, tmp_path: Path) -> None:
    with pytest.raises(
        InputProblem, match=r"holds no manifest.json.*name the session's file, such as .*evening.toml"
    ):
        plan_of(EVENING)
    with pytest.raises(InputProblem, match=r"holds no manifest.json.*name the session's file\)"):
        plan_of(tmp_path)
    moved = tmp_path / "half"
    moved.mkdir()
    shutil.copy(bundle / "manifest.json", moved)
    with pytest.raises(InputProblem, match=r"lacks session/evening.toml .copy the whole folder"):
        plan_of(moved)


OWN_SESSION = """
schema = 1
title = "Of our own"
guitar = "ours"
reference = "D3=146.5"
pages = false

[[synths]]
name = "box"
profile = "probed-box"
port = "box"

[[pieces]]
title = "First"
table = "tonight"

[[pieces.sections]]
bar = 5
table = "tonight"
"""


def test_descriptions_of_ones_own_come_along(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A profile that was probed, a guitar and a table: named in the session, known to this computer alone."""
    here, there = tmp_path / "here", tmp_path / "there"
    config = here / "config" / "stillbeat"
    shipped = tables_dir()
    for kind, name, text in (
        (
            "guitars",
            "ours.toml",
            (shipped / "guitars" / "open-g.toml").read_text().replace('"open-g"', '"ours"'),
        ),
        (
            "synths",
            "probed-box.toml",
            (shipped / "synths" / "fluidsynth.toml").read_text().replace('"fluidsynth"', '"probed-box"'),
        ),
        ("tables", "tonight.table.toml", 'schema = 1\nguitar = "ours"\nreference = "G3=195"\n'),
    ):
        (config / kind).mkdir(parents=True)
        (config / kind / name).write_text(text)
    monkeypatch.setattr("bridge.store.finding.user_dir", lambda: config)
    (here / "ours.toml").write_text(OWN_SESSION)
    wanted = plan_of(here / "ours.toml")
    build_session(here / "ours.toml", here / "bundle", processes=1, zipped=True)
    assert verify_session(here / "bundle").problems == []
    own = here / "bundle" / "session" / "own"
    assert sorted(one.relative_to(own).as_posix() for one in own.rglob("*.toml")) == [
        "guitars/ours.toml",
        "synths/probed-box.toml",
        "tables/tonight.table.toml",
    ]
    monkeypatch.setattr("bridge.store.finding.user_dir", lambda: there / "nothing")
    with pytest.raises(InputProblem, match="ours"):
        plan_of(here / "ours.toml")
    shutil.move(here / "bundle", there)
    assert plan_of(there) == wanted
    shutil.move(here / "bundle.zip", tmp_path / "b.zip")
    assert plan_of(tmp_path / "b.zip") == wanted
