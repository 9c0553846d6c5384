"""What a sheet is made of: plain values that whoever knows the piece fills in.

Conventions
-----------
A piece has one or more tables, lettered A, B, C on its sheet, and stretches, each under one of them. Everything that is
text is ready to read. The guitar, its capo and its reference are those of the tables.

Index
-----
`PanelFigures`, `TableSheet` · `Stretch` · `StringsSheet` · `LoadList` · `PieceSheet`, `SessionInfo`
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from bridge.errors import ValueProblem, near_names
from bridge.tuning.chord_names import parse_chord
from bridge.tuning.strings_order import TuningPlan
from bridge.tuning.tables import Table

TRANSPOSITIONS: Mapping[str, int] = {"Bb": 2, "Eb": 9, "F": 7}
"""How many semitones above its sound a note is written, octaves aside, by the players who ask."""


@dataclass(frozen=True)
class PanelFigures:
    """What is entered at a panel that takes whole cents.

    Attributes
    ----------
    a4_hz : float
        Master tuning.
    cents : tuple of 12 int
        From C to B.
    """

    a4_hz: float
    cents: tuple[int, ...]

    def __post_init__(self) -> None:
        if len(self.cents) != 12:
            raise ValueProblem(f"{len(self.cents)} figures for a panel", "twelve are needed, from C to B")


@dataclass(frozen=True)
class TableSheet:
    """One table of a piece.

    Attributes
    ----------
    table : Table
    panel : PanelFigures or None
        For an instrument that is tuned by hand; None where nobody needs it, or twelve figures cannot say the table.
    panel_note : str
        What to say instead where they cannot.
    chords : tuple of str
        Chords that are played, as `bridge.tuning.chord_names` reads them (``Em7``, ``ii7``); empty: the common triads.

    Raises
    ------
    ValueProblem
        If a chord is unknown.
    """

    table: Table
    panel: PanelFigures | None = None
    panel_note: str = ""
    chords: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in self.chords:
            parse_chord(name, self.table.tonic)


@dataclass(frozen=True)
class Stretch:
    """A stretch of a piece under one table.

    Attributes
    ----------
    place : str
        ``start``, ``bar 17``.
    table : int
        Which of the piece's tables, from 0.
    what : str
        What changes there; may be empty.
    title : str
        What players call it; may be empty.
    """

    place: str
    table: int = 0
    what: str = ""
    title: str = ""


@dataclass(frozen=True)
class StringsSheet:
    """How the guitar is tuned.

    Attributes
    ----------
    plan : TuningPlan
        Changes and steps.
    tension : mapping of int to float
        Tension of each string as a part of the usual; empty if nothing is compared.
    usual : str
        Title of the tuning that is compared with.
    slack : bool
        Whether the strings were slack before.
    """

    plan: TuningPlan
    tension: Mapping[int, float] = field(default_factory=dict)
    usual: str = ""
    slack: bool = False


@dataclass(frozen=True)
class LoadList:
    """What to load into one synth.

    Attributes
    ----------
    where : str
        Which synth.
    lines : tuple of str
        What to do, in order.
    """

    where: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class PieceSheet:
    """A piece.

    Attributes
    ----------
    title : str
        Its title.
    tables : tuple of TableSheet
        At least one.
    stretches : tuple of Stretch
        In order; the first is the start.
    number : int or None
        Its place in the session.
    notes : str
        For the players; line breaks part paragraphs.
    strings : StringsSheet or None
        How the guitar is tuned for it.
    load : tuple of LoadList
        What to load, synth by synth.
    cautions : tuple of str
        What to heed, a sentence or a few each.
    transposing : tuple of str
        Players who ask for their own notes: of `TRANSPOSITIONS`.

    Raises
    ------
    ValueProblem
        If there is no table, a stretch has a table that there is not, or a transposition is unknown.
    """

    title: str
    tables: tuple[TableSheet, ...]
    stretches: tuple[Stretch, ...] = (Stretch("start"),)
    number: int | None = None
    notes: str = ""
    strings: StringsSheet | None = None
    load: tuple[LoadList, ...] = ()
    cautions: tuple[str, ...] = ()
    transposing: tuple[str, ...] = ()

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
    """What belongs to the whole session.

    Attributes
    ----------
    title : str
        Its title.
    lines : tuple of str
        Guitar, reference and the like, a line each.
    notes : str
        For everybody; line breaks part paragraphs.
    strings : StringsSheet or None
        How the guitar is tuned at the beginning.
    load : tuple of LoadList
        What is loaded once, before the first piece.
    cautions : tuple of str
        What everybody heeds.
    transposing : tuple of str
        Players who are told their own tonics.
    """

    title: str
    lines: tuple[str, ...] = ()
    notes: str = ""
    strings: StringsSheet | None = None
    load: tuple[LoadList, ...] = ()
    cautions: tuple[str, ...] = ()
    transposing: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        check_transposing(self.transposing)


def check_transposing(names: tuple[str, ...]) -> None:
    """Refuse players whose notes nobody knows."""
    for name in names:
        if name not in TRANSPOSITIONS:
            raise ValueProblem(f"players in {name!r}", near_names(name, TRANSPOSITIONS))
