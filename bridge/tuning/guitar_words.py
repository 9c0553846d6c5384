"""A guitar by its strings: ``DADF#AD`` becomes a guitar with a pure form and the unisons by which it is tuned.

Conventions
-----------
Strings are named from the lowest to the highest by capitals with ``#`` or ``b``, close together or with hyphens or
spaces between; without octaves every string is the next such note above the one before, and the lowest lies where such
instruments have it (six strings and more from B1 to A#2, five from E2, four and fewer from G2; five and more that are
all a fourth apart are a bass's, from B0). With octaves (``G4 D3 G3 B3 D4``) they may stand in any order.

The pure form gives every note one of its usual ratios above the tonic, so that all pairs of neighbours are pure, and
then as many other pairs as can be. The tonic is the root of the chord that the open strings make, else the lowest
string. Where no form makes all neighbours pure, as in standard tuning, one pair must bear a comma: a colon and its two
strings behind the notes say which (``EADGBE:3-2``).

Sources
-------
Ratios: A. J. Ellis's duodene with its neighbours a comma away (appendix XX to H. Helmholtz, *On the Sensations of
Tone*, 2nd ed. 1885). Standard tuning cannot be pure all round: (4/3)^4 · 5/4 = 320/81, a comma short of two octaves.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import combinations, pairwise, product

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.chords.kinds import ALL_KINDS
from bridge.tuning.chords.purity import CONSONANT, SMALL
from bridge.tuning.guitars import Guitar, GuitarString
from bridge.tuning.notes import note_name, parse_note, parse_pitch_class, pitch_class_name
from bridge.tuning.unisons import Unison

COMMA = Fraction(81, 80)

_NOTE = r"[A-G][#b♯♭]?(?:\d)?"
_STRINGS = re.compile(rf"{_NOTE}(?:[\s-]*{_NOTE}){{2,11}}")
_COMMA_AT = re.compile(r"(\d{1,2})-(\d{1,2})")
_LOWEST_KEY = {6: 35, 5: 40}
_LOWEST_OF_FEW = 43
_LOWEST_OF_BASS = 23
_STANDARD_KEYS = (40, 45, 50, 55, 59, 64)
_NEAR_STANDARD = 4
_REFERENCE_NEAR_KEY = 50
_MAX_PARTIAL = 6


def _ratios(text: str) -> tuple[Fraction, ...]:
    return tuple(Fraction(word) for word in text.split())


_USUAL = tuple(
    _ratios(text)
    for text in (
        *("1", "16/15", "9/8 10/9", "6/5 32/27", "5/4 81/64", "4/3 27/20"),
        *("45/32 64/45", "3/2 40/27", "8/5 128/81", "5/3 27/16", "16/9 9/5", "15/8"),
    )
)
"""Ratios above the tonic that a note may have, by its semitones."""

_OPEN_CHORDS = tuple(kind for kind in ALL_KINDS if len(kind.semitones) <= 4 and kind.suffix != "7sus4")
"""Chords that open strings are said to make; more notes, and fourths upon fourths, hang on the lowest string."""

_SECONDS = {1: _ratios("16/15"), 2: _ratios("9/8 10/9"), 10: _ratios("16/9 9/5"), 11: _ratios("15/8")}


@dataclass(frozen=True)
class StringWords:
    """Strings as they were named."""

    text: str  # notes alone, close together: ``DADF#AD``
    keys: tuple[int, ...]  # from the lowest string to the highest
    comma: tuple[int, int] | None  # numbers of the two neighbours that bear the comma


def looks_like_strings(text: str) -> bool:
    """Whether a text names a guitar by its strings."""
    return _STRINGS.fullmatch(text.strip().partition(":")[0].strip()) is not None


def parse_strings(text: str) -> StringWords:
    """Read the strings of a guitar, low to high; ValueProblem if they are no strings."""
    body, colon, where = text.strip().partition(":")
    if not looks_like_strings(body):
        raise ValueProblem(
            f"{text.strip()!r} names no strings",
            "write them low to high in capitals: DADF#AD or D-A-D-F#-A-D",
        )
    names = [one.replace("♯", "#").replace("♭", "b") for one in re.findall(_NOTE, body)]
    octaves = [name for name in names if name[-1].isdigit()]
    if octaves and len(octaves) < len(names):
        raise ValueProblem(
            f"{text.strip()!r} has octaves for some strings only", "give all of them an octave, or none"
        )
    keys = [parse_note(name) for name in names] if octaves else list(_rising(names))
    comma = None
    if colon:
        match = _COMMA_AT.fullmatch(where.strip())
        pair = sorted((int(match[1]), int(match[2])), reverse=True) if match else [0, 0]
        if pair[0] - pair[1] != 1 or not 1 <= pair[1] < len(keys):
            raise ValueProblem(
                f"{where.strip()!r} behind {body!r} is no pair of neighbouring strings",
                f"strings are numbered from the highest, 1, to {len(keys)}: {body}:3-2",
            )
        comma = (pair[0], pair[1])
    return StringWords("".join(names), tuple(keys), comma)


def _rising(names: Sequence[str]) -> Iterator[int]:
    classes = [parse_pitch_class(name) for name in names]
    in_fourths = all((high - low) % 12 == 5 for low, high in pairwise(classes))
    lowest = _LOWEST_KEY.get(min(len(names), 6), _LOWEST_OF_FEW)
    if in_fourths and len(names) > 4:
        lowest = _LOWEST_OF_BASS
    key = lowest + (parse_pitch_class(names[0]) - lowest) % 12
    yield key
    for name in names[1:]:
        step = (parse_pitch_class(name) - key) % 12
        key += step  # the same note again is the same string twice: a dulcimer's D A A
        yield key


def guitar_of(words: StringWords) -> Guitar:
    """Propose the pure form of strings, with the unisons by which it is tuned.

    ValueProblem if no form makes all neighbours pure; says where the comma may go. TuningProblem if the
    strings cannot be tied together by harmonics.
    """
    tonic = _tonic(words.keys)
    tonic_class = parse_pitch_class(tonic)
    forms = list(_forms(words.keys, tonic_class))
    pure = [form for form in forms if not form.sour]
    if words.comma is None and not pure:
        raise ValueProblem(
            f"{words.text}: no form makes every pair of neighbours pure, one pair must bear a comma (21.5 cents)",
            f"say between which two strings: {', '.join(_offers(words, forms))}" + _equal_offer(words.keys),
        )
    wanted = [form for form in forms if form.sour == (words.comma,)] if words.comma else pure
    if not wanted:
        offers = _offers(words, forms)
        raise ValueProblem(
            f"{words.text}: a comma between strings {words.comma[0]} and {words.comma[1]} is not needed or not enough"
            if words.comma
            else words.text,
            f"say: {', '.join(offers) or words.text}",
        )
    best = min(wanted, key=lambda form: (-form.pure_pairs, form.size))
    return _guitar(words, tonic, best)


@dataclass(frozen=True)
class _Form:
    """A pure form: the ratio of every string above the tonic (octaves as they are)."""

    ratios: tuple[Fraction, ...]
    sour: tuple[tuple[int, int], ...]  # pairs of neighbours that are not pure, by string numbers
    pure_pairs: int  # how many thirds, fourths, fifths and sixths of any two strings are pure
    size: int  # sum of its numbers: the smaller, the simpler


def _forms(keys: Sequence[int], tonic_class: int) -> Iterator[_Form]:
    """Yield every form whose neighbours are pure but for at most one pair that bears a comma."""
    degrees = sorted({(key - tonic_class) % 12 for key in keys})
    base = keys[0] - (keys[0] - tonic_class) % 12
    count = len(keys)
    for chosen in product(*(_USUAL[degree] for degree in degrees)):
        ratio_of = dict(zip(degrees, chosen, strict=True))
        ratios = tuple(
            ratio_of[(key - tonic_class) % 12] * Fraction(2) ** ((key - base) // 12) for key in keys
        )
        sour = []
        for index, (low, high) in enumerate(pairwise(range(count))):
            off = _off(keys[high] - keys[low], ratios[high] / ratios[low])
            if off != 1:
                sour.append(((count - index, count - index - 1), off))
        if len(sour) > 1 or any(off not in (COMMA, 1 / COMMA) for _, off in sour):
            continue
        pairs = sum(
            (keys[high] - keys[low]) % 12 in CONSONANT
            and _off(keys[high] - keys[low], ratios[high] / ratios[low]) == 1
            for low, high in combinations(range(count), 2)
        )
        yield _Form(
            ratios,
            tuple(pair for pair, _ in sour),
            pairs,
            sum(one.numerator + one.denominator for one in chosen),
        )


def _off(semitones: int, ratio: Fraction) -> Fraction:
    """Return how far an interval is from the nearest pure one, as a ratio; 1 if it is pure, or a tritone."""
    octaves, folded = divmod(semitones, 12)
    if folded == 6:
        return Fraction(1)
    small = SMALL.get(folded) or _SECONDS[folded]
    offs = [ratio / (one * Fraction(2) ** octaves) for one in small]
    return min(offs, key=lambda off: abs(off - 1))


def _tonic(keys: Sequence[int]) -> str:
    """Return the root of the chord that the strings make, the lowest string's before others; else the lowest note."""
    classes = {key % 12 for key in keys}
    lowest = min(keys) % 12
    roots = [
        (root != lowest, order, root)
        for order, kind in enumerate(_OPEN_CHORDS)
        for root in classes
        if {(one - root) % 12 for one in classes} == {step % 12 for step in kind.semitones}
    ]
    root = min(roots)[2] if roots else lowest
    return pitch_class_name(root, "D" if root in (1, 6) else "C")


def _offers(words: StringWords, forms: Sequence[_Form]) -> list[str]:
    pairs = {pair for form in forms for pair in form.sour}
    return [f"{words.text}:{high}-{low}" for high, low in sorted(pairs, reverse=True)]


def _equal_offer(keys: tuple[int, ...]) -> str:
    return "; or standard, as a tuner has it" if keys == _STANDARD_KEYS else ""


def _guitar(words: StringWords, tonic: str, form: _Form) -> Guitar:
    count = len(words.keys)
    tonic_class = parse_pitch_class(tonic)
    tonics = [index for index, key in enumerate(words.keys) if key % 12 == tonic_class]
    reference = min(tonics, key=lambda index: abs(words.keys[index] - _REFERENCE_NEAR_KEY))
    name = words.text + (f":{words.comma[0]}-{words.comma[1]}" if words.comma else "")
    spread = " ".join(note_name(key, tonic) for key in words.keys)
    unisons = _unisons(form.ratios, reference)
    whole = _whole_numbers(form.ratios)
    said = f"Worked out from its strings: {spread}, pure as {':'.join(map(str, whole))}"
    said += f", but for a comma between strings {words.comma[0]} and {words.comma[1]}" if words.comma else ""
    said += f". Tuned by: {'; '.join(map(str, unisons))}."
    standard = count == 6 and all(
        abs(key - usual) <= _NEAR_STANDARD for key, usual in zip(words.keys, _STANDARD_KEYS, strict=True)
    )
    raised = [
        str(count - index)
        for index, (key, usual) in enumerate(zip(words.keys, _STANDARD_KEYS, strict=False))
        if standard and key > usual
    ]
    return Guitar(
        name=name,
        title=name,
        source="worked out from its strings",
        tonic=tonic,
        reference_string=count - reference,
        strings=tuple(GuitarString(count - index, key) for index, key in enumerate(words.keys)),
        unisons=unisons,
        tuned_from="standard" if standard else "",
        caution=_caution(raised),
        remarks=said,
    )


def _caution(raised: Sequence[str]) -> str:
    if not raised:
        return ""
    many = len(raised) > 1
    return (
        f"String{'s' if many else ''} {', '.join(raised)} {'go' if many else 'goes'} up from standard tuning: "
        "a semitone takes 12 % more tension, a whole tone 26 %. "
        "Ask the guitar's maker or a luthier whether neck and top bear it."
    )


def _whole_numbers(ratios: Sequence[Fraction]) -> tuple[int, ...]:
    least = math.lcm(*(ratio.denominator for ratio in ratios))
    numbers = [int(ratio * least) for ratio in ratios]
    return tuple(number // math.gcd(*numbers) for number in numbers)


def _unisons(ratios: Sequence[Fraction], reference: int) -> tuple[Unison, ...]:
    """Tie every string to those that are tuned already, by the lowest harmonics that meet, from the reference on."""
    count = len(ratios)
    tuned, found = [reference], []
    while len(tuned) < count:
        ways = []
        for string in range(count):
            if string in tuned:
                continue
            for other in tuned:
                ratio = ratios[string] / ratios[other]
                p, q = ratio.denominator, ratio.numerator  # partial p of the string is partial q of the other
                if max(p, q) <= _MAX_PARTIAL:
                    ways.append((max(p, q), p * q, tuned.index(other), -string, p, q, string, other))
        if not ways:
            raise TuningProblem(
                f"strings {', '.join(str(count - one) for one in range(count) if one not in tuned)} meet no low "
                "harmonic of the others",
                "describe the guitar in a file of its own: tables/README.md",
            )
        *_, p, q, string, other = min(ways)
        found.append(Unison(count - string, p, count - other, q))
        tuned.append(string)
    return tuple(found)
