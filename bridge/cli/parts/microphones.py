"""What a microphone is called: ``play --mic NAME``; ``tune`` and ``listen`` say ``--mic --device NAME``.

Whoever uses the other's word is answered with the line to type.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import click

from bridge.cli.parts.old_words import line_to_type

_TAKES = (".wav", ".flac", ".mp3", ".ogg", ".aif", ".aiff")


class ListensByMicrophone(click.Command):
    """A command whose ``--mic`` is a switch: who names the microphone there is answered with ``--device``."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        for at, arg in enumerate(args):
            name, used = None, 1
            if arg.startswith("--mic="):
                name = arg.removeprefix("--mic=")
            elif arg == "--mic" and at + 1 < len(args) and self._names_one(args[at + 1]):
                name, used = args[at + 1], 2
            if name is not None:
                now = [*args[:at], "--mic", "--device", name, *args[at + used :]]
                said = line_to_type(now, str(self.name))
                raise click.UsageError(f"the microphone is named by --device here; {said}", ctx)
        return super().parse_args(ctx, args)

    def _names_one(self, word: str) -> bool:
        """Tell whether a word behind ``--mic`` is a microphone's name, and not what the command is about."""
        if word.startswith("-") or word.lower().endswith((*_TAKES, ".toml")) or Path(word).exists():
            return False
        wants_table = any(isinstance(one, click.Argument) and one.name == "table" for one in self.params)
        return not (wants_table and _is_table(word))


def _is_table(word: str) -> bool:
    from bridge.errors import StillbeatError
    from bridge.store.descriptions import load_table

    try:
        load_table(word)
    except StillbeatError:
        return False
    return True


def check_play(ctx: click.Context, args: Sequence[str]) -> None:
    """Answer who names the microphone of ``play`` by ``--device``, or does not name it.

    Raises
    ------
    click.UsageError
        With the line to type.
    """
    for at, arg in enumerate(args):
        if arg == "--device" or arg.startswith("--device="):
            now = [*args[:at], arg.replace("--device", "--mic"), *args[at + 1 :]]
            raise click.UsageError(
                f"the microphone is named by --mic here, the sound card by --card; {line_to_type(now)}", ctx
            )
        if arg == "--mic" and (at + 1 == len(args) or args[at + 1].startswith("--")):
            now = [*args[:at], *args[at + 1 :]]
            said = f"--mic NAME names the microphone; for the usual one, {line_to_type(now)}"
            raise click.UsageError(said, ctx)
