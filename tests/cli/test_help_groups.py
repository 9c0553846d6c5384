"""Long helps in groups: every option in one of them, a short ``-h``, and ``-h WORD`` for the rest."""

from __future__ import annotations

import subprocess
import sys
from collections import Counter
from inspect import cleandoc

import click
import pytest
from click.testing import CliRunner
from support.doors import HELP

from bridge.cli import stillbeat
from bridge.cli.parts.help_groups import GROUPS

CAUTIONS = {
    "play": "Start at a low level",
    "drone": "Start with the volume down",
    "practise": "start with the volume down",
    "sing": "start with the volume down",
    "retune": "never changed",
}


def shown(command: str, *line: str) -> str:
    done = CliRunner().invoke(stillbeat, [command, *line], prog_name="stillbeat")
    assert done.exit_code == 0, done.output
    return done.output


def told_of(command: str) -> click.Command:
    found = stillbeat.get_command(click.Context(stillbeat), command)
    assert found is not None
    return found


@pytest.mark.parametrize("command", list(stillbeat.list_commands(click.Context(stillbeat))))
def test_no_help_is_longer_than_two_screens(command: str) -> None:
    """A terminal of 80 columns; 45 lines are a common screen."""
    assert len(shown(command, "-h").splitlines()) <= 90


@pytest.mark.parametrize("command", list(GROUPS))
def test_every_option_is_in_exactly_one_group(command: str) -> None:
    context = click.Context(told_of(command), help_option_names=HELP)
    options = [one.opts[-1] for one in context.command.get_params(context) if isinstance(one, click.Option)]
    assert len(options) > 20
    named = Counter(name for group in GROUPS[command].values() for name in group.options.split())
    assert named == Counter(options)


@pytest.mark.parametrize("command", list(GROUPS))
def test_every_paragraph_is_in_one_group_or_shown_always(command: str) -> None:
    begins = [begin for group in GROUPS[command].values() for begin in group.begins]
    texts = [text.removeprefix("\b").lstrip() for text in cleandoc(told_of(command).help or "").split("\n\n")]
    found = [sum(text.startswith(begin) for begin in begins) for text in texts]
    assert found[0] == 0
    assert max(found) <= 1
    assert all(any(text.startswith(begin) for text in texts) for begin in begins)
    if command == "play":
        assert found[2:] == [1] * (len(texts) - 2)


@pytest.mark.parametrize(
    ("command", "line"),
    [(command, ("-h",)) for command in GROUPS]
    + [
        ("play", ("song.mid", "--guitar", "open-d", "-h")),
        ("play", ("-h", "song.mid")),
        ("drone", ("third", "-h")),
        ("drone", ("-h", "third", "--tonic", "D")),
        ("practise", ("-h", "D3", "F#3")),
    ],
)
def test_the_short_help_is_short_and_names_the_rest(command: str, line: tuple[str, ...]) -> None:
    page = shown(command, *line)
    assert len(page.splitlines()) <= 80
    assert page.startswith(f"Usage: stillbeat {command}")
    for word, group in GROUPS[command].items():
        assert group.heading in page
        assert (f"-h {word} " in page) != group.everyday
    assert CAUTIONS[command] in " ".join(page.split())


@pytest.mark.parametrize(
    ("command", "word"), [(command, word) for command in GROUPS for word in GROUPS[command]]
)
def test_a_word_shows_its_group_alone(command: str, word: str) -> None:
    page, groups = shown(command, "-h", word), GROUPS[command]
    rows = [
        line.replace("-o, ", "").split()[0].rstrip(",")
        for line in page.splitlines()
        if line.startswith("  -")
    ]
    wanted = [name for name in groups[word].options.split() if name != "--help"]
    assert rows[: len(wanted)] == wanted
    others = [other.heading for other in groups.values() if other != groups[word]]
    assert not [heading for heading in others if f"\n{heading}:\n" in page]
    assert all(begin in page for begin in groups[word].begins)


@pytest.mark.parametrize(
    ("command", "option", "word"),
    [
        ("play", "session", "evening"),
        ("play", "foot", "feet"),
        ("play", "page-lan", "screen"),
        ("drone", "rounds", "lesson"),
    ],
)
def test_an_option_calls_for_its_group(command: str, option: str, word: str) -> None:
    assert shown(command, "-h", option) == shown(command, "-h", word)


@pytest.mark.parametrize("command", list(GROUPS))
def test_the_whole_help_has_all_headings_and_options(command: str) -> None:
    page = shown(command, "--help")
    for group in GROUPS[command].values():
        assert all(f" {name}" in page for name in group.options.split())
        assert not group.options or f"\n{group.heading}:\n" in page


def test_the_short_help_imports_nothing_heavy() -> None:
    heavy = ("numpy", "rich", "rtmidi", "sounddevice", "soundfile", "scipy")
    asked = (
        "import sys; from bridge.cli import stillbeat; stillbeat.main(['play', '-h'], standalone_mode=False); "
        f"print([name for name in {heavy} if name in sys.modules])"
    )
    done = subprocess.run(
        [sys.executable, "-c", asked], capture_output=True, text=True, check=True, timeout=60
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_mistyped_word_gets_the_likely_one() -> None:
    done = CliRunner().invoke(stillbeat, ["play", "-h", "harmny"])
    assert done.exit_code == 2
    assert "no part called 'harmny' (did you mean harmony?)" in done.output


def test_a_mistyped_word_is_none_of_the_notes() -> None:
    done = CliRunner().invoke(stillbeat, ["drone", "-h", "micropone"])
    assert done.exit_code == 2
    assert "no part called 'micropone' (did you mean microphone?)" in done.output


def test_a_word_like_no_other_gets_the_topics() -> None:
    done = CliRunner().invoke(stillbeat, ["play", "-h", "zzzz"])
    assert done.exit_code == 2
    assert "drone, evening, feet, guitar, harmony" in done.output
    assert "chord-window" not in done.output
