"""The face for Python users: what it loads, what it names, and every example in its docstrings.

Expected values: a pure fifth over 146.5 Hz is 146.5 · 3/2, by arithmetic; the command itself is the other end of the
comparisons (both are doors to one meaning, and neither is written in terms of the other's output).
"""

from __future__ import annotations

import contextlib
import doctest
import json
import logging
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner
from support import jack
from support.doors import HELP

import bridge
from bridge import errors
from bridge.cli.parts.registry import COMMANDS
from bridge.door import words as door_words

WORDS = {"guitar": "open-d", "reference": "D3=146.5"}


def _loaded_by(code: str) -> set[str]:
    done = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint(*sys.modules)"],
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    return set(done.stdout.split())


def test_importing_the_face_loads_neither_numpy_nor_a_room() -> None:
    loaded = _loaded_by("import bridge")
    assert "bridge.errors" in loaded
    heavy = {"numpy", "mido", "click", "rich", "rtmidi", "logging", "inspect"}
    assert not heavy & loaded
    assert {name for name in loaded if name.startswith("bridge.")} == {"bridge.errors"}


def test_the_commands_do_not_load_mido() -> None:
    loaded = _loaded_by(
        "from bridge.cli import main\n"
        "try:\n    main(['table', '--guitar', 'open-d', '--json'])\nexcept SystemExit:\n    pass\n"
    )
    assert "numpy" in loaded
    assert "mido" not in loaded


def test_everything_named_is_there_documented_and_shown() -> None:
    finder = doctest.DocTestFinder(recurse=False)
    for name in bridge.__all__:
        thing = getattr(bridge, name)
        assert thing.__doc__, name
        assert f"`{name}`" in (bridge.__doc__ or ""), f"the tour does not name {name}"
        if name != "StillbeatError":  # shown with `profile`
            assert [example for test in finder.find(thing, name) for example in test.examples], name
    assert issubclass(errors.PortProblem, bridge.StillbeatError)


def _run_examples(name: str) -> None:
    tests = doctest.DocTestFinder(recurse=False).find(getattr(bridge, name), name, globs={})
    runner = doctest.DocTestRunner(verbose=False)
    for test in tests:
        runner.run(test)
    assert runner.summarize(verbose=False).attempted
    assert runner.summarize(verbose=False).failed == 0


@pytest.mark.parametrize("name", [n for n in bridge.__all__ if n not in ("StillbeatError", "open_output")])
def test_examples_run(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    _run_examples(name)


def test_the_example_of_an_output_runs(
    jack_server: jack.JackServer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    _run_examples("open_output")


# ---- words


@pytest.mark.parametrize(
    ("command", "kind", "left_out"),
    [
        ("retune", door_words.RetuneWords, {"output", "report", "report_json", "overwrite"}),
        ("export", door_words.ExportWords, {"output"}),
        (
            "drone",
            door_words.DroneWords,
            {"output", "card", "out", "synth", "method", "channels", "system", "lines"}
            | {"page", "page_port", "page_lan", "chart", "track", "in", "foot", "follow_string", "mic"}
            | {"at", "follow_harmony", "pinned", "moves", "natural_sevenths"},  # of a track that is retuned
        ),
    ],
)
def test_keywords_are_the_options_of_the_command(command: str, kind: Any, left_out: set[str]) -> None:
    options = _options(command)
    assert left_out <= options
    assert door_words.words_of(kind) - {"table"} == options - left_out - {"table"}


def test_words_that_play_are_options_of_the_command() -> None:
    assert door_words.words_of(door_words.PlayWords) <= _options("play")


def _options(command: str) -> set[str]:
    from importlib import import_module

    module = import_module(f"bridge.cli.{command}")
    assert command in json.dumps(list(COMMANDS))
    return {
        option.opts[-1].removeprefix("--").replace("-", "_")
        for option in getattr(module, f"{command}_command").params
        if option.opts[-1].startswith("--")
    }


SAID: list[tuple[dict[str, Any], list[str]]] = [
    ({"guitar": "open-d"}, ["--guitar", "open-d"]),
    ({"guitar": "open-g", "tonic": "C", "fret": 3}, ["--guitar", "open-g", "--tonic", "C", "--fret", "3"]),
    ({**WORDS, "degree": "b7=7/4"}, ["--guitar", "open-d", "--reference", "D3=146.5", "--degree", "b7=7/4"]),
    (
        {"tonic": "E", "degree": ["2=10/9", "b7=7/4"], "pin": ("F#3=183.1",)},
        ["--tonic", "E", "--degree", "2=10/9", "--degree", "b7=7/4", "--pin", "F#3=183.1"],
    ),
    (
        {"guitar": "open-d", "open_strings_win": True, "slide": "4/3"},
        ["--guitar", "open-d", "--open-strings-win", "--slide", "4/3"],
    ),
    ({"guitar": "open-d", "home": None, "open_strings_win": False, "fret": 0}, ["--guitar", "open-d"]),
]


@pytest.mark.parametrize(("said", "line"), SAID)
def test_a_table_is_the_commands_table(said: dict[str, Any], line: list[str]) -> None:
    from bridge.cli.table import table_command

    printed = CliRunner().invoke(table_command, [*line, "--json"], help_option_names=HELP)
    keys = json.loads(printed.stdout)["keys"]
    assert bridge.frequencies(**said).tolist() == pytest.approx([key["hz"] for key in keys], rel=1e-9)
    assert float(bridge.frequencies(**WORDS)[57]) == 146.5 * 3 / 2


@pytest.mark.parametrize(
    ("said", "message"),
    [
        ({"guitr": "open-d"}, "no word 'guitr' here .did you mean guitar"),
        ({"guitar": "open-x"}, "open-x"),
        ({**WORDS, "fret": 30}, "30 is not in the range"),
        ({**WORDS, "open_strings_win": "yes"}, "open_strings_win='yes' .True or False"),
        ({**WORDS, "fret": True}, "neither text nor number"),
        ({}, "nothing says which note"),
        ({**WORDS, "json": True}, "no word 'json' here"),
    ],
)
def test_what_makes_no_sense_is_refused_in_words(said: dict[str, Any], message: str) -> None:
    with pytest.raises(errors.ValueProblem, match=message):
        bridge.table(**said)


def test_a_reference_far_from_its_note_is_asked_about_in_the_log(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.WARNING, "stillbeat"):
        bridge.table(guitar="open-d", reference="D3=165")
    assert "D3" in caplog.text
    assert [record.name for record in caplog.records] == ["stillbeat"]


def test_export_writes_what_the_command_writes(tmp_path: Path) -> None:
    from bridge.cli.export import export_command

    line = [
        "--guitar",
        "open-d",
        "--reference",
        "D3=146.5",
        "--program",
        "5",
        "-o",
        str(tmp_path / "command"),
    ]
    assert CliRunner().invoke(export_command, line, help_option_names=HELP).exit_code == 0
    done = bridge.export(tmp_path / "python", **WORDS, program=5)
    assert [path.name for path in done.files] == [path.name for path in done.files if path.exists()]
    for path in done.files:
        assert path.read_bytes() == (tmp_path / "command" / path.name).read_bytes()
    with pytest.raises(errors.OutputProblem):
        bridge.export(tmp_path / "python", **WORDS, program=5)


def test_a_table_by_file_and_its_words(tmp_path: Path) -> None:
    done = bridge.export(tmp_path / "python", **WORDS, name="mine")
    mine = next(path for path in done.files if path.name.endswith(".table.toml"))
    assert bridge.frequencies(table=mine).tolist() == bridge.frequencies(**WORDS).tolist()


def test_a_profile_is_found_by_name_and_by_file(tmp_path: Path) -> None:
    with contextlib.suppress(errors.ValueProblem):
        bridge.profile("no-such-synth")
        pytest.fail("an unknown synth was found")
    assert [bridge.profile(name).name for name in bridge.profiles()] == bridge.profiles()
