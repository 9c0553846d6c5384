"""Sheets for tests: ordinary and odd ones, and a page of HTML as plain text and tables."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from html.parser import HTMLParser

from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.frets import neck_of, study_frets
from bridge.jobs.strings import plan_strings
from bridge.sheet.records import (
    LoadList,
    PanelFigures,
    PieceSheet,
    SessionInfo,
    Stretch,
    StringsSheet,
    TableSheet,
)
from bridge.sheet.shapes import Picture
from bridge.tuning.spec import TableSpec, literal_spec
from bridge.tuning.tables import build_table


def spec(**asked: object) -> TableSpec:
    """A table as asked for at the command line."""
    return choose_table(TableRequest(**asked))  # type: ignore[arg-type]


def neck(guitar: str, fret: int = 0, **options: int) -> Picture:
    """The fretboard of a guitar."""
    return neck_of(study_frets(choose_table(TableRequest(guitar=guitar, fret=fret)), **options))


def strings(of: TableSpec) -> StringsSheet:
    """How its guitar is tuned."""
    found = plan_strings(of)
    if found.usual is None:
        return StringsSheet(found.plan)
    return StringsSheet(found.plan, found.tension, found.usual.title)


def open_d(**more: object) -> PieceSheet:
    """A piece in open D, its fourth string at 146.5 Hz, with everything that a sheet may hold."""
    of = spec(guitar="open-d", reference="D3=146.5")
    panel = PanelFigures(439.0, (18, -12, 0, 12, 4, 16, -14, -2, -10, 2, 14, -16))
    made = {
        "title": "Low Water",
        "number": 1,
        "tables": (TableSheet(build_table(of), panel),),
        "notes": "Start quiet.\nBreathe together.",
        "strings": strings(of),
        "load": (LoadList("Organ", ("start: program 1",)), LoadList("Rack", ("save first", "then load"))),
        "cautions": ("Take breaks.",),
        "transposing": ("Bb", "Eb", "F"),
    }
    return PieceSheet(**{**made, **more})  # type: ignore[arg-type]


def odd() -> tuple[PieceSheet, ...]:
    """Pieces that a page may trip over."""
    c6 = spec(guitar="open-c6", reference="C3-12c")
    violin, banjo = spec(guitar="violin"), spec(guitar="banjo-open-g", fret=2)
    slide = spec(guitar="lap-steel-open-d", slide="4/3")
    pinned = spec(tonic="Bb", scale="seven-limit", pins=("F#3=183.1",))
    hz = [440 * 2 ** ((key - 69 + 0.3 * math.sin(1.7 * key)) / 12) for key in range(128)]
    five = tuple(
        TableSheet(build_table(spec(guitar="open-g", tonic=tonic)), chords=("G", "ii7", "V7", "Em", "Cmaj7"))
        for tonic in "GDCAE"
    )
    places = tuple(
        Stretch(f"bar {1 + 4 * number}", number % 5, "b7=7/4", ("Verse", "Chorus", "")[number % 3])
        for number in range(40)
    )
    return (
        PieceSheet(
            "A title that goes on and on, with <angles> & an ampersand, past the end of every line there is",
            (TableSheet(build_table(c6)),),
            number=1,
            strings=strings(c6),
            cautions=(c6.guitar.caution,) if c6.guitar else (),
            transposing=("Bb", "Eb", "F"),
            notes="A word without any break: " + "x" * 150,
        ),
        PieceSheet(
            "Старый мост, Żółw, 古い橋",
            (TableSheet(build_table(violin), panel_note="No twelve figures say this."),),
            number=12,
            strings=strings(violin),
        ),
        PieceSheet("Banjo", (TableSheet(build_table(banjo)),), strings=strings(banjo)),
        PieceSheet("Slide", (TableSheet(build_table(slide)),), strings=strings(slide)),
        PieceSheet("Pinned", (TableSheet(build_table(pinned)),)),
        PieceSheet("Literal", (TableSheet(build_table(literal_spec("odd", hz, "G"))),)),
        PieceSheet("Five", five, places, load=(LoadList("Synth", tuple(f"step {n}" for n in range(30))),)),
    )


SESSION = SessionInfo(
    title="Thursday evening",
    lines=("Guitar: Open D", "Reference: D3 = 146.5 Hz"),
    notes="Everybody starts quiet.",
    load=(LoadList("Organ", ("load everything",)),),
    cautions=("Save first.",),
    transposing=("Bb",),
)


@dataclass
class Seen(HTMLParser):
    """What a reader sees of a page of HTML.

    Attributes
    ----------
    words : list of str
        All text outside pictures and style.
    tables : list of list of list of str
        Rows of cells of every table.
    pictures : int
        How many pictures there are.
    outside : list of str
        Whatever the page would fetch from elsewhere.
    """

    words: list[str] = field(default_factory=list)
    tables: list[list[list[str]]] = field(default_factory=list)
    pictures: int = 0
    outside: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        super().__init__()
        self._hidden = 0
        self._in_cell = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("svg", "style"):
            self._hidden += 1
            self.pictures += tag == "svg"
        elif tag == "table":
            self.tables.append([])
        elif tag == "tr":
            self.tables[-1].append([])
        elif tag in ("td", "th"):
            self.tables[-1][-1].append("")
            self._in_cell = True
        self.outside += [value or "" for name, value in attrs if name in ("src", "href", "xlink:href")]

    def handle_endtag(self, tag: str) -> None:
        if tag in ("svg", "style"):
            self._hidden -= 1
        if tag in ("td", "th"):
            self._in_cell = False

    def handle_data(self, data: str) -> None:
        if self._hidden:
            return
        text = data.replace("\N{NO-BREAK SPACE}", " ")
        self.words.append(text)
        if self._in_cell:
            self.tables[-1][-1][-1] += text

    @property
    def text(self) -> str:
        """All words in one line."""
        return " ".join(" ".join(self.words).split())

    def table(self, heading: str) -> list[list[str]]:
        """Rows below the headings of the first table that has a column of this heading."""
        return next(table[1:] for table in self.tables if heading in table[0])


def seen(html: str) -> Seen:
    """Read a page."""
    page = Seen()
    page.feed(html)
    page.close()
    return page
