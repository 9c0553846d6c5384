"""Charts: the chords of a piece as text, bar by bar.

How a chart is written
----------------------
============================  ====================================================================
``| G | Em | Am D7 |``        bars between strokes; several chords share a bar equally
``%``                         the bar before once more; in a bar, the chord before once more
``|: G | D :|``               played twice; ``:|x3`` or ``:| x3`` three times
``[Verse]`` or ``Verse:``     a section begins, and has a name; a line by itself or before its bars
``N.C.``                      nothing sounds
``# remark``                  the rest of the line is a remark, if a space or nothing stands before it
============================  ====================================================================

Line ends mean nothing but the end of a remark or of a section's name. Without any stroke, each line is a bar a chord.

Sources
-------
Strokes, repeats and the sign for a repeated bar: common practice of lead sheets.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from fractions import Fraction

from bridge.errors import StillbeatError, ValueProblem
from bridge.tuning.chords.names import ChordName, parse_chord_name

MAX_BARS = 10_000
MAX_REPEATS = 99
_MOST_DIGITS = 9

_SECTION = re.compile(
    r"\[(?P<name>[^\]\n]{1,100})\]|(?P<plain>[A-Za-z][\w '\-]{0,99}):(?=\s|$)"
)  # bounded: it is tried at each word
_TOKEN = re.compile(r"(:\|+:?|\|+:?)\s*(?:x\s*(\d+))?|([^\s|]+)")
_REMARK = re.compile(r"(?:^|(?<=\s))#(?![A-Ga-g0-9]).*$")
_HINT = "write bars between strokes, like | G | Em | Am D7 |; % repeats a bar, |: G | D :| plays twice"


@dataclass(frozen=True)
class ChartChord:
    """A chord in a bar."""

    chord: ChordName | None  # None where nothing sounds
    # Where in the bar it begins and how much of the bar it lasts: 0 to 1.
    start: Fraction
    length: Fraction

    def __str__(self) -> str:
        return "N.C." if self.chord is None else str(self.chord)


@dataclass(frozen=True)
class ChartBar:
    """A bar as it is played."""

    number: int  # its number as played, from 1, repeats counted
    section: str  # name of the section it belongs to; empty without one
    chords: tuple[ChartChord, ...]  # in order

    def __str__(self) -> str:
        return " ".join(str(one) for one in self.chords)


@dataclass(frozen=True)
class Chart:
    """The bars of a piece as they are played, repeats written out."""

    bars: tuple[ChartBar, ...]

    @property
    def sections(self) -> tuple[tuple[str, int, int], ...]:
        """Name, first bar and last bar of each section, in order."""
        found: list[tuple[str, int, int]] = []
        for bar in self.bars:
            if found and found[-1][0] == bar.section:
                found[-1] = (bar.section, found[-1][1], bar.number)
            else:
                found.append((bar.section, bar.number, bar.number))
        return tuple(found)

    def moved(self, semitones: int, tonic: str) -> Chart:
        """Return the chart that many semitones higher, spelled by the new tonic."""
        if not semitones:
            return self

        def chord(one: ChartChord) -> ChartChord:
            return replace(one, chord=one.chord and one.chord.moved(semitones, tonic))

        return Chart(tuple(replace(bar, chords=tuple(map(chord, bar.chords))) for bar in self.bars))

    def __str__(self) -> str:
        """Write it so that `parse_chart` reads it back: a line a section, repeats written out."""
        lines = []
        for name, first, last in self.sections:
            body = "| " + " | ".join(str(bar) for bar in self.bars[first - 1 : last]) + " |"
            lines.append(f"[{name}] {body}" if name else body)
        return "\n".join(lines)


def parse_chart(text: str) -> Chart:
    """Read a chart.

    Raises
    ------
    ValueProblem
        Names the line and what in it is no chord, or which repeat is not closed.
    """
    reader = _Reader()
    for number, line in enumerate(text.splitlines(), 1):
        try:
            reader.line(_REMARK.sub("", line).strip())
        except StillbeatError as problem:
            raise ValueProblem(f"chart, line {number}: {problem.message}", problem.hint) from None
    return reader.finish()


class _Reader:
    def __init__(self) -> None:
        self.bars: list[tuple[str, list[ChordName | None]]] = []
        self.open: list[ChordName | None] | None = None
        self.section = ""
        self.repeat_from: int | None = None

    def line(self, line: str) -> None:
        place = 0
        strokes = "|" in line
        while place < len(line):
            if line[place].isspace():
                place += 1
                continue
            if section := _SECTION.match(line, place):
                self.close()
                self.section = (section["name"] or section["plain"]).strip()
                place = section.end()
                continue
            token = _TOKEN.match(line, place)
            assert token is not None  # any text is a token
            place = token.end()
            if token[1]:
                self.stroke(token[1], token[2])
            else:
                self.word(token[3])
        if not strokes:
            self.close()

    def word(self, word: str) -> None:
        """Take a chord or a sign that stands in a bar."""
        if self.open is None:
            self.open = []
        if word.upper() in ("N.C.", "NC"):
            self.open.append(None)
        elif word != "%":
            self.open.append(parse_chord_name(word))
        elif self.open:
            self.open.append(self.open[-1])
        elif self.bars:
            self.open.extend(self.bars[-1][1])
        else:
            raise ValueProblem("% stands before any bar", _HINT)

    def stroke(self, sign: str, times: str | None) -> None:
        """Take a bar line, which may open or close a repeat."""
        self.close()
        if sign.startswith(":"):
            if self.repeat_from is None:
                # Without an opening sign, all from the start is played again, as on paper.
                self.repeat_from = 0
            if times and len(times) > _MOST_DIGITS:
                raise ValueProblem(
                    f"a repeat of a number of times with {len(times)} digits", f"1 to {MAX_REPEATS}"
                )
            count = int(times) if times else 2
            if not 1 <= count <= MAX_REPEATS:
                raise ValueProblem(f"a repeat of {count} times", f"1 to {MAX_REPEATS}")
            again = self.bars[self.repeat_from :]
            if not again:
                raise ValueProblem("a repeat holds no bar", _HINT)
            if len(self.bars) + len(again) * (count - 1) > MAX_BARS:
                raise ValueProblem("the chart is too long", f"at most {MAX_BARS} bars, repeats counted")
            self.bars += again * (count - 1)
            self.repeat_from = None
        elif times:
            raise ValueProblem(f"x{times} without a repeat", "write |: G | D :|x3")
        if sign.endswith(":"):
            if self.repeat_from is not None:
                raise ValueProblem("a repeat begins inside another", "close the first with :|")
            self.repeat_from = len(self.bars)

    def close(self) -> None:
        """End the bar that is open."""
        if self.open:
            self.bars.append((self.section, self.open))
            if len(self.bars) > MAX_BARS:
                raise ValueProblem("the chart is too long", f"at most {MAX_BARS} bars, repeats counted")
        self.open = None

    def finish(self) -> Chart:
        self.close()
        if self.repeat_from is not None:
            raise ValueProblem("a repeat is not closed", "end it with :|")
        if not self.bars:
            raise ValueProblem("the chart holds no bar", _HINT)
        bars = []
        for number, (section, chords) in enumerate(self.bars, 1):
            length = Fraction(1, len(chords))
            bars.append(
                ChartBar(
                    number,
                    section,
                    tuple(ChartChord(chord, length * place, length) for place, chord in enumerate(chords)),
                )
            )
        return Chart(tuple(bars))
