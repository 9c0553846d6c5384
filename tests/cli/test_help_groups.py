"""The long help of `play` in groups: every option in one of them, a short ``-h``, and ``-h WORD`` for the rest."""

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
from bridge.cli.parts.help_groups import PLAY as GROUPS
from bridge.cli.play import play_command


def shown(*line: str) -> str:
    done = CliRunner().invoke(stillbeat, ["play", *line], prog_name="stillbeat")
    assert done.exit_code == 0, done.output
    return done.output


def test_every_option_is_in_exactly_one_group() -> None:
    context = click.Context(play_command, help_option_names=HELP)
    options = [one.opts[-1] for one in play_command.get_params(context) if isinstance(one, click.Option)]
    assert len(options) > 50
    assert Counter(name for group in GROUPS.values() for name in group.options.split()) == Counter(options)


def test_every_paragraph_but_the_first_two_is_in_exactly_one_group() -> None:
    begins = [begin for group in GROUPS.values() for begin in group.begins]
    texts = [text.removeprefix("\b").lstrip() for text in cleandoc(play_command.help or "").split("\n\n")]
    assert [sum(text.startswith(begin) for begin in begins) for text in texts] == [0, 0] + [1] * (
        len(texts) - 2
    )
    assert all(any(text.startswith(begin) for text in texts) for begin in begins)


@pytest.mark.parametrize("line", [("-h",), ("song.mid", "--guitar", "open-d", "-h"), ("-h", "song.mid")])
def test_the_short_help_is_short_and_names_the_rest(line: tuple[str, ...]) -> None:
    page = shown(*line)
    assert len(page.splitlines()) < 90
    assert page.startswith("Usage: stillbeat play")
    for word, group in GROUPS.items():
        assert group.heading in page
        assert (f"-h {word} " in page) != group.everyday
    assert "Start at a low level" in " ".join(page.split())


@pytest.mark.parametrize("word", list(GROUPS))
def test_a_word_shows_its_group_alone(word: str) -> None:
    page = shown("-h", word)
    rows = [line.split()[0].rstrip(",") for line in page.splitlines() if line.startswith("  -")]
    wanted = [name for name in GROUPS[word].options.split() if name != "--help"]
    assert rows[: len(wanted)] == wanted
    assert not [other.heading for other in GROUPS.values() if other != GROUPS[word] and other.heading in page]
    assert all(begin in page for begin in GROUPS[word].begins)


@pytest.mark.parametrize(
    ("option", "word"), [("session", "evening"), ("foot", "feet"), ("page-lan", "screen")]
)
def test_an_option_calls_for_its_group(option: str, word: str) -> None:
    assert shown("-h", option) == shown("-h", word)


def test_the_whole_help_has_all_headings_and_options() -> None:
    page = shown("--help")
    for group in GROUPS.values():
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


def test_a_word_like_no_other_gets_the_topics() -> None:
    done = CliRunner().invoke(stillbeat, ["play", "-h", "zzzz"])
    assert done.exit_code == 2
    assert "drone, evening, feet, guitar, harmony" in done.output
    assert "chord-window" not in done.output
