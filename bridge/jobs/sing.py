"""What was sung: the notes of one voice in a take, set against a table.

A note belongs to the degree of the table that it is nearest to. Who sings alone sinks or rises little by little, so
nearest means: after what the last notes strayed by, which a whole phrase shares. Octaves need no folding: a table has
every degree in every octave; and it is the octave that is sung that beats with a drone.

Conventions: cents from pure are from the table, sharp positive; seconds from the first sample.
"""

from __future__ import annotations

import csv
import io
import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bridge.errors import InputProblem
from bridge.tuning.beats import main_pair
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from bridge.sound.listening.mono import Mono
    from bridge.sound.listening.voice.notes import SungNote

COLUMNS = (
    *("start_s", "end_s", "note", "degree", "hz", "cents_from_pure"),
    *("steadiness_cents", "vibrato_hz", "vibrato_cents"),
)
"""Of the CSV file, a row a note; `hz` is the centre over whole cycles of vibrato."""

RECENT = 3
"""So many of the last notes tell how far the voice has strayed."""

ENDS = 3
"""So many notes at the beginning, and at the end, are looked at for a degree that both have."""

STRAYED_CENTS = 5.0
"""What the end lies off the beginning by less than this, nobody hears."""

BEATS_WITHIN_CENTS = 5.0
"""A voice that strays more than this has no beats that can be counted."""


@dataclass(frozen=True)
class SungRow:
    """A note that was sung, against the table."""

    start_s: float
    end_s: float
    key: int
    note: str  # as the table's tonic spells it
    degree: str  # as ``b3``; empty in a table without a scale
    hz: float  # its centre, over whole cycles of vibrato
    cents_sd: float  # how sure that is: standard deviation
    cents_from_pure: float
    # How far the pitch strays, vibrato aside, and the vibrato's rate and width to either side.
    steadiness_cents: float
    vibrato_hz: float
    vibrato_cents: float
    beats_hz: float | None  # against the drone; None without one, or where the voice is not steady enough


@dataclass(frozen=True, eq=False)
class Song:
    """What was sung in a take."""

    rows: tuple[SungRow, ...]
    # The pitch as it went, frame by frame: seconds, and Hz; shape (frames,).
    t: NDArray[np.float64]
    hz: NDArray[np.float64]

    @property
    def strayed(self) -> Strayed | None:
        """How far the end lies above the beginning; None for less than four notes.

        By the earliest and the latest note of a degree that both ends have: then it does not matter how pure that
        degree is sung. Without one by the middle of the notes at either end, the table's own steps aside.
        """
        if len(self.rows) < 4:
            return None
        count = min(ENDS, len(self.rows) // 2)
        first, last = self.rows[:count], self.rows[: -count - 1 : -1]
        same = [
            (early + late, before, after)
            for late, after in enumerate(last)
            for early, before in enumerate(first)
            if before.key % 12 == after.key % 12
        ]
        if same:
            inside, before, after = min(same, key=lambda pair: pair[0])
            return Strayed(after.cents_from_pure - before.cents_from_pure, before, inside == 0)
        early_cents, late_cents = (
            statistics.median(row.cents_from_pure for row in rows) for rows in (first, last)
        )
        return Strayed(late_cents - early_cents, None, False)


@dataclass(frozen=True)
class Strayed:
    """How far the end of a take lies above its beginning."""

    cents: float
    by: SungRow | None  # a note of the degree it is measured by; None where the ends share none
    outermost: bool  # whether the very first note and the very last are on that degree

    @property
    def told(self) -> str:
        """In words."""
        if self.by is None:
            end, does, beginning, by = "the last notes", "lie", "the first", "each from its own pure line"
        else:
            name = self.by.note.rstrip("-0123456789")
            degree = f"{self.by.degree} ({name})" if self.by.degree else name
            end, does, beginning, by = (
                "the end",
                "lies",
                "the beginning",
                f"measured by the same degree, {degree}",
            )
            if self.outermost:
                end, beginning, by = "the last note", "the first", f"both on degree {degree}"
        if abs(self.cents) < STRAYED_CENTS:
            return f"{end} {does} where {beginning} did, {by}"
        return f"{end} {does} {abs(self.cents):.0f} cents {'above' if self.cents > 0 else 'below'} {beginning}, {by}"


def hear_song(
    samples: NDArray[np.float64] | Mono, sample_rate: float, table: Table, drone_keys: Sequence[int] = ()
) -> Song:
    """Find the notes of one voice, and set them against a table.

    InputProblem where no voice was heard alone.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels), or Mono
    drone_keys : sequence of int
        MIDI keys of a drone that Stillbeat played and that is heard in the take: it is taken out.
    """
    import numpy as np

    from bridge.sound.analysis.contour import CLEAR
    from bridge.sound.listening.mono import mono
    from bridge.sound.listening.voice.drone import without_drone
    from bridge.sound.listening.voice.follow import follow_voice
    from bridge.sound.listening.voice.notes import voice_notes

    drone_hz = [float(table.hz[key]) for key in drone_keys]
    sound = mono(samples, sample_rate).sound
    if drone_hz:
        sound = without_drone(sound, sample_rate, drone_hz)
    track = follow_voice(sound, sample_rate)
    notes = voice_notes(sound, sample_rate, track)
    if not notes:
        hint = (
            "one voice alone, or with a drone that --drone names; strings are measured by: stillbeat listen"
        )
        if drone_hz:
            hint = (
                "a drone that is not heard in it (headphones) must not be named by --drone: it is taken out"
            )
        raise InputProblem("no single voice was heard in it", hint)
    heard = (track.clarity >= CLEAR) & (track.hz > 0) & (track.level > 0.01 * float(track.level.max()))
    return Song(against_table(notes, table, drone_hz), track.t, np.where(heard, track.hz, 0.0))


def against_table(
    notes: Sequence[SungNote], table: Table, drone_hz: Sequence[float] = ()
) -> tuple[SungRow, ...]:
    """Set notes against a table, in order."""
    rows: list[SungRow] = []
    for note in notes:
        recent = [row.cents_from_pure for row in rows[-RECENT:]]
        key, cents = nearest(table, note.hz, statistics.median(recent) if recent else 0.0)
        steadiness = note.steadiness_cents if math.isfinite(note.steadiness_cents) else 0.0
        rows.append(
            SungRow(
                start_s=note.start_s,
                end_s=note.end_s,
                key=key,
                note=table.note(key),
                degree=table.degrees[key] or "",
                hz=note.hz,
                cents_sd=note.cents_sd,
                cents_from_pure=cents,
                steadiness_cents=steadiness,
                vibrato_hz=note.vibrato_hz,
                vibrato_cents=note.vibrato_cents,
                beats_hz=beats_against(note.hz, steadiness, note.vibrato_cents, drone_hz),
            )
        )
    return tuple(rows)


def nearest(table: Table, hz: float, strayed_cents: float = 0.0) -> tuple[int, float]:
    """Return the MIDI key that a voice means which has strayed so far, and how far it lies above that key's pitch."""
    off = [hz_to_cents(hz, float(one)) for one in table.hz]
    key = min(range(len(off)), key=lambda index: abs(off[index] - strayed_cents))
    return key, off[key]


def beats_against(
    hz: float, steadiness_cents: float, vibrato_cents: float, drone_hz: Sequence[float]
) -> float | None:
    """Return the beats a second against the note of a drone that shares the simplest partials.

    None without a drone, where no partials are near each other, or where the voice strays too far to beat: with
    vibrato there is a centre, but no beat.
    """
    if max(steadiness_cents, vibrato_cents) > BEATS_WITHIN_CENTS:
        return None
    pairs = [pair for one in drone_hz if (pair := main_pair(one, hz)) is not None]
    if not pairs:
        return None
    return min(pairs, key=lambda pair: pair.partial * pair.other_partial).beats_hz


def song_csv(song: Song) -> str:
    """Return the notes as CSV, with a heading: `COLUMNS`."""
    stream = io.StringIO()
    writer = csv.DictWriter(stream, COLUMNS, extrasaction="ignore", lineterminator="\n")
    writer.writeheader()
    for row in song.rows:
        writer.writerow(
            {
                "start_s": f"{row.start_s:.3f}",
                "end_s": f"{row.end_s:.3f}",
                "note": row.note,
                "degree": row.degree,
                "hz": f"{row.hz:.4f}",
                "cents_from_pure": f"{round(row.cents_from_pure, 2) + 0.0:.2f}",
                "steadiness_cents": f"{row.steadiness_cents:.2f}",
                "vibrato_hz": f"{row.vibrato_hz:.2f}",
                "vibrato_cents": f"{row.vibrato_cents:.2f}",
            }
        )
    return stream.getvalue()


def song_told(song: Song) -> list[str]:
    """Say what a singer should know of the whole; a sentence each."""
    off = [row.cents_from_pure for row in song.rows]
    told = []
    strayed = song.strayed
    if strayed is not None:
        half = statistics.median(abs(cents) for cents in off)
        told.append(f"half of the {len(off)} notes lie within {half:.0f} cents of pure")
        told.append(strayed.told)
        middle = statistics.median(off)
        if abs(middle) >= STRAYED_CENTS > abs(strayed.cents):
            told.append(
                f"the whole lies {abs(middle):.0f} cents {'above' if middle > 0 else 'below'} the table: was the "
                "reference the string that was sung to?"
            )
    wide = [row for row in song.rows if row.vibrato_cents > BEATS_WITHIN_CENTS]
    if wide:
        rate = statistics.median(row.vibrato_hz for row in wide)
        width = statistics.median(row.vibrato_cents for row in wide)
        told.append(
            f"vibrato on {len(wide)} of {len(off)} notes, about {rate:.1f} a second and {width:.0f} cents to either "
            "side; what counts is its centre"
        )
    return told
