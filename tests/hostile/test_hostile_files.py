"""Single hostile files and words: each is refused with a sentence that names the limit, and nothing raw is shown."""

from __future__ import annotations

import json
import os
import struct
import tracemalloc
from pathlib import Path

import pytest
from support.described import profile_from_toml
from support.hostile import number

from bridge.cli import main
from bridge.errors import InputProblem, StillbeatError, visible
from bridge.jobs.read import read_table
from bridge.store.descriptions import load_table
from bridge.store.files import read_bytes
from bridge.store.json_text import parse_json
from bridge.store.practice.lists import read_list
from bridge.store.smf import parse_midi
from bridge.store.toml import parse_toml

END = b"\0\xff\x2f\0"
NOTE = b"\0\x90\x40\x40\x60\x80\x40\0"


def smf(file_format: int, division: int, tracks: list[bytes]) -> bytes:
    head = b"MThd" + struct.pack(">IHHH", 6, file_format, len(tracks), division)
    return head + b"".join(b"MTrk" + struct.pack(">I", len(track)) + track for track in tracks)


def rows(keys: list[int]) -> bytes:
    return json.dumps({"keys": [{"key": key, "hz": 440.0} for key in keys]}).encode()


@pytest.mark.parametrize(
    ("keys", "says"),
    [
        ([7] * 128, r"key 7 stands there 128 times, key 0 is missing \(and 126 more\)"),
        ([*range(127), 5], "key 5 stands there 2 times, key 127 is missing"),
        (list(range(127)), "key 127 is missing"),
        ([*range(127), 128], "names the key 128"),
        ([*range(127), -1], "names the key -1"),
    ],
)
def test_a_table_has_each_key_once(keys: list[int], says: str, tmp_path: Path) -> None:
    path = tmp_path / "t.json"
    path.write_bytes(rows(keys))
    with pytest.raises(InputProblem, match=says):
        read_table(path)
    csv = tmp_path / "t.csv"
    csv.write_text("key,hz\n" + "".join(f"{key},440\n" for key in keys))
    with pytest.raises(InputProblem, match=says):
        read_table(csv)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"[" * 100_000, "nested too deep"),
        (b"1" * 5000, "cannot be read: not JSON"),
        (b'{"a": Infinity}', "Infinity is no number"),
        (b'{"a": 1e999}', "too large"),
        (b"\xff\xfe", "not JSON"),
    ],
)
def test_json_that_is_none(text: bytes, says: str) -> None:
    with pytest.raises(InputProblem, match=says):
        parse_json(text, "x.json")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (b"a = " + b"[" * 3000, "nested too deep"),
        (b"a = " + b"1" * 5000, "thousands of digits"),
        (b"x = 1\na" + b".a" * 100_000 + b" = 1", "line 2: a name with more than 32 dots"),
        (b"a = " + b"0" * 1_100_000, ""),
    ],
)
def test_toml_that_costs_much(text: bytes, says: str, tmp_path: Path) -> None:
    path = tmp_path / "t.table.toml"
    path.write_bytes(text)
    with pytest.raises(InputProblem, match=says or "larger than 1 MB"):
        load_table(str(path))


def test_a_list_of_many_sections_takes_no_more_than_its_text(tmp_path: Path) -> None:
    """Found by the campaign: to find lines, each section held as many empty lines as stand above it."""
    path = tmp_path / "list.toml"
    path.write_text("schema = 1\n" + '[[exercise]]\nwhat = "sing"\n' * 15_000)
    tracemalloc.start()
    with pytest.raises(InputProblem, match=r"line 2: 15000 exercises"):
        read_list(path)
    assert tracemalloc.get_traced_memory()[1] < 100 * 1024 * 1024  # it was 250 MB and more
    tracemalloc.stop()
    path.write_text("schema = 1\n" + '[[exercise]]\nwhat = "sing"\n' * 3 + "[[exercise]]\nwhat = 5\n")
    with pytest.raises(InputProblem, match=r"line 9: what = 5"):
        read_list(path)


def test_dots_in_texts_are_no_names() -> None:
    parse_toml(b'a = "' + b"wait ... " * 60 + b'"\nb = "x.y.z"\n', "x")


@pytest.mark.skipif(not os.path.exists("/dev/zero"), reason="no /dev/zero on this system")
def test_a_file_without_end_is_refused() -> None:
    with pytest.raises(InputProblem, match="larger than 1 MB"):
        load_table("/dev/../dev/zero")
    with pytest.raises(InputProblem, match="larger than"):
        read_bytes("/dev/zero", 1_000_000)


def test_a_nul_in_a_path_is_refused() -> None:
    with pytest.raises(StillbeatError):
        load_table("a\0b.table.toml")
    with pytest.raises(InputProblem):
        read_bytes("a\0b.mid")


def test_many_pieces_of_their_own_are_refused() -> None:
    assert len(parse_midi(smf(2, 480, [NOTE + END] * 200)).tracks) == 200
    with pytest.raises(InputProblem, match=r"201 pieces of their own .* may hold 200"):
        parse_midi(smf(2, 480, [NOTE + END] * 201))


def test_a_piece_of_23_hours_is_not_rendered_unasked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("long.mid").write_bytes(smf(0, 1, [b"\0\x90\x40\x40" + number(165_600) + b"\x80\x40\0" + END]))
    with pytest.raises(SystemExit) as left:
        main(["render", "long.mid", "-o", "long.wav"])
    assert left.value.code == 3
    assert "lasts 23.0 hours, more than 1" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["long.mid"]


PROFILE = 'schema = 1\nname = "x"\ntitle = "x"\nsource = "x"\nunits = "x"\nmethods = ["note"]\n'


@pytest.mark.parametrize("odd", ["[[1]]", "[{}]", "5", '"note"', "[1]", '["nothing"]'])
def test_odd_lists_in_a_profile(odd: str) -> None:
    with pytest.raises(InputProblem, match="line 7: sounding"):
        profile_from_toml(PROFILE + f"sounding = {odd}\n")


TABLE = 'schema = 1\nunits = "x"\ntonic = "D"\n'


@pytest.mark.parametrize("entry", ["guitar", "scale"])
@pytest.mark.parametrize(
    "where", ["../out.toml", "{folder}/out.toml", "~/out.toml", "C:/out.toml", "in/link.toml", "."]
)
def test_a_table_names_only_files_of_its_own_folder(entry: str, where: str, tmp_path: Path) -> None:
    inner = tmp_path / "deep"
    (inner / "in").mkdir(parents=True)
    (tmp_path / "out.toml").write_text("secret = 1\n")
    (inner / "in/link.toml").symlink_to(tmp_path / "out.toml")
    (inner / "t.table.toml").write_text(TABLE + f'{entry} = "{where.format(folder=tmp_path)}"\n')
    with pytest.raises(InputProblem, match=r"line 4: .*outside the folder|unknown") as told:
        load_table(str(inner / "t.table.toml"))
    assert "secret" not in str(told.value)


def test_a_table_finds_what_it_names_from_its_own_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from bridge.store.finding import tables_dir

    (tmp_path / "a/mine").mkdir(parents=True)
    (tmp_path / "a/mine/g.toml").write_bytes((tables_dir() / "guitars/open-d.toml").read_bytes())
    (tmp_path / "a/t.table.toml").write_text(TABLE + 'guitar = "mine/g.toml"\n')
    monkeypatch.chdir(tmp_path)  # where the name leads nowhere
    guitar = load_table("a/t.table.toml").guitar
    assert guitar is not None
    assert guitar.name == "open-d"


def test_nothing_that_a_terminal_obeys_is_shown(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    bad = "\x1b]0;owned\x07\x1b[2J\x9b31m\u202e"
    assert visible(bad + "å\n\t♯") == visible(bad) + "å\n\t♯"
    assert not set(visible(bad)) & set("\x1b\x07\x9b\u202e")
    name = "s\x1b[2J.mid"
    Path(name).write_bytes(smf(0, 480, [b"\0\xff\x03\x05\x1b[2J\x07" + NOTE + END]))
    main_ok(["retune", name, "-o", "o\x07.mid", "--guitar", "open-d"])
    session = (
        'schema = 1\nunits = "x"\ntitle = "T\\u001b[2J"\nname = "t"\nguitar = "open-d"\nnotes = "n\\u0007"\n'
        '[[synths]]\nprofile = "gm2"\n[[pieces]]\ntitle = "P\\u001b]0;x\\u0007"\nname = "p"\nnotes = "\\u009b31m"\n'
    )
    Path("e.toml").write_text(session)
    main_ok(["session", "check", "e.toml"])
    main_ok(["session", "build", "e.toml", "-o", "b", "--jobs", "1"])
    out, err = capsys.readouterr()
    texts = [out, err, *(path.read_text(encoding="utf-8") for path in Path("b").rglob("*.txt"))]
    texts += [path.read_text(encoding="utf-8") for path in Path("b").rglob("*.html")]
    assert len(texts) > 2
    for text in texts:
        assert not set(text) & set("\x1b\x07\x9b"), text


def main_ok(arguments: list[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    assert left.value.code in (0, None), arguments
