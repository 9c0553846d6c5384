"""A long help in groups: ``-h`` shows what is wanted every day, ``-h WORD`` one group, ``--help`` everything."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from inspect import cleandoc

import click

from bridge.cli.parts.devices import DeviceCommand
from bridge.errors import near_names


@dataclass(frozen=True, slots=True)
class HelpGroup:
    """Options of one matter, and the paragraphs about it, by how they begin."""

    heading: str
    options: str = ""
    begins: tuple[str, ...] = ()
    everyday: bool = False


_GUITAR = HelpGroup(
    "Guitar and notes",
    "--guitar --tonic --reference --reference-from --as-tuned --fret --capo",
    everyday=True,
)
_SCALE = HelpGroup(
    "Scale, single notes, the singer's key",
    "--table --scale --home --sounding --slide --degree --pin --transpose --keep-shapes --open-strings-win",
)
_SCREEN = HelpGroup("Screen, page and help", "--lines --page --page-port --page-lan --help")

_PLAY = {
    "guitar": _GUITAR,
    "keyboard": HelpGroup(
        "Keyboard and synth", "--in --out --card --synth", ("On the way out",), everyday=True
    ),
    "song": HelpGroup(
        "A song", "--track --count-in --loop --tempo --at", ("Everything sounds",), everyday=True
    ),
    "typed": HelpGroup("Typed while it plays", begins=("typed:",), everyday=True),
    "scale": _SCALE,
    "feet": HelpGroup(
        "Several tables, feet and switch keys",
        "--also --on-change --foot --switch-keys --switch-keys-choose --control-channel",
        ("Tables are switched", "--on-change"),
    ),
    "sound": HelpGroup(
        "What reaches the synth: loudness, channels, tuning",
        "--max-velocity --play-on --channels --plain --local --method --synth-reply --system",
    ),
    "harmony": HelpGroup(
        "Harmony and chords",
        "--follow-harmony --pinned --moves --natural-sevenths --chord-window --chart",
        ("With --follow-harmony", "With --chart"),
    ),
    "drone": HelpGroup("Drone", "--drone"),
    "microphone": HelpGroup("Microphone", "--follow-string --mic", ("Between pieces",)),
    "evening": HelpGroup("An evening: session", "--session --from --go-on", ("With --session",)),
    "screen": _SCREEN,
}
_DRONE = {
    "guitar": _GUITAR,
    "notes": HelpGroup("What sounds", "--voice --hold --level --sound --swell", everyday=True),
    "where": HelpGroup("Where it sounds", "--card --out --synth --output --overwrite", everyday=True),
    "typed": HelpGroup("Typed while it sounds", begins=("typed while",), everyday=True),
    "lesson": HelpGroup("A lesson in steps", "--lesson --step --rest --rounds"),
    "settle": HelpGroup("Settling", "--settle --settle-wait --settle-time", ("Settling:",)),
    "chart": HelpGroup(
        "Under chords",
        "--chart --track --at --follow-harmony --pinned --moves --natural-sevenths",
        ("With --chart",),
    ),
    "feet": HelpGroup("Feet", "--in --foot"),
    "microphone": HelpGroup("Microphone", "--follow-string --mic"),
    "scale": _SCALE,
    "sound": HelpGroup("What reaches the synth", "--method --channels --system"),
    "screen": _SCREEN,
}
_PRACTISE = {
    "guitar": _GUITAR,
    "exercise": HelpGroup(
        "The exercise", "--exercise --trials --seconds --timbre --voice --level --minutes", everyday=True
    ),
    "where": HelpGroup("Where it sounds", "--card --mic --out --system"),
    "records": HelpGroup("Lists and records", "--list --records --csv --no-record --seed --overwrite"),
    "scale": _SCALE,
    "screen": _SCREEN,
}
_RETUNE = {
    "file": HelpGroup(
        "The file", "--output --overwrite --at --follow-key-signatures --synth --help", everyday=True
    ),
    "guitar": _GUITAR,
    "report": HelpGroup("To see and compare", "--report --report-json --equal", everyday=True),
    "harmony": HelpGroup(
        "Harmony and chords", "--follow-harmony --pinned --moves --natural-sevenths --equal-chords --chart"
    ),
    "scale": _SCALE,
    "sound": HelpGroup("What reaches the synth", "--method --channels --part --plain --tail"),
}
_SING = {
    "sing": HelpGroup("Singing", "--drone --voice --mic --card", everyday=True),
    "guitar": _GUITAR,
    "file": HelpGroup("A recorded file", "--csv --picture --overwrite", everyday=True),
    "typed": HelpGroup("Typed while you sing", begins=("typed while",), everyday=True),
    "scale": _SCALE,
    "screen": _SCREEN,
}
GROUPS: Mapping[str, Mapping[str, HelpGroup]] = {
    "play": _PLAY,
    "drone": _DRONE,
    "practise": _PRACTISE,
    "retune": _RETUNE,
    "sing": _SING,
}
"""The groups of each command whose help is long, each under the word that calls for it."""


class GroupedHelp(click.Command):
    """A command whose options stand in groups, each with the word that calls for it; an option's name is one too."""

    @property
    def groups(self) -> Mapping[str, HelpGroup]:
        """Its groups."""
        return GROUPS[str(self.name)]

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        if "-h" not in args or "--help" in args:
            return super().parse_args(ctx, args)
        word = next(iter(args[args.index("-h") + 1 :]), "-")
        words = {
            one.removeprefix("--"): name
            for name, group in self.groups.items()
            for one in group.options.split()
        }
        words |= {name: name for name in self.groups}
        if not word.startswith("-") and "." not in word and word not in words:
            notes = any(isinstance(one, click.Argument) and one.nargs < 0 for one in self.params)
            near = get_close_matches(word, words, cutoff=0.75 if notes else 0.5)
            if near or not notes:  # else it is one of the notes that the command takes
                known = words if near else self.groups
                raise click.UsageError(
                    f"the help has no part called {word!r} ({near_names(word, known)})", ctx
                )
        ctx.meta[__name__] = words.get(word, "")
        return super().parse_args(ctx, ["--help"])

    def format_help(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write all of it, the part for every day, or one group."""
        word = ctx.meta.get(__name__)
        if word is None:
            super().format_help(ctx, formatter)
        elif word in self.groups:
            self._write_group(ctx, formatter, self.groups[word])
        else:
            self.format_usage(ctx, formatter)
            told = [begin for group in self.groups.values() for begin in group.begins]
            _write_texts(formatter, [text for text in self._texts() if not _begins(text, told)])
            for group in self.groups.values():
                if group.everyday:
                    self._write_group(ctx, formatter, group)
            more = {f"-h {name}": group.heading for name, group in self.groups.items() if not group.everyday}
            with formatter.section(f"More: {ctx.command_path} -h WORD"):
                formatter.write_dl([*more.items(), ("--help", "Everything at once")])

    def format_options(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write all groups of options, each below its heading."""
        for group in self.groups.values():
            self._write_options(ctx, formatter, group)

    def _write_group(self, ctx: click.Context, formatter: click.HelpFormatter, group: HelpGroup) -> None:
        if group.options:
            self._write_options(ctx, formatter, group)
        else:
            formatter.write(f"\n{group.heading}:\n")
        _write_texts(formatter, [text for text in self._texts() if _begins(text, group.begins)])

    def _write_options(self, ctx: click.Context, formatter: click.HelpFormatter, group: HelpGroup) -> None:
        named = {name: one for one in self.get_params(ctx) for name in one.opts}
        rows = [named[name].get_help_record(ctx) for name in group.options.split()]
        if rows:
            with formatter.section(group.heading):
                formatter.write_dl([row for row in rows if row is not None], col_max=26)

    def _texts(self) -> list[str]:
        return cleandoc(self.help or "").split("\n\n")


class GroupedDeviceCommand(GroupedHelp, DeviceCommand):
    """Such a command that names sound devices."""


def _begins(text: str, begins: tuple[str, ...] | list[str]) -> bool:
    return text.removeprefix("\b").lstrip().startswith(tuple(begins))


def _write_texts(formatter: click.HelpFormatter, texts: list[str]) -> None:
    for text in texts:
        formatter.write_paragraph()
        with formatter.indentation():
            formatter.write_text(text)
