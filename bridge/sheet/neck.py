"""The fretboard as a picture: where each fret sounds as the table does, and by how much it does not.

Conventions
-----------
Seen as tablature is read: the first string on top, the nut on the left, frets where they lie on the neck. A mark stands
where the finger presses, in the space before its fret; open strings stand before the nut, or before the capo, where the
neck then begins.

=========================  ==================================================
black disc                 near the table: goes with it
ring                       off by more than that, at most by `FAR_CENTS`
broken ring                further off
figure below a mark        cents, + sharper, - flatter than the table's note
fret number in a box       near the table on every string
=========================  ==================================================
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from bridge.sheet.phrases import beat_words, signed
from bridge.sheet.shapes import BLACK, FIGURE_MM, NOTE_MM, WHITE, Box, Disc, Line, Picture, Shape, Text
from bridge.tuning.fretboard import SAFE_CENTS, FretCell
from bridge.tuning.strings.nodes import place_at

FAR_CENTS = 17.0
"""Beyond the usual temperaments' worst thirds a note is foreign rather than tempered."""

INLAYS = (3, 5, 7, 9, 12, 15, 17, 19, 21, 24)

_LEFT, _RIGHT, _OPEN = 17.5, 3.0, 11.0
_TITLE, _LINE, _STRING_GAP, _NUMBERS, _LEGEND = 8.0, 4.6, 13.2, 13.0, 6.0
_LARGEST, _RING = 4.1, 0.75
_LETTER_WIDE = 0.62


def neck_picture(
    cells: Sequence[FretCell],
    title: str = "",
    *,
    scale_length_mm: float,
    capo: int = 0,
    counted_from: int = 0,
    tonic: str = "",
    chord: Collection[int] | None = None,
    subtitle: str = "",
    width_mm: float = 280.0,
    last_fret: int | None = None,
    explained: bool = True,
) -> Picture:
    """Draw a fretboard.

    Parameters
    ----------
    cells : sequence of FretCell
        From `bridge.tuning.fretboard.fretboard`.
    title, subtitle : str
        What it shows; nothing stands above the neck where they are empty.
    scale_length_mm : float
        Nut to saddle, which places the frets.
    capo : int
        Fret of a capo that is on, 0 for none.
    counted_from : int
        Fret of a capo from which `cells` and the numbers count, as if it were the nut; then `capo` is 0.
    tonic : str
        Note that is set apart (a second ring) as the tonic; empty for none.
    chord : collection of int, optional
        Only notes of these keys, in any octave, are drawn.
    width_mm : float
        Width of the picture; 280 is an A4 page across.
    last_fret : int, optional
        Frets beyond are left out.
    explained : bool
        Whether what the marks mean stands below.
    """
    last = max(cell.fret for cell in cells) if last_fret is None else last_fret
    shown = [cell for cell in cells if cell.fret <= last]
    rows = {number: row for row, number in enumerate(sorted({cell.string for cell in shown}))}
    top_mm = (
        (_TITLE if title else 1.0) + _LINE * (bool(subtitle) + bool(capo or counted_from)) + _STRING_GAP / 2
    )
    neck = _Neck(scale_length_mm, capo, last, width_mm, rows, top_mm, counted_from)
    shapes: list[Shape] = [
        *([Text(1.5, 5.2, title, _fitting(title, 4.6, width_mm), bold=True)] if title else []),
        *([Text(1.5, 10.2, subtitle, _fitting(subtitle, 3.4, width_mm))] if subtitle else []),
        *neck.wood(shown, capo),
        *neck.numbers(_agreeing(shown), capo),
    ]
    classes = None if chord is None else {key % 12 for key in chord}
    for cell in shown:
        if classes is None or cell.key % 12 in classes:
            shapes += neck.mark(cell, cell.note.rstrip("-0123456789") == tonic)
    legend, height_mm = neck.legend(tonic) if explained else ([], neck.bottom + _STRING_GAP / 2 + 10.5)
    name = f"{title}. {subtitle}".strip(". ") or "fretboard"
    return Picture(name, width_mm, height_mm, (*shapes, *legend))


def _fitting(text: str, size: float, width_mm: float) -> float:
    """Return a size in which a line fits the picture; letters are 0.68 of their size wide, bold ones among them."""
    return min(size, (width_mm - 3.0) / (0.68 * max(len(text), 1)))


def _agreeing(cells: Sequence[FretCell]) -> set[int]:
    """Return the frets at which every string lies near the table."""
    off = {cell.fret for cell in cells if abs(cell.cents) > SAFE_CENTS}
    return {cell.fret for cell in cells} - off


class _Neck:
    """Where things stand on one picture."""

    def __init__(
        self,
        scale_length_mm: float,
        first: int,
        last: int,
        width_mm: float,
        rows: Mapping[int, int],
        top_mm: float,
        counted_from: int,
    ) -> None:
        self.top = top_mm
        self.first = first
        self.last = last
        self.rows = rows
        self.width_mm = width_mm
        self.nut_x = _LEFT + _OPEN
        self.scale_length_mm = scale_length_mm
        self.counted_from = counted_from
        self.first_mm = self._from_nut_mm(first)
        drawn_mm = self._from_nut_mm(max(last, first + 1)) - self.first_mm
        self.per_mm = (width_mm - _RIGHT - self.nut_x) / drawn_mm
        self.bottom = self.top + _STRING_GAP * (len(rows) - 1)

    def wire_x(self, fret: int) -> float:
        """Where a fret lies."""
        return self.nut_x + self.per_mm * (self._from_nut_mm(fret) - self.first_mm)

    def _from_nut_mm(self, fret: int) -> float:
        return place_at(float(fret + self.counted_from), self.scale_length_mm).from_nut_mm

    def space_x(self, fret: int) -> float:
        """Where a finger presses: the middle of the space before a fret; before it for the first."""
        if fret <= self.first:
            return _LEFT + _OPEN / 2
        return (self.wire_x(fret - 1) + self.wire_x(fret)) / 2

    def radius(self, fret: int) -> float:
        """How large a mark may be in a space."""
        if fret <= self.first:
            return _LARGEST
        return min(_LARGEST, 0.44 * (self.wire_x(fret) - self.wire_x(fret - 1)))

    def row_y(self, string: int) -> float:
        """Where a string lies."""
        return self.top + _STRING_GAP * self.rows[string]

    def wood(self, cells: Sequence[FretCell], capo: int) -> list[Shape]:
        """Frets, nut, capo and strings."""
        top, bottom = self.top - _STRING_GAP / 2, self.bottom + _STRING_GAP / 2
        shapes: list[Shape] = [
            Line(self.wire_x(fret), top, self.wire_x(fret), bottom, 0.35, 0.45)
            for fret in range(self.first + 1, self.last + 1)
        ]
        if capo or self.counted_from:
            said = f"capo at fret {self.counted_from}" if self.counted_from else "capo"
            shapes.append(Box(self.nut_x - 0.8, top, 1.6, bottom - top, BLACK, None))
            shapes.append(Text(self.nut_x, top - 0.8, said, FIGURE_MM, "middle"))
        else:
            shapes.append(Line(self.nut_x, top, self.nut_x, bottom, 1.3))
        starts = {cell.string: cell.fret for cell in cells if cell.open}
        notes = {cell.string: cell.note for cell in cells if cell.open}
        thickest = len(self.rows)
        for string, row in self.rows.items():
            y = self.row_y(string)
            start = starts.get(string, 0)
            from_x = self.nut_x if start <= capo else self.wire_x(start - 1)
            weight = 0.25 + 0.5 * row / max(thickest - 1, 1)
            shapes.append(Line(from_x, y, self.width_mm - _RIGHT, y, weight))
            shapes.append(Text(0.5, y + 1.75, f"{string}", NOTE_MM, bold=True))
            shapes.append(Text(_LEFT - 0.5, y + 1.3, notes.get(string, ""), 3.7, "end"))
        return shapes

    def numbers(self, agreeing: set[int], capo: int) -> list[Shape]:
        """Numbers of the frets below the neck, boxed where all strings agree, and dots as on the neck."""
        y = self.bottom + _STRING_GAP / 2 + 6.2
        shapes: list[Shape] = []
        for fret in range(capo, self.last + 1):
            x = self.space_x(fret)
            if fret in agreeing:
                half = 3.0 if fret < 10 else min(4.3, self.radius(fret) + 0.35)
                shapes.append(Box(x - half, y - 4.8, 2 * half, 6.0, None, BLACK, 0.45, 0.8))
            size = min(NOTE_MM, 1.26 * self.radius(fret))
            shapes.append(Text(x, y, f"{fret}", size, "middle", bold=fret in agreeing))
            place = fret + self.counted_from
            for offset in (-1.2, 1.2) if place in (12, 24) else (0.0,) if place in INLAYS else ():
                shapes.append(Disc(x + offset, y + 3.2, 0.8, BLACK, None))
        return shapes

    def mark(self, cell: FretCell, is_tonic: bool) -> list[Shape]:
        """One note."""
        x, y = self.space_x(cell.fret), self.row_y(cell.string)
        radius = self.radius(cell.fret)
        safe = abs(cell.cents) <= SAFE_CENTS
        shapes: list[Shape] = []
        if is_tonic:
            shapes.append(Disc(x, y, radius + _RING, WHITE, BLACK, 0.3))
        dash = 0.9 if abs(cell.cents) > FAR_CENTS else 0.0
        shapes.append(
            Disc(x, y, radius, BLACK if safe else WHITE, BLACK, 0.45, 0.0 if safe else dash, _note(cell))
        )
        name = cell.note.rstrip("-0123456789")
        size = NOTE_MM if 1.26 * radius >= NOTE_MM else 1.08 * radius
        shapes.append(Text(x, y + 0.36 * size, name, size, "middle", True, WHITE if safe else BLACK))
        figure = signed(cell.cents, 0)
        if figure != "0":
            size = min(FIGURE_MM, 0.85 * radius)
            low = y + radius + (_RING if is_tonic else 0.0) + 0.2 + 0.76 * size
            shapes.append(Text(x, low, figure, size, "middle"))
        return shapes

    def legend(self, tonic: str) -> tuple[list[Shape], float]:
        """What the marks mean, from the top, and how high it is."""
        entries: list[tuple[list[Shape], str]] = [
            ([Disc(0, 0, 1.8, BLACK, BLACK, 0.4)], f"within {SAFE_CENTS:g} cents of the table"),
            ([Disc(0, 0, 1.8, WHITE, BLACK, 0.4)], f"up to {FAR_CENTS:g} off"),
            ([Disc(0, 0, 1.8, WHITE, BLACK, 0.4, 0.9)], "further off"),
            ([Text(0, 1.1, "+14", FIGURE_MM, "middle")], "cents sharp (+), flat (-)"),
            ([Box(-1.9, -2.0, 3.8, 4.0, None, BLACK, 0.4, 0.8)], "all strings agree"),
        ]
        if tonic:
            entries.append(
                ([Disc(0, 0, 2.3, WHITE, BLACK, 0.3), Disc(0, 0, 1.5, WHITE, BLACK, 0.4)], f"tonic {tonic}")
            )
        shapes: list[Shape] = []
        x, y = 4.0, self.bottom + _STRING_GAP / 2 + _NUMBERS + 1.0
        for signs, text in entries:
            width = 5.0 + _LETTER_WIDE * FIGURE_MM * len(text)
            if x + width > self.width_mm and x > 4.0:
                x, y = 4.0, y + _LEGEND
            shapes += [_moved(sign, x, y) for sign in signs]
            shapes.append(Text(x + 4.2, y + 1.1, text, FIGURE_MM))
            x += width + 4.0
        return shapes, y + 3.0


def _moved(shape: Shape, x: float, y: float) -> Shape:
    """Move a disc, box or text of the legend."""
    from dataclasses import replace

    assert not isinstance(shape, Line)
    return replace(shape, x=shape.x + x, y=shape.y + y)


def _note(cell: FretCell) -> str:
    """What a browser tells of a mark."""
    where = "open" if cell.open else f"fret {cell.fret}"
    text = f"string {cell.string}, {where}: {cell.hz:.2f} Hz; the table's {cell.note} is {cell.table_hz:.2f} Hz, "
    text += f"{signed(cell.cents)} cents"
    beats = cell.drone_beats_hz
    return text if beats is None else f"{text}; against the drone {beat_words(beats)}"
