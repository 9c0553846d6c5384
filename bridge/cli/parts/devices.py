"""What sound devices are called: ``--mic NAME`` where sound comes in, ``--card NAME`` where it goes out, everywhere.

Where a command is about the microphone anyway, ``--mic`` may stand alone: the usual one. A word behind it is its name,
unless it is a sound file, a table, or anything else that is there as a file: that is what the command is about.

Other words of earlier days answer with the line to type.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from bridge.cli.parts.old_words import line_to_type

F = TypeVar("F", bound=Callable[..., Any])

_BEFORE = {
    "play": {"--device": "--mic"},
    "tune": {"--device": "--mic"},
    "listen": {"--device": "--mic"},
    "sing": {"--device": "--mic", "--through": "--card"},
    "page": {"--device": "--mic"},
    "probe": {"--device": "--mic"},
    "drone": {"--device": "--card"},
    "practise": {"--device": "--card"},
    "demo": {"--device": "--card"},
}
"""Words that commands had, and what they are now."""

_TAKES = (".wav", ".flac", ".mp3", ".ogg", ".aif", ".aiff")
_ALONE = "[NAME]"
_USUAL = "part of its name  [default: the usual one]"


def mic_option(what: str, alone: bool = False, usual: str = _USUAL) -> Callable[[F], F]:
    """Add ``--mic``; `alone` where it may stand without a name, and is then the empty text."""
    return click.option("--mic", metavar=_ALONE if alone else "NAME", help=f"{what}: {usual}")


def card_option(what: str = "Sound card") -> Callable[[F], F]:
    """Add ``--card``."""
    return click.option("--card", metavar="NAME", help=f"{what}: {_USUAL}")


class DeviceCommand(click.Command):
    """A command that names sound devices."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        return super().parse_args(ctx, self._named(ctx, args))

    def _named(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Return the words with a name behind each ``--mic``, maybe an empty one; UsageError with the line to type."""
        before, now = _BEFORE[str(self.name)], list(args)
        for old, new in before.items():
            now = [new + arg.removeprefix(old) if arg.partition("=")[0] == old else arg for arg in now]
        if now != args:
            bare = [
                arg == "--mic" and behind[:5] == arg for arg, behind in zip(now, [*now[1:], ""], strict=True)
            ]
            now = [arg for arg, dropped in zip(now, bare, strict=True) if not dropped]
            said = "the microphone is named by --mic, the sound card by --card"
            raise click.UsageError(f"{said}; {line_to_type(now, str(self.name))}", ctx)
        option = next((one for one in self.params if one.name == "mic"), None)
        for at, arg in enumerate(args):
            if arg != "--mic" or (at + 1 < len(args) and self._is_name(args[at + 1])):
                continue
            if getattr(option, "metavar", None) != _ALONE:
                now = [*args[:at], *args[at + 1 :]]
                said = "--mic NAME names the microphone; for the usual one"
                raise click.UsageError(f"{said}, {line_to_type(now, str(self.name))}", ctx)
            now[at] = "--mic="
        return now

    def _is_name(self, word: str) -> bool:
        """Tell whether a word behind ``--mic`` is a microphone's name, and not what the command is about."""
        if not word:
            return True
        if word.startswith("-") or word.lower().endswith((*_TAKES, ".mid", ".toml")) or Path(word).exists():
            return False
        wants_table = any(isinstance(one, click.Argument) and one.name == "table" for one in self.params)
        return not (wants_table and _is_table(word))


def say_opening() -> None:
    """Say why nothing is seen yet: to ask a sound system may take seconds."""
    click.echo("opening the sound input …", err=True)


def _is_table(word: str) -> bool:
    from bridge.errors import StillbeatError
    from bridge.store.descriptions import load_table

    try:
        load_table(word)
    except StillbeatError:
        return False
    return True
