"""``stillbeat practise`` as it is typed: help, what is refused and with which code, records, and the two spellings."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.ear.asked import TRIALS
from bridge.ear.course import Course
from bridge.ear.tuning_out import ROUNDS
from bridge.jobs.choose import TableRequest
from bridge.jobs.practise import Assignment, PractiseRequest, assignments, course_record
from bridge.live.practise.run import Leaving
from bridge.store.practice.records import Given, Kept, Record, save_record

NOWHERE = ("--card", "no such sound card")
"""Wherever the tests run, there is no sound card of this name: exit code 4, before anything sounds."""


@pytest.fixture(autouse=True)
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0, command: str = "practise") -> str:
    with pytest.raises(SystemExit) as left:
        main((command, *arguments))
    out, err = capsys.readouterr()
    assert left.value.code == code, err
    return err if code else out


def test_the_command_is_listed_once_and_understood_in_both_spellings(
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit):
        main(("--help",))
    listed = capsys.readouterr().out
    assert listed.count("practise ") == 1
    assert "practice" not in listed
    text = run(capsys, "--help")
    assert run(capsys, "--help", command="practice") == text
    for word in ("--exercise", "still|wide|tune|sing", "--seed", "--list", "--csv", "HEARING"):
        assert word in text


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("fith", "--guitar", "open-d"), 2, "'fith'"),
        (("fifth",), 2, "say --tonic D, or --guitar open-d"),
        (("1", "#4", "--guitar", "open-d"), 2, "no pure form"),
        (("ii", "--guitar", "open-d", "--exercise", "wide"), 2, "cannot be wide or narrow"),
        (("ii", "--guitar", "open-d", "--exercise", "tune"), 2, "two notes are tuned"),
        (("seventh", "--guitar", "open-d", "--exercise", "sing"), 2, "'seventh' is not sung here"),
        (("--guitar", "open-d", "--exercise", "loud"), 2, "loud"),
        (("--guitar", "open-d", "--seconds", "60"), 2, "60"),
        (("--guitar", "open-d", "--out", "x", "--card", "y"), 2, "sound goes one way at a time"),
        (("--guitar", "open-d", "--system", "jack"), 2, "name the port with --out"),
        (("--list", "none.toml"), 3, "none.toml: no such file"),
        (("--guitar", "open-d", "--csv", "no/folder.csv"), 3, "there is no folder no"),
        (("fifth", "--guitar", "open-d", *NOWHERE), 4, ""),
        (("--exercise", "tune", "--guitar", "open-d", *NOWHERE), 4, ""),
    ],
)
def test_what_is_refused(
    capsys: pytest.CaptureFixture[str], home: Path, arguments: tuple[str, ...], code: int, says: str
) -> None:
    err = run(capsys, *arguments, code=code)
    assert says in err
    assert err.strip().splitlines()[-1].startswith(("stillbeat: ", "note: "))
    assert not (home / "data").exists() or not list((home / "data").rglob("*.json"))


def test_whoever_leaves_in_the_second_exercise_is_told_the_first_once_and_has_it_kept(
    capsys: pytest.CaptureFixture[str], home: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    begun: list[str] = []

    def one(practice: object, assignment: Assignment, chosen: object, seed: int, done: list[Record]) -> None:
        begun.append(assignment.what)
        if len(begun) == 2:
            raise Leaving
        course = Course("still", assignment.sounds, 24, seed)
        while not course.over:
            course.answer(course.trial.answer)
        done.append(course_record(assignment, course, "2026-05-04T18:30:00", "sound card", seed))

    monkeypatch.setattr("bridge.cli.practise._one", one)
    (home / "week.toml").write_text(
        'schema = 1\nguitar = "open-d"\n[[exercise]]\nwhat = "still"\n[[exercise]]\nwhat = "wide"\n'
        '[[exercise]]\nwhat = "tune"\n'
    )
    out = run(capsys, "--list", "week.toml", "--csv", "week.csv", "--lines")
    assert begun == ["still", "wide"]
    assert out.count("your threshold for fifth D3-A3") == 1
    assert "wide or narrow" not in out
    assert out.count("wrote week.csv") == 1
    assert len(list((home / "data").rglob("*.json"))) == 1
    begun.clear()
    out = run(capsys, "--list", "week.toml", "--no-record", "--lines")
    assert "your threshold" in out
    assert len(list((home / "data").rglob("*.json"))) == 1
    assert (home / "week.csv").read_text().count("\n") == 26  # headings, 24 trials, the threshold


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("--exercise sing --seed 3 --timbre plucked", "--exercise sing: --timbre, --seed"),
        ("--exercise tune --mic x --seconds 3 --trials 4", "--exercise tune: --seconds, --mic"),
        ("fifth --mic x --overwrite", "--exercise still: --mic, --overwrite"),
        ("fifth --seed 3 --trials 4 --timbre plucked --seconds 3", ""),
    ],
)
def test_options_that_change_nothing_are_told(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, words: str, said: str
) -> None:
    monkeypatch.setattr("bridge.cli.practise._practise", lambda *rest: None)
    with pytest.raises(SystemExit):
        main(["practise", "--guitar", "open-d", *words.split()])
    notes = [line for line in capsys.readouterr().err.splitlines() if "no effect" in line]
    assert notes == ([f"note: of no effect with {said}"] if said else [])


def test_records_need_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["practise", "--records", "--seed", "4", "--csv", "all.csv"])
    assert "of no effect with --records: --seed" in capsys.readouterr().err


def test_records_are_shown_and_written_as_csv(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    assert "nothing has been practised yet" in run(capsys, "--records")
    one = Record(
        when="2026-05-04T18:30:00",
        exercise="still",
        sound="fifth",
        notes="D3-A3",
        size="3/2",
        timbre="steady",
        seconds=2.0,
        through="sound card",
        seed=7,
        answers=(Given(21.5, "first", "first"),),
        threshold=Kept(4.0, 2.5, 6.25, 1.018),
    )
    path = save_record(one)
    path.with_name("2026-05-05T10-00-00-wide.json").write_text("{")
    out = run(capsys, "--records", "--csv", "all.csv")
    assert "4.0 cents (2.5 to 6.2), 1.02 beats a second" in out
    assert str(path.parent) in out
    assert out.endswith("wrote all.csv\n")
    with (home / "all.csv").open(newline="") as stream:
        rows = list(csv.DictReader(stream))
    assert [row["row"] for row in rows] == ["trial", "threshold"]
    assert "exists" in run(capsys, "--records", "--csv", "all.csv", code=3)
    run(capsys, "--records", "--csv", "all.csv", "--overwrite")


def test_a_broken_record_is_named_and_stops_nothing(capsys: pytest.CaptureFixture[str], home: Path) -> None:
    folder = home / "data" / "stillbeat" / "practice"
    folder.mkdir(parents=True)
    (folder / "2026-05-05T10-00-00-wide.json").write_text("{")
    with pytest.raises(SystemExit) as left:
        main(("practise", "--records"))
    out, err = capsys.readouterr()
    assert left.value.code == 0
    assert "note: the record 2026-05-05T10-00-00-wide.json cannot be read" in err
    assert "nothing has been practised yet" in out


def test_the_list_that_the_guide_shows_is_understood(home: Path) -> None:
    """tables/README.md, "Lists of exercises": what stands there indented is read as it stands."""
    guide = (Path(__file__).resolve().parents[2] / "tables" / "README.md").read_text(encoding="utf-8")
    part = guide.partition("## Lists of exercises")[2].partition("\n## ")[0]
    assert f"left out: {TRIALS}, or {ROUNDS} rounds" in part
    path = home / "week.toml"
    path.write_text("\n".join(line[4:] for line in part.splitlines() if line.startswith("    ")))
    work, title, table = assignments(TableRequest(), PractiseRequest(list_file=path))
    assert title == "Third week: thirds"
    assert table.tonic == "D"
    assert [(one.what, one.count, one.timbre) for one in work] == [
        ("still", 30, "plucked"),
        ("sing", 3, "steady"),
    ]
