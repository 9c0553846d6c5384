"""What is seen of the live tuner: large letters in a terminal, readable at arm's length; plain lines anywhere else.

A display that cannot write any more is quiet from then on.
"""

from __future__ import annotations

import math
import textwrap
import time
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

from bridge.live.desk.drawing import View
from bridge.live.desk.tuner import Shown, TunerSeen
from bridge.live.desk.views.letters import LOW_ROWS, big, low
from bridge.live.desk.views.lines import Printed
from bridge.live.desk.views.playing import a_picture_suits
from bridge.live.desk.views.screen import Screen
from bridge.sheet.phrases import beat_words, signed
from bridge.tuning.notes import hz_to_key, note_name
from bridge.tuning.strings.aims import IN_TUNE_CENTS, StringAim

if TYPE_CHECKING:
    from rich.console import Console, RenderableType
    from rich.text import Text

#: Plain lines come no faster than this, unless the string changes.
LINE_S = 0.5
#: … and only where the reading has moved so far.
LINE_CENTS = 0.2
#: Half the width of the scale, in columns, and the cents at its ends.
HALF, ENDS_CENTS = 30, 50.0
_SAID_LINES = 3
_LOW, _NARROW = 17, 72


def scale_line(cents: float) -> str:
    """Draw where a string stands on a scale, flat to the left, that is finer near the middle."""
    part = min(math.sqrt(abs(cents) / ENDS_CENTS), 1.0)
    place = HALF + round(math.copysign(part * HALF, cents))
    marks = list("-" * (2 * HALF + 1))
    for tick in (-50, -20, -5, 0, 5, 20, 50):
        marks[HALF + round(math.copysign(math.sqrt(abs(tick) / ENDS_CENTS) * HALF, tick))] = "|"
    marks[place] = "\N{BLACK DIAMOND}"
    return "".join(marks)


def turn_words(shown: Shown) -> str:
    """Say what to do: a string is brought up to its pitch, never let down to it."""
    if shown.aim is None:
        return "no string is near" if shown.nearest is None else _no_string(shown.hz, shown.nearest)
    if shown.turn == "":
        return "in tune" if shown.steady else "nearly"
    return "tighten" if shown.turn == "tighten" else "loosen, go below, come up again"


def _no_string(hz: float, nearest: StringAim) -> str:
    """Say where a note stands that is no string."""
    semitones = round(nearest.cents(hz) / 100)
    where = f"{abs(semitones)} semitones {'above' if semitones > 0 else 'below'}"
    return f"no string: {where} string {nearest.string} ({nearest.note})"


def beats_words(shown: Shown, reference: StringAim | None) -> str:
    """Say what would be heard against the reference string."""
    if shown.beats_hz is None or shown.aim is None:
        return ""
    if reference is None or reference == shown.aim:
        return f"{beat_words(shown.beats_hz)} against the reference"
    return f"{beat_words(shown.beats_hz)} against string {reference.string} ({reference.note})"


def _name(shown: Shown) -> tuple[str, str]:
    """What is heard: the string, and its note or the nearest."""
    if shown.aim is None:
        return "", note_name(min(max(round(float(hz_to_key(shown.hz))), 0), 127))
    return f"string {shown.aim.string}", shown.aim.note


def make_tuner_display(
    aims: Mapping[int, StringAim], reference: int, lines: bool, under: Sequence[str] = ()
) -> View[TunerSeen]:
    """Return the view that suits where the output goes; under a picture stand lines that stay."""
    if lines or not a_picture_suits():
        return TunerLines(aims, reference)
    return TunerScreen(aims, reference, under=under)


class TunerLines(Printed):
    """One line for each thing worth saying."""

    def __init__(
        self, aims: Mapping[int, StringAim], reference: int, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._reference = aims.get(reference)
        self._clock = clock
        super().__init__()
        self._before: Shown | None = None
        self._said_s = -math.inf
        self._said = 0

    def show(self, seen: TunerSeen) -> None:
        """Write a line where something has changed; first guesses are left out."""
        for text in seen.said[self._said :]:
            self._say(text)
        self._said = len(seen.said)
        shown = seen.shown
        if shown is None or shown.guess:
            return
        before, now_s = self._before, self._clock()
        if before is not None and before.aim == shown.aim:
            moved = abs(shown.cents - before.cents) >= LINE_CENTS or shown.aim is None
            if now_s - self._said_s < LINE_S or not (moved or shown.steady != before.steady):
                return
        self._before, self._said_s = shown, now_s
        string, note = _name(shown)
        off = f"{signed(shown.cents)} cents" if shown.aim is not None else ""
        beats = beats_words(shown, self._reference)
        parts = (f"{string} {note}".strip(), f"{shown.hz:.2f} Hz", off, turn_words(shown), beats)
        self._say("  ".join(part for part in parts if part))


class TunerScreen(Screen[TunerSeen]):
    """A picture that is drawn again as things change."""

    def __init__(
        self,
        aims: Mapping[int, StringAim],
        reference: int,
        console: Console | None = None,
        under: Sequence[str] = (),
    ) -> None:
        self._aims = aims
        self._under = under
        self._reference = aims.get(reference)
        super().__init__(console)

    def _left(self, seen: TunerSeen) -> list[str]:
        """How the strings were last stays."""
        strings = sorted(seen.last.items(), reverse=True)
        return [
            f"string {number} {self._aims[number].note}: {signed(cents)} cents" for number, cents in strings
        ]

    def _picture(self, seen: TunerSeen) -> RenderableType:
        from rich.console import Group
        from rich.text import Text

        parts: list[RenderableType] = []
        shown = seen.shown
        if self.size[0] < _NARROW or self.size[1] < _LOW:
            return Group(*self._small(seen, *self.size))
        if shown is None:
            parts += [Text(""), *(Text("") for _ in range(5)), Text("pluck a string", style="bold")]
            parts += [Text("") for _ in range(5)]
        else:
            string, note = _name(shown)
            style = _style(shown)
            head = f"{string} {note}".strip()
            parts.append(Text(f"{head}  {shown.hz:.2f} Hz", style="bold"))
            figure = "" if shown.aim is None else _figure(shown)
            left, right = big(f"{'' if shown.aim is None else shown.aim.string} {note}"), big(figure)
            parts += [
                Text.assemble((a.ljust(36), "bold"), (b, style)) for a, b in zip(left, right, strict=True)
            ]
            parts += [Text(""), Text(scale_line(shown.cents) if shown.aim is not None else "", style=style)]
            parts += [Text(""), Text(turn_words(shown).upper(), style=f"{style} bold")]
            parts += [Text(beats_words(shown, self._reference)), Text("")]
        row = Text()
        for text in self._strings(seen):
            row.append_text(text)
        parts += [row, *(Text(text, style="yellow") for text in seen.said[-_SAID_LINES:])]
        parts += [Text(line, style="dim") for line in self._under]
        return Group(*parts)

    def _strings(self, seen: TunerSeen) -> list[Text]:
        """How each string was last."""
        from rich.text import Text

        rows = []
        for number, aim in self._aims.items():
            cents = seen.last.get(number)
            told = "  ..." if cents is None else f"{signed(cents):>5}"
            tuned = cents is not None and abs(cents) <= IN_TUNE_CENTS
            rows.append(Text(f"{number} {aim.note} {told}   ", style="green" if tuned else ""))
        return rows

    def _small(self, seen: TunerSeen, width: int, height: int) -> list[Text]:
        """Draw what matters most, where there are few lines or columns: no line is broken."""
        from rich.text import Text

        wrapped = textwrap.wrap(" ".join(seen.said[-1:]), width, max_lines=LOW_ROWS + 1)
        said = [Text(line, style="yellow") for line in wrapped]
        shown = seen.shown
        rows = [
            Text("pluck a string", style="bold"),
            Text(""),
            *said,
            *(LOW_ROWS + 1 - len(said)) * [Text("")],
        ]
        if shown is not None:
            string, note = _name(shown)
            style = _style(shown)
            what = f"{'' if shown.aim is None else shown.aim.string} {note}".strip()
            figure = "" if shown.aim is None else _figure(shown)
            beats = beats_words(shown, self._reference)
            # Where both have no room, the string stands below: in words.
            drawn = low(f"{what}  {figure}".rstrip(), width) or low(figure, width) or [what, "", ""]
            rows = [Text(line, style=f"{style} bold") for line in drawn]
            rows += [Text(turn_words(shown).upper(), style=f"{style} bold")]
            off = "" if shown.aim is None else f"  {signed(shown.cents)} cents"
            rows += [
                Text(f"{string} {note}  {shown.hz:.2f} Hz{off}".strip()),
                Text(beats if len(beats) <= width else beats.partition(" against")[0]),
            ]
        strings = [Text()]
        for text in self._strings(seen):
            if len(strings[-1]) + len(text.plain.rstrip()) > width:
                strings.append(Text())
            strings[-1].append_text(text)
        under = [Text(line, style="dim") for line in self._under]
        after = said if shown is not None else []
        kept = [*rows, *strings, *after, *under][: max(height - 1, 1)]
        for row in kept:
            row.no_wrap, row.overflow = True, "crop"
        return kept


def _figure(shown: Shown) -> str:
    """Cents in large figures: a first guess without decimals, and nothing wider than the screen."""
    if shown.guess:
        return f"~{round(shown.cents):+d}"
    return signed(shown.cents) if abs(shown.cents) < 100 else f"{round(shown.cents):+d}"


def _style(shown: Shown) -> str:
    if shown.guess or shown.aim is None:
        return "dim"
    return "green" if shown.turn == "" else "yellow"
