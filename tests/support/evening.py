"""The tables of the session in ``examples/evening``, by plain arithmetic; shares nothing with the package.

The guitar's fourth string, D3 (MIDI key 50), was measured at 146.5 Hz. Scales are A. J. Ellis's duodene (appendix XX
to H. Helmholtz, *On the Sensations of Tone*, 2nd ed. 1885: 1 16/15 9/8 6/5 5/4 4/3 45/32 3/2 8/5 5/3 9/5 15/8) and the
seven-limit one of ``tables/scales/seven-limit.toml``; what the session replaces in them stands in its file. Another
tonic takes its pitch from home, the scale on D; a capo at fret n moves everything by n equal semitones.

Index: `EVENING`, `FOLDER`, `PieceFacts`, `hz`, `semitones`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

FOLDER = Path(__file__).resolve().parents[2] / "examples" / "evening"
D3_KEY, D3_HZ = 50, 146.5
TICKS_PER_BEAT = 480
CLASSES = {"D": 2, "G": 7, "A": 9}

_OVER, _UNDER = (1, 16, 9, 6, 5, 4, 45, 3, 8, 5, 9, 15), (1, 15, 8, 5, 4, 3, 32, 2, 5, 3, 5, 8)
DUODENE = [Fraction(a, b) for a, b in zip(_OVER, _UNDER, strict=True)]
_OVER, _UNDER = (1, 28, 9, 7, 5, 4, 7, 3, 14, 5, 7, 15), (1, 27, 8, 6, 4, 3, 5, 2, 9, 3, 4, 8)
SEVEN = [Fraction(a, b) for a, b in zip(_OVER, _UNDER, strict=True)]
BLUE = [Fraction(7, 6) if n == 3 else Fraction(7, 4) if n == 10 else r for n, r in enumerate(DUODENE)]
LOW_SECOND = [Fraction(10, 9) if n == 2 else r for n, r in enumerate(DUODENE)]
BELL = [Fraction(7, 4) if n == 10 else r for n, r in enumerate(DUODENE)]


@dataclass(frozen=True)
class Under:
    """A table: tonic, ratios above it, ratios at home (that place the tonic), fret."""

    tonic: str
    ratios: tuple[Fraction, ...]
    home: tuple[Fraction, ...]
    fret: int = 0


@dataclass(frozen=True)
class PieceFacts:
    """A piece: the beginning of its files, beats of a bar, tables by the bar from which they hold, and synths."""

    stem: str
    beats: int
    tables: tuple[tuple[int, Under], ...]
    rack: bool = True

    def at_tick(self, tick: int) -> Under:
        """The table that holds for notes that start at a tick."""
        bar = tick // (self.beats * TICKS_PER_BEAT) + 1
        return [table for first, table in self.tables if first <= bar][-1]


def _under(tonic: str, ratios: list[Fraction], home: list[Fraction] | None = None, fret: int = 0) -> Under:
    return Under(tonic, tuple(ratios), tuple(home or ratios), fret)


_D = _under("D", DUODENE)
_LOW = _under("D", LOW_SECOND, DUODENE)
_G = _under("G", DUODENE)
_BLUES = {tonic: _under(tonic, BLUE) for tonic in "DGA"}

EVENING = (
    PieceFacts("01-low-water", 4, ((1, _D), (6, _LOW), (8, _D), (11, _LOW), (12, _D))),
    PieceFacts("02-kettle-hymn", 3, ((1, _D), (10, _G), (18, _D))),
    PieceFacts("03-ferry-bell", 4, ((1, _under("A", BELL, DUODENE)),)),
    PieceFacts(
        "04-slate-roof-blues",
        4,
        tuple(
            (bar, _BLUES[tonic])
            for bar, tonic in ((1, "D"), (5, "G"), (7, "D"), (9, "A"), (10, "G"), (11, "D"))
        ),
    ),
    PieceFacts("05-two-frets-up", 4, ((1, _under("D", DUODENE, fret=2)),)),
    PieceFacts("06-lantern-waltz", 3, ((1, _under("G", SEVEN)),), rack=False),
)


def hz(table: Under, key: int) -> float:
    """Frequency of a MIDI key."""
    open_key = key - table.fret
    steps = (CLASSES[table.tonic] - CLASSES["D"]) % 12
    octave, degree = divmod(open_key - D3_KEY - steps, 12)
    ratio = table.home[steps] * table.ratios[degree]
    return D3_HZ * float(ratio) * 2.0 ** (octave + table.fret / 12)


def semitones(table: Under, key: int, cents: float = 0.0) -> float:
    """The same in semitones above key 0 of equal temperament at A4 = 440 Hz, moved by some cents."""
    return 69 + 12 * math.log2(hz(table, key) / 440) + cents / 100
