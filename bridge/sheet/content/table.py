"""What a sheet says of one table: figures, keyboard, panel, players who transpose, beats, frets.

Conventions
-----------
Ratios here are above the tonic, as a musician thinks of degrees. Beats are those of close chords from C3 up, in this
table and in equal temperament through the same reference.

Index
-----
`table_blocks`, `table_column` · `octave_words`, `beats_words` · `sheet_chords`, `neck_cells` · `written_notes`
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import replace

from bridge.sheet.content.compared import changed_cents, safe_words
from bridge.sheet.document import Beside, Block, Figure, Grid, Heading, Paragraph
from bridge.sheet.keyboard import keyboard_picture, octave_keys, repeats
from bridge.sheet.neck import neck_picture
from bridge.sheet.phrases import STILL_HZ, signed
from bridge.sheet.records import TRANSPOSITIONS, TableSheet
from bridge.tuning.chords.judged import Chord, ChordInterval, judge_chord, judge_named
from bridge.tuning.chords.purity import WORDS
from bridge.tuning.fretboard import FretCell, fretboard, frets_for_chord
from bridge.tuning.notes import parse_pitch_class, pitch_class_name
from bridge.tuning.ratios import format_ratio, hz_to_cents
from bridge.tuning.scales import DEGREES
from bridge.tuning.tables import Table, equal_table

LAST_FRET = 12
PAGE_MM = 182.0
"""Width that a page of A4 or Letter has between its margins."""

_COMMON = ("I", "ii", "iii", "IV", "V", "vi")
_PLACES = {
    "third": {2: "2nd ", 3: "", 4: "", 5: "4th "},
    "fifth": {6: "", 7: "", 8: ""},
    "seventh": {9: "6th ", 10: "", 11: ""},
    "ninth": {14: ""},
}
"""Columns of beats, the semitones above the root that stand in each, and what is said where it is another interval."""

CLASSES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
_TONICS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")


def table_blocks(sheet: TableSheet, transposing: Sequence[str] = ()) -> Iterable[Block]:
    """Yield everything about a table but its heading."""
    table = sheet.table
    words = Paragraph(octave_words(table), small=True)
    figures = (Figure(keyboard_picture(table, 100.0)), words, *_held_blocks(table))
    yield Beside((_octave_grid(table),), figures, 0.42)
    chords = sheet_chords(sheet)
    if neck_cells(table):
        yield Heading("Frets to avoid", 3)
        yield from _fret_blocks(table, chords, bool(sheet.chords))
    if chords:
        yield Heading("Beats to listen for", 3)
        yield _beats_grid(table, chords)
        yield from (Paragraph(words, small=True) for words in beats_words(chords))
    if transposing:
        yield Heading("The same notes as players read them", 3)
        yield written_grid(table, transposing)
        yield Paragraph(
            "cents: how far the note sounds above (+) or below (-) what a tuner at A4 = 440 Hz shows for it, whichever "
            "way it is written.",
            small=True,
        )
    if sheet.panel is not None:
        yield Heading("By hand, where a panel takes whole cents", 3)
        yield from _panel_blocks(table, sheet)
    elif sheet.panel_note:
        yield Heading("By hand, where a panel takes whole cents", 3)
        yield Paragraph(sheet.panel_note)


def table_column(sheet: TableSheet, start: Table | None) -> Iterable[Block]:
    """Yield what half the width of a page has room for; what differs from `start` stands out."""
    table = sheet.table
    yield _octave_grid(table, () if start is None else changed_cents(start, table))
    yield from _held_blocks(table)
    cells = neck_cells(table)
    if cells:
        yield Paragraph(safe_words(cells, table.fret))
    chords = sheet_chords(sheet)
    if chords:
        yield replace(_beats_grid(table, chords, equal=False), playing=False)


# -- figures


def _octave_grid(table: Table, moved: Container[int] | None = None) -> Grid:
    """Figures of an octave; the tonic stands out, or, in smaller letters, the pitch classes of `moved`."""
    first = table.sounding_reference[0]
    tonic_key = first - (first - parse_pitch_class(table.tonic)) % 12
    tonic_key = min(max(tonic_key, 0), 116)
    base = table.ratios[tonic_key]
    rows = []
    for key in range(tonic_key, tonic_key + 12):
        ratio = table.ratios[key]
        shown = "" if ratio is None or base is None else format_ratio(ratio / base)
        rows.append(
            (
                table.degrees[key] or "",
                table.note(key),
                shown,
                signed(float(table.cents_from_equal[key])),
                f"{float(table.hz[key]):.2f}",
            )
        )
    headings = ("degree", "note", "above tonic", "cents", "Hz")
    strong = frozenset(
        index for index in range(12) if moved is not None and (tonic_key + index) % 12 in moved
    )
    return Grid(
        headings,
        tuple(rows),
        frozenset({0, 1}),
        frozenset({0}) if moved is None else strong,
        playing=moved is None,
    )


def octave_words(table: Table) -> str:
    """Say what the figures of a table mean."""
    said = "cents: above (+) or below (-) a tuner at A4 = 440 Hz. above tonic: the ratio to it. "
    if repeats(table):
        return f"{said}Other octaves have the same cents, and twice or half the hertz."
    return f"{said}The octaves of this table are not alike: this is the one round the reference."


def _held_blocks(table: Table) -> Iterable[Block]:
    pinned = [key + table.shift_semitones for key, _ in table.spec.key_overrides]
    if 0 < len(pinned) <= 12:
        told = ", ".join(f"{table.note(key)} = {float(table.hz[key]):.2f} Hz" for key in pinned if key < 128)
        yield Paragraph(f"Held by themselves: {told}.")


def written_notes(table: Table, instrument: str) -> tuple[str, ...]:
    """Return the twelve notes from the tonic upward as the players of an instrument read them, without octaves."""
    semitones = TRANSPOSITIONS[instrument]
    tonic_class = parse_pitch_class(table.tonic)
    written = _TONICS[(tonic_class + semitones) % 12]
    return tuple(pitch_class_name((tonic_class + semitones + step) % 12, written) for step in range(12))


def written_grid(table: Table, transposing: Sequence[str]) -> Grid:
    tonic_class = parse_pitch_class(table.tonic)
    keys = {key % 12: key for key in octave_keys(table)}
    order = [keys[(tonic_class + step) % 12] for step in range(12)]
    rows = [("sounds", *(table.note(key).rstrip("-0123456789") for key in order))]
    rows += [(f"{name} reads", *written_notes(table, name)) for name in transposing]
    rows.append(("cents", *(signed(float(table.cents_from_equal[key])) for key in order)))
    return Grid(
        ("degree", *DEGREES),
        tuple(rows),
        frozenset({0}),
        frozenset(range(1, len(rows) - 1)),
        even=True,
        playing=True,
    )


def _panel_blocks(table: Table, sheet: TableSheet) -> Iterable[Block]:
    panel = sheet.panel
    assert panel is not None
    master_cents = hz_to_cents(panel.a4_hz, 440.0)
    wanted = [float(table.cents_from_equal[key]) - master_cents for key in octave_keys(table)]
    left = [entered - value for entered, value in zip(panel.cents, wanted, strict=True)]
    yield Grid(
        (f"A4 = {panel.a4_hz:.1f} Hz", *CLASSES),
        (
            ("enter", *(f"{value:+d}" if value else "0" for value in panel.cents)),
            ("error left", *(signed(value) for value in left)),
        ),
        frozenset({0}),
        frozenset({0}),
        even=True,
    )
    worst = max(abs(value) for value in left)
    yield Paragraph(
        f"Master tuning A4 = {panel.a4_hz:.1f} Hz, then twelve whole cents from C to B. The worst note is "
        f"{worst:.1f} cents off; a pure third or fifth with it still beats a little.",
        small=True,
    )


# -- beats


def sheet_chords(sheet: TableSheet) -> tuple[Chord, ...]:
    """Return the chords of a sheet: those that are named, else the major and minor triads of the major scale."""
    table = sheet.table
    if not sheet.chords:
        return judge_named(table, _COMMON)
    return judge_named(table, sheet.chords)


def _beats_grid(table: Table, chords: Sequence[Chord], equal: bool = True) -> Grid:
    """Beats of some chords, beside those in equal temperament where `equal` says so."""
    tempered = equal_table(table.spec).hz
    columns = _columns(chords)
    rows = []
    for chord in chords:
        beside = [chord, *([judge_chord(tempered, table.tonic, chord.degree, chord.kind)] if equal else [])]
        cells = [_beats_cell(one, _PLACES[name]) for name in columns for one in beside]
        rows.append((f"{chord.name} ({chord.numeral})", chord.verdict, *cells))
    headings = [heading for name in columns for heading in (name, "tuned equal")[: 1 + equal]]
    return Grid(("chord", "sounds", *headings), tuple(rows), frozenset({0, 1}), playing=True)


def _columns(chords: Sequence[Chord]) -> list[str]:
    steps = {step for chord in chords for step in chord.kind.semitones}
    return [name for name, places in _PLACES.items() if steps & places.keys()]


def beats_words(chords: Sequence[Chord]) -> Iterable[str]:
    """Say what the beats and the verdicts on some chords mean."""
    said = (
        "Beats a second of each note with the root, in close position from C3 up; an octave higher twice as many. "
        "Where a third, a fourth or a fifth says 0, listen until it stands still."
    )
    if "seventh" in _columns(chords):
        said += (
            " A seventh never stands still, pure or not: it lies a tone below the root's octave and rubs against it, "
            "and a seventh of 9/5 beats with the root's seventh partial as well."
        )
    yield said
    found = {chord.verdict for chord in chords}
    yield " ".join(
        f"{word[0].upper()}{word[1:]}: {meaning}." for word, meaning in WORDS.items() if word in found
    )


def _beats_cell(chord: Chord, places: Mapping[int, str]) -> str:
    """Return the beats of a chord's note in one column with its root; empty if it has none there."""
    return next(
        (
            places[one.semitones] + _rate(one)
            for one in chord.intervals
            if one.lower_key == chord.keys[0] and one.semitones in places
        ),
        "",
    )


def _rate(interval: ChordInterval) -> str:
    rate_hz = interval.beats_hz
    if rate_hz is None:
        return "-"
    return "0" if rate_hz < STILL_HZ else f"{rate_hz:.1f}" if rate_hz >= 0.95 else f"{rate_hz:.2f}"


# -- frets


def neck_figure(table: Table, capo_instead: int = 0, explained: bool = True) -> Figure | None:
    """Return the picture of the neck, `capo_instead` as of `PieceSheet`; None where there is none to show."""
    guitar, cells = table.spec.guitar, neck_cells(table)
    if guitar is None or not cells:
        return None
    return Figure(
        neck_picture(
            cells,
            scale_length_mm=guitar.scale_length_mm,
            capo=table.fret,
            counted_from=capo_instead,
            tonic=table.tonic,
            width_mm=PAGE_MM,
            explained=explained,
        )
    )


def neck_cells(table: Table) -> tuple[FretCell, ...]:
    """Return the places on the neck that a sheet shows; none without a guitar that has frets, or with a slide."""
    guitar = table.spec.guitar
    if guitar is None or not guitar.frets or table.slide != 1:
        return ()
    return fretboard(table, min(max(LAST_FRET, table.fret + 7), guitar.frets))


def _fret_blocks(table: Table, chords: Sequence[Chord], named: bool) -> Iterable[Block]:
    """The neck; chords that are named have their doubtful places in words as well."""
    cells = neck_cells(table)
    yield Paragraph(safe_words(cells, table.fret), strong=True, playing=True)
    neck = neck_figure(table)
    if neck is not None:
        yield neck
    if not named:
        return
    rows = []
    for chord in chords:
        places = frets_for_chord(cells, chord.keys)
        low = _grouped(cell for cell in places.doubtful if cell.cents < 0)
        high = _grouped(cell for cell in places.doubtful if cell.cents > 0)
        rows.append((f"{chord.name} ({chord.numeral})", low or "nothing", high or "nothing"))
    yield Grid(
        ("with", "too low: bend up to the note", "too high: leave out, or bend up from below"),
        tuple(rows),
        frozenset({0, 1, 2}),
        playing=True,
    )
    yield Paragraph(
        "A fret can be bent up, never down: where it is too high, the fret before is named, and how many cents up. "
        "An open string cannot be bent: leave it out.",
        small=True,
    )


def _grouped(cells: Iterable[FretCell]) -> str:
    """Say places together that are alike: ``fret 9 on 1, 4, 6 (B +16: fret 8, up 84)``."""
    groups: dict[tuple[int, str, str], list[int]] = {}
    for cell in sorted(cells, key=lambda cell: (cell.fret, cell.string)):
        name = cell.note.rstrip("-0123456789")
        off = signed(cell.cents, 0)
        if cell.cents > 0 and not cell.open:
            # The fret before lies a semitone lower (equal frets): that much less what this one is too high.
            off += f": fret {cell.fret - 1}, up {100 - cell.cents:.0f}" if cell.fret > 1 else ": leave out"
        groups.setdefault((cell.fret if not cell.open else -1, name, off), []).append(cell.string)
    return "; ".join(
        f"{'open' if fret < 0 else f'fret {fret}'} on {', '.join(map(str, strings))} ({name} {off})"
        for (fret, name, off), strings in groups.items()
    )
