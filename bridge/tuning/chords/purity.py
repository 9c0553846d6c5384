"""Which intervals stand still, how far another is off, and the words for it: pure, calm, tempered, rough, sour.

Conventions
-----------
Two notes are judged by their keys and their size alone, so that the same two notes are judged alike in every chord.
Only ratios of small numbers stand still: there the partials that meet are low and loud. Thirds, fourths, fifths and
sixths (`CONSONANT`) are measured against `SMALL`; where a table has the septimal ones of `NATURAL` within
`CALM_CENTS`, against those. Seconds, tritones and sevenths (`RUBBING`) rub whatever they are; they are *small* where
they lie within `PURE_CENTS` of a ratio whose numbers stay within sixteen, else *as the scale has them*.

========  =================================================================================================
word      means
========  =================================================================================================
pure      every pair of notes lies within 1 cent of a ratio of small numbers: the chord stands still
calm      thirds, fourths, fifths and sixths are off by at most 3 cents; a second, a tritone or a seventh may
          be as the scale has it
tempered  fifths and fourths are off by at most 7, thirds and sixths by at most 17 cents, as in the usual
          temperaments
rough     fifths and fourths by at most 7, thirds and sixths by at most 25 cents: a third a comma out
sour      beyond that: a fifth a comma out, or a third that is another interval
========  =================================================================================================

Sources
-------
Ratios as in A. J. Ellis's tables (appendix XX to H. Helmholtz, *On the Sensations of Tone*, 2nd ed. 1885); which of
them are consonant: the same book, chapter X. The limits are common practice: a fifth of quarter-comma meantone is 5.4
cents off, an equal third 13.7 and 15.6, a comma 21.5.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from bridge.tuning.ratios import ratio_to_cents

PURE_CENTS, CALM_CENTS, FIFTH_CENTS, TEMPERED_CENTS, ROUGH_CENTS = 1.0, 3.0, 7.0, 17.0, 25.0

CONSONANT = frozenset((3, 4, 5, 7, 8, 9))
"""Thirds, fourths, fifths and sixths, in semitones."""


def _ratios(text: str) -> tuple[Fraction, ...]:
    return tuple(Fraction(word) for word in text.split())


SMALL: dict[int, tuple[Fraction, ...]] = {
    0: _ratios("1"),
    3: _ratios("6/5"),
    4: _ratios("5/4"),
    5: _ratios("4/3"),
    7: _ratios("3/2"),
    8: _ratios("8/5"),
    9: _ratios("5/3"),
}
"""The consonant intervals by their semitones, octaves folded."""

NATURAL: dict[int, tuple[Fraction, ...]] = {
    3: _ratios("7/6"),
    4: _ratios("9/7"),
    8: _ratios("14/9"),
    9: _ratios("12/7"),
}
"""Their septimal sisters, which count where a table has them."""

RUBBING: dict[int, tuple[Fraction, ...]] = {
    1: _ratios("16/15 15/14"),
    2: _ratios("9/8 10/9 8/7"),
    6: _ratios("7/5 10/7"),
    10: _ratios("7/4 16/9 9/5"),
    11: _ratios("15/8"),
}
"""Seconds, tritones and sevenths of small numbers."""

WORDS = {
    "pure": "every pair of notes stands still: ratios of small numbers, within 1 cent",
    "calm": "thirds, fourths, fifths and sixths within 3 cents; a second, tritone or seventh as the scale has it",
    "tempered": "fifths and fourths within 7 cents, thirds and sixths within 17, as on a piano",
    "rough": "a third or a sixth up to 25 cents off, about a comma",
    "sour": "a fifth or a fourth more than 7 cents off, or a third or a sixth more than 25",
}
"""What each verdict means, for those who read it; in order."""


def nearest_small(semitones: int, cents: float) -> tuple[Fraction, float] | None:
    """Return the small ratio that two notes are measured against, and how many cents they are wider.

    Parameters
    ----------
    semitones : int
        Keys between the two notes, 0 or more.
    cents : float
        Size of the interval.

    Returns
    -------
    (Fraction, float) or None
        None for a second, tritone or seventh that is as the scale has it.
    """
    octaves, folded = divmod(semitones, 12)
    rest_cents = cents - 1200.0 * octaves

    def off(ratio: Fraction) -> float:
        return rest_cents - ratio_to_cents(ratio)

    if folded in RUBBING:
        ratio = min(RUBBING[folded], key=lambda one: abs(off(one)))
        return (ratio * 2**octaves, off(ratio)) if abs(off(ratio)) <= PURE_CENTS else None
    ratio = SMALL[folded][0]
    for natural in NATURAL.get(folded, ()):
        if abs(off(natural)) <= CALM_CENTS:
            ratio = natural
    return ratio * 2**octaves, off(ratio)


def verdict(pairs: Iterable[tuple[int, float | None]]) -> str:
    """Return the word for notes that sound together.

    Parameters
    ----------
    pairs : iterable of (int, float or None)
        For every pair its semitones, and how many cents it is off its small ratio; None where it has none.
    """
    judged = [(semitones % 12, off_cents) for semitones, off_cents in pairs]
    consonant = [(one, abs(off)) for one, off in judged if off is not None and one not in RUBBING]
    worst_cents = max((off for _, off in consonant), default=0.0)
    fifths_cents = max((off for one, off in consonant if one in (0, 5, 7)), default=0.0)
    if worst_cents <= PURE_CENTS and all(off is not None for _, off in judged):
        return "pure"
    if worst_cents <= CALM_CENTS:
        return "calm"
    if fifths_cents > FIFTH_CENTS or worst_cents > ROUGH_CENTS:
        return "sour"
    return "tempered" if worst_cents <= TEMPERED_CENTS else "rough"
