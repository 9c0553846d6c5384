"""No word that only a programmer knows stands on a page of help without its meaning on the same page."""

from __future__ import annotations

import re
from collections.abc import Iterator

import click
import pytest
from click.testing import CliRunner

from bridge.cli import stillbeat

MEANINGS = {
    r"SysEx": r"messages that change",
    r"JSON": r"script",
    r"CSV": r"spreadsheet",
    r"TOML|\.toml\b": r"text file|text editor",
    r"[Dd]evice ID|--device-id": r"number",
    r"SHA-256": r"sum",
    r"schema": r"version",
    r"\bextras?\b": r"libraries",
}


def pages() -> Iterator[str]:
    context = click.Context(stillbeat)
    for name in stillbeat.list_commands(context):
        command = stillbeat.get_command(context, name)
        yield name
        if isinstance(command, click.Group):
            yield from (f"{name} {part}" for part in command.commands)


@pytest.mark.parametrize("name", list(pages()))
def test_every_page_of_help_says_what_its_words_mean(name: str) -> None:
    done = CliRunner().invoke(stillbeat, [*name.split(), "--help"])
    assert done.exit_code == 0
    page = " ".join(done.output.split())
    for word, meaning in MEANINGS.items():
        if re.search(word, page):
            assert re.search(meaning, page), f"{word} stands in `{name} --help` without its meaning"


def test_the_check_finds_a_word_alone() -> None:
    assert not re.search(MEANINGS["SysEx"], "Send the SysEx file.")
    assert len(list(pages())) > 20
