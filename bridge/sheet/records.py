"""What a sheet is made of: plain values that whoever knows the piece fills in.

Conventions
-----------
A piece has one or more tables, lettered A, B, C on its sheet, and stretches, each under one of them. Everything that is
text is ready to read. The guitar, its capo and its reference are those of the tables.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bridge.errors import ValueProblem, near_names
from bridge.tuning.chords.names import parse_chord
from bridge.tuning.strings.order import TuningPlan
from bridge.tuning.tables import Table

TRANSPOSITIONS: Mapping[str, int] = {"Bb": 2, "Eb": 9, "F": 7}
"""How many semitones above its sound a note is written, octaves aside, by the players who ask."""


@dataclass(frozen=True)
class PanelFigures:
    """What is entered at a panel that takes whole cents."""

    a4_hz: float  # master tuning
    cents: tuple[int, ...]  # from C to B

    def __post_init__(self) -> None:
        if len(self.cents) != 12:
            raise ValueProblem(f"{len(self.cents)} figures for a panel", "twelve are needed, from C to B")


@dataclass(frozen=True)
class TableSheet:
    """One table of a piece; ValueProblem if a chord is unknown."""

    table: Table
    # For an instrument that is tuned by hand; None where nobody needs it, or twelve figures cannot say
    # the table.
    panel: PanelFigures | None = None
    panel_note: str = ""  # what to say instead where they cannot
    # Chords that are played, as `bridge.tuning.chords.names` reads them (``Em7``, ``ii7``); empty: the
    # common triads.
    chords: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in self.chords:
            parse_chord(name, self.table.tonic)


@dataclass(frozen=True)
class Stretch:
    """A stretch of a piece under one table."""

    place: str  # ``start``, ``bar 17``
    table: int = 0  # which of the piece's tables, from 0
    what: str = ""  # what changes there; may be empty
    title: str = ""  # what players call it; may be empty
    programs: tuple[
        int | None, ...
    ] = ()  # tuning program of its table, for each of `PieceSheet.program_synths`


@dataclass(frozen=True)
class StringsSheet:
    """How the guitar is tuned."""

    plan: TuningPlan  # changes and steps
    # Tension of each string as a part of the usual; empty if nothing is compared.
    tension: Mapping[int, float] = field(default_factory=dict)
    usual: str = ""  # title of the tuning that is compared with
    slack: bool = False  # whether the strings were slack before


@dataclass(frozen=True)
class LoadList:
    """What to load into one synth."""

    where: str  # which synth
    lines: tuple[str, ...]  # what to do, in order


@dataclass(frozen=True)
class PieceSheet:
    """A piece.

    ValueProblem if there is no table, a stretch has a table that there is not, or a transposition is unknown.
    """

    title: str
    tables: tuple[TableSheet, ...]  # at least one
    stretches: tuple[Stretch, ...] = (Stretch("start"),)  # in order; the first is the start
    number: int | None = None  # its place in the session
    notes: str = ""  # for the players; line breaks part paragraphs
    strings: StringsSheet | None = None  # how the guitar is tuned for it
    load: tuple[LoadList, ...] = ()  # what to load, synth by synth
    cautions: tuple[str, ...] = ()  # what to heed, a sentence or a few each
    transposing: tuple[str, ...] = ()  # players who ask for their own notes: of `TRANSPOSITIONS`
    program_synths: tuple[str, ...] = ()  # synths in which every table has a tuning program
    # What is done to the guitar before it, from where the piece before left it, in order; empty: nothing.
    retune: tuple[str, ...] = ()
    capo_instead: int = 0  # fret of a capo that makes the tuning's notes though its tables have none; 0: none
    ready: tuple[str, ...] = ()  # what the other synths need before it, a few words each
    drone: str = ""  # what its drone holds, and its file; may be empty

    def __post_init__(self) -> None:
        if not self.tables or not self.stretches:
            raise ValueProblem(f"{self.title!r} has no table", "a sheet shows at least one, from the start")
        for stretch in self.stretches:
            if not 0 <= stretch.table < len(self.tables):
                raise ValueProblem(
                    f"{self.title!r}, {stretch.place}: table {stretch.table}", f"0 to {len(self.tables) - 1}"
                )
        check_transposing(self.transposing)


@dataclass(frozen=True)
class SessionInfo:
    """What belongs to the whole session."""

    title: str
    lines: tuple[str, ...] = ()  # guitar, reference and the like, a line each
    notes: str = ""  # for everybody; line breaks part paragraphs
    strings: StringsSheet | None = None  # how the guitar is tuned at the beginning
    load: tuple[LoadList, ...] = ()  # what is loaded once, before the first piece
    cautions: tuple[str, ...] = ()  # what everybody heeds
    transposing: tuple[str, ...] = ()  # players who are told their own tonics
    # What to do when the reference has drifted, a sentence or two; may be empty.
    drifted: str = ""
    # The open strings of a violin that is tuned with the guitar, from the lowest to the highest: note and Hz.
    violin_hz: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        check_transposing(self.transposing)


def check_transposing(names: tuple[str, ...]) -> None:
    """Refuse players whose notes nobody knows."""
    for name in names:
        if name not in TRANSPOSITIONS:
            raise ValueProblem(f"players in {name!r}", near_names(name, TRANSPOSITIONS))
