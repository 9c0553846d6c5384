"""What is told about a piece: how pure its chords are, which are sour, what would raise that, and what following did.

Conventions
-----------
Notes are "as the table has them"; "pure" is said of chords. `bridge.jobs.harmony.tell` finds out what is told here.

Index
-----
`Told` · `apart` · `row_json`
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from bridge.engine.report import spans
from bridge.harmony.choice.follow import Following
from bridge.harmony.choice.variants import string_pins
from bridge.harmony.heard.hear import Heard, chords_in
from bridge.harmony.heard.keys import Tonic
from bridge.harmony.measure import Measure
from bridge.harmony.told.advice import Advice, whole_cure
from bridge.harmony.told.report import ChordRow, chord_rows, sour_lines, summary
from bridge.harmony.why.forms import fret_of
from bridge.harmony.why.reasons import BarReason, explain, moved_notes
from bridge.jobs.harmony.notes import Music
from bridge.tuning.notes import parse_pitch_class, pitch_class_name
from bridge.tuning.tables import Table

_MOST_LINES, _FEW = 12, 3
_FAR_FIFTHS = 3
_STEADY = re.compile(r",([35])=")
"""Degrees of a cure that nobody expects to move."""

_STEADY_NAMES = {"3": "the third of the scale", "5": "the fifth of the scale"}
_ORDINARY = "thirds, fourths, fifths and sixths"


@dataclass
class Told:
    """What is known of a piece."""

    music: Music  # its notes and bars
    measured: Measure | None = None  # how pure it is as it was written; None where it was not looked through
    heard: Heard | None = (
        None  # tonic, keys; its chords too once they are asked for (`chords`): hearing them takes time
    )
    advice: Advice | None = None  # what would raise the share
    following: Following | None = None  # how it was, or would be, followed; None where its table cannot be
    asked: bool = False  # whether following was asked for
    tables: tuple[tuple[int, Table], ...] = ()  # its tables by tick
    why_not: str = ""  # why it was not looked through
    equal_chords: bool = False  # whether chords that nothing makes pure are kept equal
    pinned: str = "strings"  # what stays where the table has it while it is followed
    _reasons: tuple[BarReason, ...] | None = field(default=None, repr=False)

    @property
    def tonic_name(self) -> str:
        """The tonic by which it was followed, that was heard or is the chart's; empty where there was none."""
        return self.heard.tonic.name if self.heard is not None and self.heard.tonic is not None else ""

    @property
    def followed(self) -> bool:
        """Whether notes were moved by commas."""
        return self.asked and self.following is not None and self.following.followed

    @property
    def reasons(self) -> tuple[BarReason, ...]:
        """Why bars are not pure, where the piece was followed."""
        if self._reasons is None:
            self._reasons = (
                explain(self.following, self.music.bar_starts_s)
                if self.followed and self.following is not None
                else ()
            )
        return self._reasons

    def chords(self) -> Heard | None:
        """Return what was heard, chords included."""
        if self.heard is not None and not self.heard.chords and self.music.bar_starts_s:
            found = chords_in(self.music.notes, self.music.bar_starts_s, self.heard)
            self.heard = replace(self.heard, chords=found)
        return self.heard

    def rows(self) -> tuple[ChordRow, ...]:
        """Return a row for every chord, as the piece was written."""
        heard = self.chords()
        if self.following is None or heard is None or not self.music.bar_starts_s:
            return ()
        return chord_rows(
            self.following,
            heard,
            self.music.bar_starts_s,
            self.music.beats_per_bar,
            self.reasons,
            as_followed=self.followed,
        )

    @property
    def whole_cure(self) -> tuple[str, float]:
        """One line of changes that cures all bars together, and the share that it makes.

        The line is empty where fewer than two bars have a cure, and where the piece has changes of its own already.
        """
        if self.following is None or self.followed or len(self.tables) != 1:
            return "", 0.0
        return whole_cure(self.following, self.music.bar_starts_s)

    def cure_lines(self) -> tuple[str, ...]:
        """Say for how long the cures of the bars hold, and what cures all of them together."""
        moved: dict[str, dict[int, None]] = {}
        for row in self.rows():
            for degree in _STEADY.findall(row.cure.partition(" --at ")[0]):
                moved.setdefault(_STEADY_NAMES[degree], {})[row.bar] = None
        told = tuple(
            f"bar{'s' * (len(bars) > 1)} {spans(bars)}: the cure moves {name}" for name, bars in moved.items()
        )
        if len({row.bar for row in self.rows() if row.cure}) < 2:
            return told
        line, share = self.whole_cure
        together = (f"all of them together: {line} makes it {100 * share:.0f} %",) if line else ()
        return ("the cure of a bar is for that bar alone", *told, *together)

    def summary(self) -> tuple[str, ...]:
        """Say in at most two lines how pure the piece is, and what would raise that."""
        if self.why_not:
            return (self.why_not,)
        if self.measured is None or self.measured.purity.seconds <= 0:
            return ()
        found = self.following
        if self.asked and found is not None:
            before, after = 100 * found.before.share, 100 * found.after.share
            if not found.followed:
                gain = (
                    "there is nothing to gain"
                    if found.why == "nothing to gain"
                    else "following it gains less than a point"
                )
                return (
                    f"{before:.0f} % of the held {_ORDINARY} are pure",
                    f"the piece is left as the table has it: {gain}",
                )
            first = f"{after:.0f} % of the held {_ORDINARY} are pure, {before:.0f} % as the table has them"
            moved = f"{found.after.moved:.1f}" if found.after.moved else "none"
            return (first, f"of 100 notes {moved} are struck again within a second at another pitch")
        if self.advice is None:
            return (f"{100 * self.measured.share:.0f} % of the held {_ORDINARY} are pure",)
        return summary(self.advice, found)

    def lines(self) -> list[str]:
        """Say which chords are off, and what following did, a line each."""
        told = list(self.summary())
        sour = sour_lines(self.rows())
        told += sour[:_MOST_LINES]
        if len(sour) > _MOST_LINES:
            more = len(sour) - _MOST_LINES
            told.append(f"and {more} more such line{'s' if more > 1 else ''}: see stillbeat chart")
        told += self.how_sour_lines()
        told += self.string_lines()
        told += self.equal_lines()
        if self.followed:
            told += self.comma_lines()
            reasons = dict.fromkeys(
                f"bar {bar.bar}: {reason.text}" for bar in self.reasons for reason in bar.reasons[:1]
            )
            told += list(reasons)[:_MOST_LINES]
        return told

    def how_sour_lines(self) -> list[str]:
        """Say how far all that is held is off, and apart from it how the seconds, sevenths and tritones are."""
        if self.measured is None:
            return []
        found, lines = self.measured, []
        if found.worst is not None:
            lines.append(
                f"all together are {found.purity.rms_cents:.1f} cents off (root mean square); "
                f"the worst beats {found.worst.beats_hz:.1f} times a second"
            )
        if found.others.seconds > 0:
            pure = f"{100 * found.others.share:.0f} % in simple ratios"
            lines.append(f"seconds, sevenths and tritones, which are not counted there: {pure}")
        return lines

    def equal_lines(self) -> list[str]:
        """Offer to keep chords equal that no choice makes pure, where they sound and that was not asked for."""
        if not self.asked or self.equal_chords:
            return []
        found: dict[str, str] = {}
        for row in self.rows():
            for word, off in (("aug", "13.7"), ("dim7", "15.6")):
                if row.chord.endswith(word) and row.cents_off:
                    found.setdefault(row.chord, off)
        return [
            f"{chord} has no pure form: one of its intervals is 41 cents off; with --equal-chords "
            f"each of its thirds is {off} cents off instead"
            for chord, off in found.items()
        ][:_FEW]

    def string_lines(self) -> list[str]:
        """Name the open strings that lie beside every pitch that their notes may take, and so are not held."""
        found = self.following
        if not self.asked or found is None or self.pinned != "strings":
            return []
        unfit = {}
        for palette in dict.fromkeys(found.score.palettes):
            free = palette.unpinned()
            for string in string_pins(free, palette.strings)[1]:
                unfit[string.number] = (
                    f"string {string.number} ({string.note}, {string.cents_from_table:+.1f} cents)"
                )
        if not unfit:
            return []
        names = ", ".join(unfit[number] for number in sorted(unfit, reverse=True))
        they = "these strings lie" if len(unfit) > 1 else "this string lies"
        return [f"{names}: {they} beside every pitch that the table may take, and hold no note of the track"]

    def comma_lines(self) -> list[str]:
        """Say where commas went: note, bars, chords, and where the guitar would fret it."""
        found = self.following
        if found is None or not self.followed:
            return []
        bars: dict[tuple[int, str, float], set[int]] = {}
        palettes = {}
        for segment, palette, variant in zip(
            found.segments, found.score.palettes, found.variants, strict=True
        ):
            if abs(variant.offset_cents) < 0.05:
                continue
            where = segment.pitch_class, str(variant), round(variant.offset_cents, 1)
            bars.setdefault(where, set()).add(self.music.bar_at(segment.start_s))
            palettes[where] = palette
        lines = []
        order = sorted(bars.items(), key=lambda one: (-len(one[1]), one[0]))
        for (pitch_class, ratio, cents), some in order:
            palette = palettes[pitch_class, ratio, cents]
            name = pitch_class_name(pitch_class, palette.tonic)
            side = "lower" if cents < 0 else "higher"
            line = f"{name} is {abs(cents):.1f} cents {side} ({ratio}) in {_bars(some)}"
            if self.heard is not None and (names := self._chords_with(pitch_class, some)):
                line += f", under {', '.join(names)}"
            string, fret, fret_cents = fret_of(palette, pitch_class, cents)
            if string and fret:
                above = "above" if fret_cents > 0 else "below"
                off = f"{abs(fret_cents):.1f} cents {above}" if abs(fret_cents) >= 0.05 else "at it"
                line += f"; the guitar frets it on string {string} at {fret}, {off}"
                home_cents = fret_of(palette, pitch_class, 0.0)[2]
                if abs(home_cents) < abs(fret_cents):
                    home = palette.free[pitch_class][0]
                    side = "above" if home_cents > 0 else "below"
                    line += f" ({abs(home_cents):.1f} cents {side} {home}, where the table has it)"
            lines.append(line)
        moved = moved_notes(found)
        if moved:
            counts: dict[str, int] = {}
            for one in moved:
                counts[one.note] = counts.get(one.note, 0) + 1
            most = max(counts, key=lambda note: counts[note])
            several = "notes are" if len(moved) > 1 else "note is"
            lines.append(
                f"{len(moved)} {several} struck again within a second at another pitch, most often {most}"
            )
        return lines[: 2 * _MOST_LINES]

    def departure(self, holders: Sequence[str] = ()) -> str:
        """Say where notes leave the table that other instruments hold; `holders` are their names."""
        found = self.following
        if found is None or not self.followed:
            return ""
        away = [
            (self.music.bar_at(segment.start_s), abs(variant.offset_cents))
            for segment, variant in zip(found.segments, found.variants, strict=True)
            if abs(variant.offset_cents) >= 0.05
        ]
        most = max(cents for _, cents in away)
        return (
            f"the track follows its harmony and leaves the table in {_bars({bar for bar, _ in away})}, by at most "
            f"{most:.1f} cents; whoever holds the piece's table differs from it there"
            + (f": {', '.join(holders)}" if holders else "")
        )

    def _chords_with(self, pitch_class: int, bars: set[int]) -> list[str]:
        """Return chords of some bars that have a note, at most three."""
        heard = self.chords()
        names = [
            str(one)
            for one in (heard.chords if heard is not None else ())
            if one.bar in bars and one.chord is not None and pitch_class in one.chord.pitch_classes
        ]
        return list(dict.fromkeys(names))[:3]

    def to_json(self) -> dict[str, Any]:
        """Return the same as plain data."""
        if self.measured is None:
            return {"share": None, "why": self.why_not}
        purity = self.measured.purity
        tonic = None if self.heard is None or self.heard.tonic is None else self.heard.tonic
        line, cured = self.whole_cure
        return {
            "share": purity.share,
            "rms_cents": purity.rms_cents,
            "worst_cents": purity.worst_cents,
            "sour": purity.sour,
            "worst_beats_hz": 0.0 if self.measured.worst is None else self.measured.worst.beats_hz,
            "others": {"share": self.measured.others.share, "rms_cents": self.measured.others.rms_cents},
            "moved_in_100": self.measured.moved,
            "drift_cents": self.measured.drift_cents,
            "tonic": None if tonic is None else {"name": tonic.name, "mode": tonic.mode, "sure": tonic.sure},
            "followed": self.followed,
            "share_as_table": None if self.following is None else self.following.before.share,
            "share_if_followed": None if self.following is None else self.following.after.share,
            "summary": list(self.summary()),
            "chords": [row_json(row) for row in self.rows()],
            "cure": line,
            "share_if_cured": cured if line else None,
            "commas": self.comma_lines(),
        }


COLUMNS = ("bar", "beat", "chord", "sounds", "cents_off", "beats_hz", "reason", "cure")


def row_json(row: ChordRow) -> dict[str, Any]:
    """Return a chord of a piece as plain data, by the names of `COLUMNS`."""
    return {
        "bar": row.bar,
        "beat": row.beat,
        "chord": row.chord,
        "sounds": list(row.sounds),
        "cents_off": round(row.cents_off, 3),
        "beats_hz": round(row.beats_hz, 3),
        "reason": row.reason or (f"{row.off} beats" if row.off else ""),
        "cure": row.cure,
    }


def _bars(some: set[int]) -> str:
    numbers = sorted(some)
    told = ", ".join(str(bar) for bar in numbers[:6])
    if len(numbers) > 6:
        told += f" and {len(numbers) - 6} more"
    return f"bar{'s' if len(numbers) > 1 else ''} {told}"


def apart(told: Told) -> str:
    """Say where the guitar and the track are more than a player would expect apart; empty if they are not."""
    if not told.tables or told.heard is None or told.heard.tonic is None or not told.heard.sure:
        return ""
    table, tonic = told.tables[0][1], told.heard.tonic
    if not table.strings:
        return ""
    guitar = parse_pitch_class(table.tonic)
    if min(_fifths(guitar, tonic.pitch_class), _fifths(guitar, _major_of(tonic))) < _FAR_FIFTHS:
        return ""
    return (
        f"the track is in {tonic.name} {tonic.mode}, the guitar's tonic is {table.tonic}: few of its chords lie "
        "near the open strings; a capo, another tuning or another key would bring them together"
    )


def _fifths(one: int, other: int) -> int:
    """Return how many fifths two classes are apart, either way round: 0 to 6."""
    steps = (other - one) * 7 % 12
    return min(steps, 12 - steps)


def _major_of(tonic: Tonic) -> int:
    """Return the tonic of the major scale that has the same notes."""
    shift = {"minor": 3, "dorian": 10, "mixolydian": 5}.get(tonic.mode, 0)
    return (tonic.pitch_class + shift) % 12
