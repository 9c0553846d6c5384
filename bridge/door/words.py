"""The commands' words as Python keywords: `guitar="open-d"` is ``--guitar open-d``, parsed by the same parser.

A keyword is an option's long name with ``_`` for ``-``. Its value is the text that would stand on the command line;
numbers, fractions and paths are written out, a switch is True or False, None counts as not said. Where an option may
be given again, a list gives it again; elsewhere a list is written with commas (``channels=[1, 2]``).
"""

from __future__ import annotations

import logging
import shlex
import sys
import warnings
from collections.abc import Collection, Mapping, Sequence
from copy import copy
from fractions import Fraction
from os import PathLike, fspath
from typing import TYPE_CHECKING, Any, TypeAlias, TypedDict

import click
from click.core import ParameterSource

from bridge.cli.parts.options import take_table
from bridge.errors import OffGuitarWarning, ValueProblem, near_names

if TYPE_CHECKING:
    from bridge.tuning.spec import TableSpec
    from bridge.tuning.tables import Table

Texts: TypeAlias = "str | Sequence[str]"
"""One text, or several where an option may be given again."""
Channels: TypeAlias = "str | int | Sequence[int]"
Name: TypeAlias = "str | PathLike[str]"


class TableWords(TypedDict, total=False):
    """What describes a table; `stillbeat table --help` explains each word."""

    table: Name | None
    guitar: Name | None
    scale: Name | None
    tonic: str | None
    home: str | None
    reference: str | None
    reference_from: Name | None
    as_tuned: Name | None
    fret: int | None
    capo: int | None
    sounding: str | float | None
    slide: str | Fraction | None
    degree: Texts | None
    pin: Texts | None
    transpose: int | None
    keep_shapes: bool
    open_strings_win: bool


class ExportWords(TableWords, total=False):
    """What `stillbeat export` understands besides."""

    name: str | None
    synth: Name | None
    program: int | None
    bank: int | None
    device_id: int | None
    sheet: bool
    overwrite: bool


class RetuneWords(TableWords, total=False):
    """What `stillbeat retune` understands besides."""

    method: str
    synth: Name | None
    at: Texts | None
    follow_key_signatures: bool
    channels: Channels | None
    part: int | Sequence[int] | None
    plain: bool
    tail: float
    equal: bool
    follow_harmony: bool
    pinned: str | None
    moves: str | None
    natural_sevenths: bool
    equal_chords: bool
    chart: str | None


class DroneWords(TableWords, total=False):
    """What `stillbeat drone` into a file understands besides."""

    voice: str
    step: Texts | None
    lesson: bool
    hold: float | None
    rest: float | None
    rounds: int
    settle: str | float | None
    settle_wait: float
    settle_time: float
    swell: float
    level: float
    sound: str
    overwrite: bool


class PlayWords(TableWords, total=False):
    """What the command that plays understands besides, as far as it concerns one table and one synth."""

    method: str
    synth: Name | None
    channels: Channels | None
    plain: bool
    max_velocity: int
    play_on: int | None
    local: str
    synth_reply: str | None
    system: str | None


def words_of(kind: Any) -> frozenset[str]:
    """Return the keywords of one of the dictionaries above."""
    return frozenset(kind.__optional_keys__)


def understood(
    command: click.Command, words: Mapping[str, Any], allowed: Collection[str], plain: Sequence[Any] = ()
) -> dict[str, Any]:
    """Parse keywords as a command parses its options; return all the command's values, its defaults included.

    Parameters
    ----------
    command : click.Command
        The command.
    words : mapping
        Keywords and values.
    allowed : collection of str
        Keywords that may be said here.
    plain : sequence
        What stands on the command line without an option.

    Raises
    ------
    ValueProblem
        A keyword is unknown here, or a value is none that the command takes.
    """
    options = {_keyword(option): option for option in _options(command)}
    arguments = {argument.name for argument in command.params if isinstance(argument, click.Argument)}
    line: list[str] = []
    for word, value in words.items():
        if word not in allowed or word not in {*options, *arguments}:
            raise ValueProblem(f"there is no word {word!r} here", near_names(word, allowed))
        if value is None:
            continue
        if word in arguments:
            plain = [*plain, value]
        else:
            line += _written(options[word], value)
    return _parsed(command, [*line, "--", *(_text(value) for value in plain)], allowed).params


def words_in_line(command: click.Command, line: str, allowed: Collection[str], where: str) -> dict[str, Any]:
    """Return options that stand on a command line as keywords; `where` names that line in errors (see `understood`)."""
    try:
        parts = shlex.split(line)
    except ValueError as error:
        raise ValueProblem(
            f"{where}: {line!r} cannot be read: {error}", "is a quotation mark missing?"
        ) from None
    try:
        context = _parsed(command, parts, allowed)
    except ValueProblem as problem:
        raise ValueProblem(f"{where}: {problem.message}", problem.hint) from None
    return {_keyword(option): context.params[str(option.name)] for option in _said(command, context)}


def chosen_table(values: dict[str, Any]) -> tuple[TableSpec, Table]:
    """Take the words of a table out of parsed `values`; return the table's description and the table.

    A reference far from its note is asked about in the log; a table off the guitar is a warning.
    """
    from bridge.jobs.choose import choose_tuned
    from bridge.tuning.as_tuned import table_as_tuned
    from bridge.tuning.off_guitar import off_guitar
    from bridge.tuning.tables import build_table

    spec, tuned = choose_tuned(take_table(values))
    if spec.doubt:
        say(spec.doubt, aloud=True)
    table = build_table(spec) if tuned is None else table_as_tuned(tuned, spec)
    if off := off_guitar([("", table)]):
        say(off, aloud=True)
    return spec, table


def say(text: str, aloud: bool = False) -> None:
    """Tell the user of the library something: through the log ``stillbeat``, `aloud` as a warning of the log.

    That electronics lie off the guitar is never silent: it is a Python warning, of the caller's line.
    """
    from bridge.tuning.off_guitar import OFF

    if text.startswith(OFF):
        warnings.warn(text, OffGuitarWarning, stacklevel=_callers_level())
        return
    logging.getLogger("stillbeat").log(logging.WARNING if aloud else logging.INFO, "%s", text)


def _callers_level() -> int:
    """Return how many frames up the first one is that is none of ours."""
    frame, level = sys._getframe(1), 1
    while frame.f_back is not None and frame.f_globals.get("__name__", "").partition(".")[0] == "bridge":
        frame, level = frame.f_back, level + 1
    return level


# ---- words and lines


def _options(command: click.Command) -> list[click.Parameter]:
    return [option for option in command.params if isinstance(option, click.Option)]


def _keyword(option: click.Parameter) -> str:
    long = [name for name in option.opts if name.startswith("--")]
    return long[0].removeprefix("--").replace("-", "_")


def _written(option: click.Parameter, value: Any) -> list[str]:
    """Return what stands on the command line for one keyword."""
    name = f"--{_keyword(option).replace('_', '-')}"
    if getattr(option, "is_flag", False):
        if not isinstance(value, bool):
            raise ValueProblem(f"{_keyword(option)}={value!r}", "True or False")
        return [name] if value else []
    if isinstance(value, list | tuple) and getattr(option, "multiple", False):
        return [f"{name}={_text(one)}" for one in value]
    return [f"{name}={_text(value)}"]


def _text(value: Any) -> str:
    if isinstance(value, bool):
        raise ValueProblem(f"{value!r} is neither text nor number", "only switches are True or False")
    if isinstance(value, str | PathLike):
        return str(fspath(value))
    if isinstance(value, list | tuple | range):
        return ",".join(_text(one) for one in value)
    return str(value)


def _parsed(command: click.Command, line: list[str], allowed: Collection[str]) -> click.Context:
    """Parse a command line on which only the options that are allowed may stand, and nothing must."""
    parameters = [copy(parameter) for parameter in command.params]
    for parameter in parameters:
        parameter.required = False
    parser = click.Command(command.name, params=parameters, add_help_option=False)
    try:
        context = parser.make_context(command.name, line)
    except click.UsageError as error:
        text = " ".join(error.format_message().split())
        raise ValueProblem(text.rstrip("."), f"see: stillbeat {command.name} --help") from None
    for option in _said(command, context):
        if _keyword(option) not in allowed:
            raise ValueProblem(f"{option.opts[0]} has no place here", near_names(_keyword(option), allowed))
    return context


def _said(command: click.Command, context: click.Context) -> list[click.Parameter]:
    """Return the options that a parsed line holds."""
    return [
        option
        for option in _options(command)
        if context.get_parameter_source(str(option.name)) is ParameterSource.COMMANDLINE
    ]
