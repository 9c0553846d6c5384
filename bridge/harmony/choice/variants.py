"""Variants: the few pitches, a comma apart, that each note of a table may take.

Conventions
-----------
All variants stand above home, in one finite set, so that nothing drifts. The first variant of a class is the table's
own pitch. Degrees are counted from the table's tonic as it sounds. A *pinned* class has one variant in all its
octaves.

What there is to choose from
----------------------------
- A degree whose ratio stands in `FIVE_LIMIT` may take the others that stand there.
- Any other exact degree (of another scale) may move by the comma 81/80 either way, and by 64/63 with a seven in it.
- With natural sevenths, 7/4, 7/6 and 21/16 above the tonic besides.
- Where the piece has a tonic of its own, the five-limit scale round that tonic, placed from home.
- Classes whose keys were replaced one by one, or that follow measured strings, keep what they have.

Index
-----
`Variant`, `Palette`, `palette_of` · `Pin`, `string_pins`

Sources
-------
Five-limit ratios: A. J. Ellis, appendix XX to H. Helmholtz, *On the Sensations of Tone*, 2nd ed. 1885: the duodene of
the tonic and its neighbours, chosen so that each of the 24 major and minor triads has a pure form.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from fractions import Fraction

from bridge.errors import TuningProblem
from bridge.tuning.notes import parse_pitch_class, pitch_class_name
from bridge.tuning.ratios import ratio_to_cents
from bridge.tuning.scales import DEGREES, Interval
from bridge.tuning.tables import Table, TableString

PIN_CENTS = 2.0
"""An open string this near to a variant pins it."""

_SAME_CENTS = 0.05
_MAX_MOVE_CENTS = 60.0
"""No variant lies further than this from the table's own pitch: it would be another note."""

FIVE_LIMIT: tuple[tuple[Fraction, ...], ...] = tuple(
    tuple(Fraction(word) for word in words.split())
    for words in (
        "1",
        "16/15 25/24 135/128 27/25",
        "9/8 10/9",
        "6/5 32/27 75/64",
        "5/4 81/64",
        "4/3 27/20",
        "45/32 25/18 64/45 36/25",
        "3/2 40/27",
        "8/5 25/16",
        "5/3 27/16",
        "9/5 16/9",
        "15/8 50/27 48/25",
    )
)
"""Ratios of each degree above the tonic, home first."""

NATURAL_SEVENTHS: dict[int, Fraction] = {3: Fraction(7, 6), 5: Fraction(21, 16), 10: Fraction(7, 4)}
"""What natural sevenths add, by degree."""

_COMMA, _SEPTIMAL_COMMA = Fraction(81, 80), Fraction(64, 63)


@dataclass(frozen=True, slots=True)
class Variant:
    """One pitch of a class."""

    interval: Interval  # what it is above the table's tonic, within an octave or a little beyond
    offset_cents: float  # how far it lies above the table's own pitch

    def __str__(self) -> str:
        return str(self.interval)


@dataclass(frozen=True)
class Palette:
    """All variants of a table."""

    tonic: str  # name of the table's tonic as it sounds
    classes: tuple[tuple[Variant, ...], ...]  # by pitch class, 0 (C) to 11 (B); the table's own first
    # Where the table's own pitch of the class lies, in cents from equal temperament.
    base_cents: tuple[float, ...]
    pins: tuple[Pin, ...] = ()  # what has one variant because something holds it there
    own_tonic: str = ""  # the piece's own tonic; the table's where it has no other
    natural_sevenths: bool = False  # whether sevenths of the overtone series count as pure
    free: tuple[tuple[Variant, ...], ...] = ()  # all variants, as if nothing were held
    # Where the table has each key, in cents from equal temperament; octaves may differ where keys were
    # replaced.
    key_cents: tuple[float, ...] = ()
    strings: tuple[TableString, ...] = ()  # the guitar's open strings beside the table

    @property
    def pinned(self) -> frozenset[int]:
        """Pitch classes that are held."""
        return frozenset(pin.pitch_class for pin in self.pins)

    @property
    def tonic_class(self) -> int:
        """Pitch class of the tonic."""
        return parse_pitch_class(self.tonic)

    @property
    def own_tonic_class(self) -> int:
        """Pitch class of the piece's own tonic."""
        return parse_pitch_class(self.own_tonic or self.tonic)

    def degree(self, pitch_class: int) -> str:
        """Name a pitch class as a degree above the tonic."""
        return DEGREES[(pitch_class - self.tonic_class) % 12]

    def pin(self, pins: Iterable[Pin]) -> Palette:
        """Return the palette with classes held to one variant each."""
        classes, held = list(self.classes), {pin.pitch_class: pin for pin in self.pins}
        for one in pins:
            kept = [
                variant
                for variant in classes[one.pitch_class]
                if abs(variant.offset_cents - one.offset_cents) <= PIN_CENTS
            ]
            if kept:
                chosen = min(kept, key=lambda variant: abs(variant.offset_cents - one.offset_cents))
                classes[one.pitch_class] = (chosen,)
                held.setdefault(one.pitch_class, one)
        return replace(self, classes=tuple(classes), pins=tuple(held.values()))

    def unpinned(self, but: Collection[int] = ()) -> Palette:
        """Return the palette as if nothing were held but some pitch classes."""
        kept = [pin for pin in self.pins if pin.pitch_class in but]
        return replace(self, classes=self.free, pins=()).pin(kept)

    def pin_home(self, pitch_classes: Collection[int]) -> Palette:
        """Return the palette with classes held where the table has them."""
        return self.pin(Pin(pitch_class, 0.0) for pitch_class in pitch_classes)


@dataclass(frozen=True, slots=True)
class Pin:
    """A class that is held, and where."""

    pitch_class: int  # 0 (C) to 11 (B)
    offset_cents: float  # how far from the table's own pitch
    strings: tuple[int, ...] = ()  # numbers of the open strings that hold it; empty if something else does


def string_pins(palette: Palette, strings: Iterable[TableString]) -> tuple[list[Pin], list[TableString]]:
    """Find which classes the open strings hold, and which strings lie beside every variant.

    Parameters
    ----------
    palette : Palette
        What there is to choose from.
    strings : iterable of TableString
        Open (or barred) strings beside the table: `Table.strings`.

    Returns
    -------
    (list of Pin, list of TableString)
        One pin a class; strings within 2 cents of no variant, such as most of a guitar in equal temperament. Two
        strings of a class that hold different variants pin the one nearer to the table; the other is left over.
    """
    found: dict[int, Pin] = {}
    unfit: list[TableString] = []
    for string in sorted(strings, key=lambda one: (abs(one.cents_from_table), -one.number)):
        pitch_class = string.key % 12
        near = min(
            palette.classes[pitch_class],
            key=lambda variant: abs(variant.offset_cents - string.cents_from_table),
        )
        held = found.get(pitch_class)
        if abs(near.offset_cents - string.cents_from_table) > PIN_CENTS or (
            held is not None and abs(held.offset_cents - near.offset_cents) > _SAME_CENTS
        ):
            unfit.append(string)
            continue
        numbers = (*(held.strings if held else ()), string.number)
        found[pitch_class] = Pin(pitch_class, near.offset_cents, tuple(sorted(numbers)))
    return list(found.values()), sorted(unfit, key=lambda one: -one.number)


def palette_of(
    table: Table,
    own_tonic: str | None = None,
    pinned: str = "strings",
    held: Collection[int] = (),
    natural_sevenths: bool = False,
) -> Palette:
    """Return what a table lets choose from.

    Parameters
    ----------
    table : Table
        The table in force.
    own_tonic : str, optional
        The piece's tonic, where it is another than the table's.
    pinned : str
        ``"strings"``: every open string that lies on a variant holds it (without a guitar, the tonic alone);
        ``"tonic"``: the tonic alone; ``"nothing"``.
    held : collection of int
        Pitch classes that are held besides, where the table has them: a drone's, or what a player pinned.
    natural_sevenths : bool
        Add 7/4, 7/6 and 21/16 above the tonic.

    Raises
    ------
    TuningProblem
        If the table has no scale of exact ratios.
    """
    scale = table.spec.scale
    if scale is None:
        raise TuningProblem(
            f"table {table.name!r} is 128 frequencies without a scale", "name a scale to follow in"
        )
    tempered = [
        degree for degree, interval in zip(DEGREES, scale.degrees, strict=True) if interval.ratio is None
    ]
    if tempered:
        raise TuningProblem(
            f"scale {scale.name!r} is tempered: its {', '.join(tempered)} cannot move by pure commas",
            "take a pure scale, such as five-limit",
        )
    tonic_class = parse_pitch_class(table.tonic)
    own_class = tonic_class if own_tonic is None else parse_pitch_class(own_tonic)
    own_degree = (own_class - tonic_class) % 12
    home = [_home(table, tonic_class, degree) for degree in range(12)]
    own_ratio = home[own_degree][0].ratio
    classes: list[tuple[Variant, ...]] = [()] * 12
    base = [0.0] * 12
    for degree, (interval, steady) in enumerate(home):
        pitch_class = (tonic_class + degree) % 12
        base[pitch_class] = float(table.cents_from_equal[60 + pitch_class])
        ratios: list[Fraction] = []
        if interval.ratio is not None and steady:
            ratios = _beside(degree, interval.ratio)
            if natural_sevenths and degree in NATURAL_SEVENTHS:
                ratios.append(NATURAL_SEVENTHS[degree])
            if own_degree and own_ratio is not None:
                ratios.append(_near(own_ratio * FIVE_LIMIT[(degree - own_degree) % 12][0], interval.ratio))
        classes[pitch_class] = _variants(interval, ratios)
    own = table.tonic if own_tonic is None else own_tonic
    free = tuple(classes)
    keys = tuple(float(cents) for cents in table.cents_from_equal)
    palette = Palette(table.tonic, free, tuple(base), (), own, natural_sevenths, free, keys, table.strings)
    if pinned == "strings" and table.strings:
        palette = palette.pin(string_pins(palette, table.strings)[0])
    elif pinned in ("strings", "tonic"):
        palette = palette.pin_home([tonic_class])
    return palette.pin_home(held)


def _home(table: Table, tonic_class: int, degree: int) -> tuple[Interval, bool]:
    """Return a degree of a table above its tonic, and whether it is the same, and exact, in all octaves."""
    pitch_class = (tonic_class + degree) % 12
    tonic_key = 48 + (tonic_class - 48) % 12
    keys = range(pitch_class, len(table.hz), 12)
    cents = [float(table.cents_from_equal[key]) for key in keys]
    steady = max(cents) - min(cents) < _SAME_CENTS and all(table.ratios[key] is not None for key in keys)
    upper, lower = table.ratios[tonic_key + degree], table.ratios[tonic_key]
    if upper is not None and lower is not None:
        return Interval.of_ratio(upper / lower), steady
    off = float(table.cents_from_equal[tonic_key + degree] - table.cents_from_equal[tonic_key])
    return Interval.of_cents(100.0 * degree + off), False


def _beside(degree: int, home: Fraction) -> list[Fraction]:
    """Return the other ratios that a degree may take."""
    if home in FIVE_LIMIT[degree]:
        return list(FIVE_LIMIT[degree])
    commas = [_COMMA]
    if home.numerator % 7 == 0 or home.denominator % 7 == 0:
        commas.append(_SEPTIMAL_COMMA)
    return [_near(home * step, home) for comma in commas for step in (comma, 1 / comma)]


def _near(ratio: Fraction, home: Fraction) -> Fraction:
    """Return a ratio in the octave where it lies nearest to another."""
    while ratio / home > Fraction(141, 100):
        ratio /= 2
    while home / ratio > Fraction(141, 100):
        ratio *= 2
    return ratio


def _variants(home: Interval, ratios: Iterable[Fraction]) -> tuple[Variant, ...]:
    found = [Variant(home, 0.0)]
    for ratio in ratios:
        offset = ratio_to_cents(ratio) - home.cents
        if abs(offset) <= _MAX_MOVE_CENTS and all(
            abs(offset - one.offset_cents) > _SAME_CENTS for one in found
        ):
            found.append(Variant(Interval.of_ratio(ratio), offset))
    return tuple(found)


def describe(palette: Palette, pitch_class: int, offset_cents: float) -> str:
    """Name a class at a variant: ``E at 10/9``."""
    variant = min(palette.classes[pitch_class], key=lambda one: abs(one.offset_cents - offset_cents))
    return f"{pitch_class_name(pitch_class, palette.tonic)} at {variant.interval}"
