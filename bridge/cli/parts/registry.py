"""The list of commands with their one-line help, and the click group that imports a command only when it runs."""

from __future__ import annotations

from collections.abc import Mapping
from importlib import import_module
from typing import Any

import click

from bridge.errors import near_names

COMMANDS: Mapping[str, tuple[str, str]] = {
    "table": (
        "bridge.cli.table",
        "Show the pitch of every note of a table, its chords, or its open strings.",
    ),
    "tables": (
        "bridge.cli.tables",
        "List the scales, guitars and synths that come along, with their sources.",
    ),
    "export": ("bridge.cli.export", "Write a table as files for synths, spreadsheets and scripts."),
    "read": (
        "bridge.cli.read",
        "Get a table back from what a synth sent (.syx), a set-up file or a table file.",
    ),
    "retune": ("bridge.cli.retune", "Retune a backing track (a MIDI file) for a synth."),
    "chart": ("bridge.cli.chart", "Name the chords of a piece, what is off in each, and what cures it."),
    "render": ("bridge.cli.render", "Play a MIDI file into a WAV file with the built-in tone generator."),
    "strings": ("bridge.cli.strings", "Tune the guitar: touch where, against which string, what to hear."),
    "frets": ("bridge.cli.frets", "Show where frets and table disagree, and what goes with which chord."),
    "tune": ("bridge.cli.tune", "Tune by microphone: which string, how far from pure, which way to turn."),
    "listen": (
        "bridge.cli.listen",
        "Measure the pitch of strings and voices, from a sound file or the microphone.",
    ),
    "sing": (
        "bridge.cli.sing",
        "Sing to the table: which degree, how far from pure, how steady; or from a file.",
    ),
    "beats": ("bridge.cli.beats", "Say how fast two notes beat, pure and tempered."),
    "session": (
        "bridge.cli.session",
        "Prepare an evening: pieces, tables, tracks and synths in one folder to hand out.",
    ),
    "play": ("bridge.cli.play", "Play a keyboard, or a MIDI file, and hear it in tune with the guitar."),
    "drone": ("bridge.cli.drone", "Hold notes of the table to play or sing to, and hear beats settle."),
    "practise": (
        "bridge.cli.practise",
        "Learn to hear stillness: which does not beat, wide or narrow, tune it, sing it.",
    ),
    "page": ("bridge.cli.page", "Read tables, chords, frets and strings in a browser, and tune there."),
    "probe": ("bridge.cli.probe", "Find out by ear or by microphone what a synth obeys; write its profile."),
    "ports": (
        "bridge.cli.ports",
        "List MIDI ports and sound inputs, and say what is wrong if there are none.",
    ),
    "demo": (
        "bridge.cli.demo",
        "Hear equal against just: a small rehearsal in open G, made of our own music.",
    ),
}

OTHER_SPELLINGS = {"practice": "practise"}
"""Commands that may be written in another way."""

OLD_PLAY = "live"
"""What the command that plays was called once."""


class LazyGroup(click.Group):
    """A click group whose commands live in modules that are imported on first use.

    Parameters
    ----------
    commands_table : mapping of str to (str, str)
        Name of each command to its module, which has a click command of that name (``-`` becomes ``_``) with
        ``_command`` behind it, and its one line of help.
    """

    def __init__(self, *args: Any, commands_table: Mapping[str, tuple[str, str]], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self._table = commands_table

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the table: the order in which a musician meets them."""
        return list(self._table)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import and return one command."""
        cmd_name = OTHER_SPELLINGS.get(cmd_name, cmd_name)
        if cmd_name not in self._table:
            return None
        module = import_module(self._table[cmd_name][0])
        command: click.Command = getattr(module, f"{cmd_name.replace('-', '_')}_command")
        return command

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command, or say which one was probably meant."""
        if args and args[0] in OTHER_SPELLINGS:
            args = [OTHER_SPELLINGS[args[0]], *args[1:]]
        if args and args[0] == OLD_PLAY:
            from bridge.cli.parts.old_words import in_words_of_now, line_to_type

            said = line_to_type(in_words_of_now(args[1:]))
            raise click.UsageError(f"what was {OLD_PLAY!r} is {'play'!r} now; {said}", ctx)
        if args and args[0] == "help":
            known = [word for word in args[1:2] if word in self._table]
            raise click.UsageError(f"for help write: {' '.join(['stillbeat', *known, '-h'])}", ctx)
        if args and not args[0].startswith("-") and args[0] not in self._table:
            raise click.UsageError(f"no command {args[0]!r} ({near_names(args[0], self._table)})", ctx)
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list of commands without importing any of them."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, help_line) for name, (_, help_line) in self._table.items()])
