"""What a musician sees: a steady picture in a terminal, plain lines anywhere else.

The picture is made of rows, each with its weight: where a terminal is too small the rows of the highest number go
first, and what is wrong stays on top.
"""

from __future__ import annotations

import os
import re
import sys
import textwrap
from collections.abc import Callable
from typing import TYPE_CHECKING, NamedTuple

from bridge.live.desk.drawing import View
from bridge.live.desk.labels import (
    ahead_words,
    chart_line,
    drone_words,
    parts_words,
    table_words,
    track_words,
    volume_words,
)
from bridge.live.desk.views.drone import FAR, PHASES, DroneLines, heading, settings, sounding_words
from bridge.live.desk.views.letters import fitting, low
from bridge.live.desk.views.lines import Lines, clock_words, engine_lines, filled
from bridge.live.desk.views.screen import Screen
from bridge.live.snapshot import Link, Message, Snapshot

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.text import Text

MESSAGE_S = 20.0
"""What was said is seen for so long."""
_SAID_LINES = 5
_MOST_TABLES = 12
_DUMB = ("dumb", "unknown", "")
ALARMS: dict[Link, tuple[str, str]] = {
    "synth gone": ("SILENT", "the synth is gone: nothing sounds"),
    "keyboard gone": ("NO KEYS", "the keyboard is gone: waiting"),
    "loop": ("LOOP", "what is sent comes back: a MIDI loop"),
    "server gone": ("NO SERVER", "the MIDI or sound server is gone"),
    "restarting": ("WAIT", "starting again: one moment"),
}
"""What is wrong, in a word for large letters and in a sentence."""


def alarm_of(shown: Snapshot) -> tuple[str, str] | None:
    """Return what is wrong now, in a word and in a sentence; None while all is well."""
    alarm = ALARMS.get(shown.link)
    if alarm is None or shown.link not in ("keyboard gone", "loop") or not shown.gone:
        return alarm
    names = " and ".join(shown.gone)
    if shown.link == "loop":
        return alarm[0], f"a MIDI loop: {names} not heard"
    one = len(shown.gone) == 1
    gone = f"keyboard{'' if one else 's'} {names} {'is' if one else 'are'} gone"  # short: 40 columns
    return ("NO KEYS" if len(shown.gone) >= max(len(shown.keyboards), 1) else "ONE GONE"), f"{gone}: waiting"


def a_picture_suits() -> bool:
    """Whether the output goes to a terminal on which things can be drawn again."""
    return sys.stdout.isatty() and os.environ.get("TERM", "").lower() not in _DUMB


def make_display(lines: bool, keys: bool, drone: bool = False) -> View[Snapshot]:
    """Return the view that suits where the output goes; a drone that goes through steps has lines of its own."""
    if lines or not a_picture_suits():
        return DroneLines(keys) if drone else LinesDisplay(keys)
    return ScreenDisplay(keys)


class LinesDisplay(Lines):
    """One line for each thing worth saying."""

    def __init__(self, keys: bool = False) -> None:
        super().__init__(keys)
        self._table = self._drone = self._chart = ""
        self._track = ""
        self._counts = (0, 0, 0)

    def show(self, shown: Snapshot) -> None:
        """Write a line where something was said, has changed or was lost."""
        self._tell(shown)
        if shown.tonic:
            self._changes(shown)

    def _changes(self, shown: Snapshot) -> None:
        table = table_words(shown)
        if table != self._table:
            self._table = table
            self._say_when(f"piece {table}" if shown.pieces else f"table {table}", shown.at_s)
            for line in ahead_words(shown):
                self._say(f"  {line}")
        if shown.chart_now != self._chart:
            self._chart = shown.chart_now
            if line := chart_line(shown):
                self._say(line)
        drone = _drone_line(shown, self._drone)
        if drone != self._drone:
            self._drone = drone
            self._say(drone or "drone off")
        self._of_track(shown)
        if self._columns() and not shown.engine:
            return  # how much was late concerns those who look at the engine
        counts = shown.counts.late, shown.counts.dropped, shown.counts.lost
        doubled = (now >= 2 * max(was, 1) for now, was in zip(counts, self._counts, strict=True))
        if counts != self._counts and any(doubled):
            self._counts = counts
            self._say("so far {} late, {} not MIDI, {} not sent".format(*counts))

    def _of_track(self, shown: Snapshot) -> None:
        """Say the bar, its chord, and what was done to the track."""
        track = shown.track
        if track is None:
            return
        muted = ", ".join(words for words in parts_words(shown) if words.endswith("(muted)"))
        line = track_words(shown) + (f": {shown.chord}" if shown.chord and not track.count_in else "")
        line += f"   {muted}" if muted else ""
        if line != self._track:
            self._track = line
            self._say(line)


def _drone_line(shown: Snapshot, before: str) -> str:
    """Say what the drone does, in a line; nothing where it is off or there is none."""
    drone = shown.drone
    if drone.state == "waiting":
        return drone_words(shown)
    if drone.state != "on":
        return ""
    said = f"drone {' '.join(drone.notes)}{volume_words(shown)}"
    return said if drone.cents else before  # it begins, or has just ended


class Row(NamedTuple):
    """A row of the picture."""

    weight: int
    """Rows of the lowest number have room before others."""
    text: Text
    large: bool = False
    """Whether it is a line of large letters; they are there all together, or not at all."""


_BESIDE = 14
"""Beside low letters stands text where so many columns are left."""


_ABOUT = re.compile(
    r"the (keyboard's port .+?) is |(?:loop|any more): (.+?) is | is (?:gone|not there|back)[;:]"
)
"""What an alarm is about, and what says that this is well again: a keyboard, else what it sounds on."""


def _about(message: Message) -> str:
    found = _ABOUT.search(message.text)
    return next(filter(None, found.groups()), "synth") if found is not None else ""


def recent(shown: Snapshot) -> list[Message]:
    """Return what is still worth seeing: what is wrong now, and for a while what was said and what is well again."""
    seen: list[Message] = []
    for message in shown.messages:
        if message.kind == "healed":  # what says nothing of one thing says that all is well
            seen = [one for one in seen if one.kind != "alarm" or _about(message) not in ("", _about(one))]
        worth = shown.link != "ok" if message.kind == "alarm" else shown.at_s - message.at_s < MESSAGE_S
        if worth and message.kind != "engine":
            seen.append(message)
    return seen


def head_words(shown: Snapshot) -> str:
    """Say what is played: piece, step, track, or else table."""
    if shown.lesson is not None:
        return heading(shown.lesson)
    if shown.pieces:
        return f"{shown.piece_number}/{shown.pieces}  {shown.piece}"
    return shown.track.name if shown.track is not None else table_words(shown)


def far_words(shown: Snapshot) -> str:
    """Say in large letters what is read from two metres away: number of piece or step, and tonic."""
    lesson = shown.lesson
    if lesson is not None and lesson.phase in FAR:
        return FAR[lesson.phase]
    number = shown.piece_number if shown.pieces else lesson.number if lesson is not None else 0
    several = shown.pieces or (lesson is not None and lesson.steps > 1)
    return f"{number} {shown.tonic}" if several else shown.tonic


def picture(shown: Snapshot, width: int, height: int, keys: bool = True) -> list[Text]:
    """Return the rows of the picture that fit a terminal of so many columns and lines."""
    rows: list[Row] = []
    for letters in (fitting, low, None):  # the largest for which there is room
        rows = _cut(_rows(shown, width, keys, letters), max(height - 1, 1))
        if any(row.large for row in rows):
            break
    return [row.text for row in rows]


def _rows(
    shown: Snapshot, width: int, keys: bool, letters: Callable[[str, int], list[str]] | None
) -> list[Row]:
    """Return all rows of the picture, with large letters of one kind or without."""
    from rich.text import Text

    rows: list[Row] = []

    def add(weight: int, text: str, style: str = "") -> None:
        rows.append(Row(weight, Text(text[: width - 1], style=style, no_wrap=True)))

    def add_all(weight: int, text: str, most: int, style: str = "") -> None:
        for line in wrapped(text, max(width - 1, 8), most) or [""]:
            add(weight, line, style)

    def wrapped(text: str, width: int, most: int) -> list[str]:
        return textwrap.wrap(text, width, max_lines=most, placeholder=" …", subsequent_indent="  ")

    clock = clock_words(shown.at_s)
    alarm = alarm_of(shown)
    if alarm is not None:
        add(0, f" {alarm[1]} ".ljust(width - 1), "bold white on red")
    if not shown.tonic:
        add(0, f"starting{clock:>{max(width - 9, 1)}}", "dim")
    else:
        lesson = shown.lesson
        head = f" {head_words(shown)} "
        room = max(width - len(clock) - 2, 1)
        rows.append(Row(0, Text.assemble((head[:room].ljust(room), "bold reverse"), (f" {clock}", "dim"))))
        far = alarm[0] if alarm is not None else far_words(shown)
        drawn = letters(far, width - 2) if letters is not None else []
        about: list[tuple[int, str, str]] = []
        if shown.track is not None and not shown.pieces:
            about.append((0, table_words(shown), "bold"))
        if lesson is not None:
            state = PHASES.get(lesson.phase, ""), settings(shown)
            about += [(0, words, "bold") for words in state if words]
        if shown.pieces:
            words = f"{shown.section}: {shown.table}" + ("   EQUAL" if shown.equal else "")
            words += f"   trim {shown.trim_cents:+g} cents" if shown.trim_cents else ""
            about.append((0, words, "bold"))
        about += [(1 + 2 * number, line, "bold cyan") for number, line in enumerate(ahead_words(shown))]
        beside: list[tuple[str, str]] = []
        if letters is low and drawn and (room := width - len(drawn[0]) - 5) >= _BESIDE:
            for _, words, style in about[:2]:
                most = min(2, len(drawn) - len(beside))
                beside += [(line, style) for line in wrapped(words, room, most)]
            del about[:2]
        large = "bold red" if alarm is not None else "bold"
        for at, line in enumerate(drawn):
            pieces = [(f" {line}", large), *((f"   {words}", style) for words, style in beside[at : at + 1])]
            rows.append(Row(1 if letters is low else 6, Text.assemble(*pieces), large=True))
        for weight, words, style in about:
            add_all(weight, words, 2, style)
        for line in shown.remarks:
            add_all(5, line, 3)
        if len(shown.tables) > 1:
            add(5, _tables(shown))
        if lesson is not None:
            for weight, lines in zip((2, 8), sounding_words(lesson, shown.tonic), strict=True):
                for line in lines:
                    add(weight, line)
    if shown.listening_s is not None:
        add(0, f"LISTENING to the string: {shown.listening_s:.0f} s", "bold magenta")
    if shown.tonic:
        if where := track_words(shown):
            paused = shown.track is not None and shown.track.paused
            add(1, where, "bold magenta" if paused else "bold")
        if shown.chart_now:
            for line in filled(chart_line(shown).split("   "), width):
                add(1, line, "bold green")
        if (shown.chord and lesson is None) or (shown.track is not None and shown.track.bars):
            add(2, shown.chord or "-", "bold")  # in a track, room is kept for it
        if drone_words(shown) and lesson is None:
            add(2, drone_words(shown), "magenta" if shown.drone.state == "waiting" else "")
        if shown.reference:
            add(4, f"reference {shown.reference} = {shown.reference_hz:.2f} Hz", "dim")
        parts = parts_words(shown)
        if parts and (len(parts) > 1 or shown.track is None or shown.track.parts[0].muted):
            for line in filled(parts, width):
                add(5, line)
        if lesson is None:
            notes = "   ".join(f"{note.name} {note.cents:+.1f}" for note in shown.sounding)
            add(9, notes or "-")
            add(8 if shown.beats else 10, shown.beats, "bold")  # room is kept for it, so that nothing jumps
        if shown.engine:
            for line in engine_lines(shown):
                add(3, line, "dim")
            for line in shown.code:
                add(2, line)
        for line in shown.addresses:
            add(7, line, "dim")
    styles = {"alarm": "bold red", "healed": "bold green", "said": "yellow"}
    said = recent(shown)[-_SAID_LINES:]
    for number, message in enumerate(said):
        weight = 1 if number == len(said) - 1 or message.kind == "alarm" else 7
        add_all(weight, message.text, 3, styles[message.kind])
    for line in (*filled(shown.keyboards, width), *filled(shown.feet, width)):
        add(7, line, "dim")
    for line in filled(shown.keys, width) if keys else []:
        add(7, line, "dim")
    return rows


def _cut(rows: list[Row], height: int) -> list[Row]:
    """Return the rows that fit, the weightiest chosen first; large letters only all together."""
    groups: list[list[int]] = []
    for at, row in enumerate(rows):
        if row.large and groups and rows[groups[-1][-1]].large:
            groups[-1].append(at)
        else:
            groups.append([at])
    kept: set[int] = set()
    for group in sorted(groups, key=lambda group: (rows[group[0]].weight, group[0])):
        if len(kept) + len(group) <= height:
            kept.update(group)
    return [row for at, row in enumerate(rows) if at in kept]


def _tables(shown: Snapshot) -> str:
    names = [
        f"[{number} {name}]" if number == shown.number and not shown.of_zone else f" {number} {name} "
        for number, name in enumerate(shown.tables[:_MOST_TABLES], 1)
    ]
    more = len(shown.tables) - _MOST_TABLES
    return " ".join(names) + (f"  and {more} more" if more > 0 else "")


class ScreenDisplay(Screen[Snapshot]):
    """A picture that is drawn again as things change."""

    def __init__(self, keys: bool, console: Console | None = None) -> None:
        self._keys = keys
        super().__init__(console)

    def _picture(self, seen: Snapshot) -> RenderableType:
        from rich.console import Group

        return Group(*picture(seen, *self.size, self._keys))

    def _left(self, seen: Snapshot) -> list[str]:
        return [message.text for message in seen.messages[-_SAID_LINES:]]
