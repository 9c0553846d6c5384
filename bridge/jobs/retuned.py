"""What a backing track is retuned by, and the record of what was done to it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from bridge.engine.mts.report import MtsReport
from bridge.engine.report import BarOf, BendReport
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import Chart
from bridge.jobs.changes import Inferred, PlacedChange
from bridge.jobs.harmony.palettes import check_request
from bridge.jobs.harmony.told import Told
from bridge.tuning.beats import beats_hz_per_cent
from bridge.tuning.changes import Change
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table
from bridge.wire.profile import SynthProfile

_AUDIBLE_CENTS = 0.1
"""Less than this is not worth a word: on D3 to F#3 it beats once in 24 seconds."""

Report = BendReport | MtsReport


@dataclass(frozen=True)
class RetuneRequest:
    """How a file is to be retuned."""

    spec: TableSpec  # the table that the piece starts with: home
    method: str = "auto"  # ``"note"``, ``"octave"``, ``"dump"``, ``"bend"``, ``"mpe"`` or ``"auto"``
    synth: str | SynthProfile | None = None  # name or path of a synth profile, or the profile itself
    at: tuple[Change, ...] = ()  # changes by bar
    follow_key_signatures: bool = False  # whether the file's key signatures move the tonic
    equal: bool = False  # equal temperament through the same reference instead of the table, for comparison
    channels: tuple[int, ...] | None = None  # channels 1-16 that bends may use; None: the synth's, without 10
    parts: tuple[int, ...] = ()  # channels that MPE plays, one or two
    plain: bool = False  # keep modulation, chorus and celeste depth at 0
    tail_s: float = 0.5  # how long a channel is left to decay, in seconds, where there is another
    # How notes are moved by commas so that chords are pure; None: every note as the table has it.
    follow_harmony: FollowRequest | None = None
    chart: Chart | None = None  # its chords as a player wrote them: they count for what is heard
    # What a drone beside it holds, from a bar and beat on: it stays where it is, or goes with the chart.
    drones: tuple[tuple[int, float, str], ...] = ()

    def __post_init__(self) -> None:
        if self.follow_harmony is not None:
            check_request(self.equal, self.follow_key_signatures)


@dataclass
class Retuned:
    """What was done to a file."""

    # The method taken, and the reason where it was not asked for.
    method: str
    why: str
    profile: SynthProfile | None  # the synth that the file is for; None: any
    changes: list[PlacedChange] = field(default_factory=list)  # tables inside the piece
    inferred: list[Inferred] = field(default_factory=list)  # what key signatures were taken for
    # One for each sequence of the file (several only in format 2), with what finds the bar of an anchor.
    reports: list[tuple[Report, BarOf | None]] = field(default_factory=list)
    # What is known of the music, one for each sequence, where it was followed or the job was asked to tell.
    told: list[Told] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)  # what a player should know

    @property
    def notes(self) -> int:
        """Pitched notes."""
        return sum(report.notes for report, _ in self.reports)

    @property
    def exact(self) -> int:
        """Notes that are as the table has them for their whole length."""
        return sum(report.exact for report, _ in self.reports)

    @property
    def worst_cents(self) -> float:
        """By how much the worst note is off, in cents."""
        return max((report.worst_cents for report, _ in self.reports), default=0.0)

    def lines(self) -> list[str]:
        """Return the whole record in words, a line each."""
        lines = [line for report, bar_of in self.reports for line in report.lines(bar_of)]
        if any(told.followed for told in self.told):
            lines = [line.replace("as the table has them", "as the harmony wants them") for line in lines]
        return lines

    def music_lines(self, whole: bool) -> list[str]:
        """Say how pure the music is and what would raise that; `whole`: which chords are off as well."""
        return [line for told in self.told for line in (told.lines() if whole else told.summary())]

    def to_json(self) -> dict[str, Any]:
        """Return the record as plain data; a format 2 file with several pieces lists them under ``pieces``."""
        pieces = [report.to_json(bar_of) for report, bar_of in self.reports]
        if self.told:
            pieces = [{**one, "music": told.to_json()} for one, told in zip(pieces, self.told, strict=True)]
        if len(pieces) == 1:
            return {**pieces[0], "notices": self.notices}
        notes = self.notes
        return {
            "schema": 1,
            "notes": notes,
            "exact": self.exact,
            "worst_cents": self.worst_cents,
            "mean_cents": sum(one["mean_cents"] * one["notes"] for one in pieces) / notes if notes else 0.0,
            "demand_max": max((one["demand_max"] for one in pieces), default=0),
            "bars": [bar for one in pieces for bar in one["bars"]],
            "method": self.method,
            "notices": self.notices,
            "pieces": pieces,
        }


def beats_left_by_rounding(table: Table, profile: SynthProfile | None, sent_cents: float) -> str:
    """Say what a synth that rounds pitches, or a message in whole cents, leaves to be heard; empty if nothing.

    The example is the major third above the reference: its fourth partial meets the reference's fifth.

    Parameters
    ----------
    table : Table
        The table that is sent.
    profile : SynthProfile or None
        Says how the synth rounds.
    sent_cents : float
        What whole-cent messages leave at most.
    """
    share, step_cents = 0.0, 0.0
    if profile is not None:
        share = {"none": 0.0, "nearest": 0.5, "floor": 0.5}[profile.rounding]
        step_cents = profile.rounding_cents
    cents = sent_cents + share * step_cents
    low = table.sounding_reference[0]
    high = low + 4
    if cents < _AUDIBLE_CENTS or high > 127:
        return ""
    rate_hz = cents * beats_hz_per_cent(4 * float(table.hz[high]))
    where = "sounds whole cents" if share else "is told whole cents"
    return (
        f"this synth {where}: a note may be {cents:.1f} cents off, and {table.note(low)} to {table.note(high)} "
        f"may beat {rate_hz:.2f} times a second"
    )
