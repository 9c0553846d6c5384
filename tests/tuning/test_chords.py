"""Chords of a table: impurities against published intervals, verdicts, cures that do cure."""

from __future__ import annotations

import math
import tomllib
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from bridge.errors import ValueProblem
from bridge.tuning.chords.judged import (
    contradicted_strings,
    judge_chord,
    judge_chords,
    judge_named,
    judge_table,
)
from bridge.tuning.chords.kinds import ALL_KINDS, KINDS, SEVENTHS, TRIADS
from bridge.tuning.guitars import guitar_from_mapping
from bridge.tuning.reference import Reference
from bridge.tuning.scales import EQUAL, Interval, Scale
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table, equal_table

# Ellis's duodene (appendix XX to Helmholtz): the default five-limit set.
DUODENE = Scale(
    "duodene",
    "Duodene",
    tuple(
        Interval.parse(text)
        for text in ["1/1", "16/15", "9/8", "6/5", "5/4", "4/3", "45/32", "3/2", "8/5", "5/3", "9/5", "15/8"]
    ),
    "Ellis",
)
KIND = {kind.name: kind for kind in KINDS}


D3 = Reference(50, 146.5)


def spec(scale=DUODENE, tonic="D", reference=D3, **more):
    return TableSpec("test", scale, tonic, tonic, reference, **more)


def chord(table, numeral_degree, kind):
    return judge_chord(table.hz, table.tonic, numeral_degree, KIND[kind])


def impurities(found):
    return [round(interval.impurity_cents, 1) + 0.0 for interval in found.intervals]


def pair(found, *names):
    """The interval of a chord between two notes named without octave."""
    keys = [
        key for key, note in zip(found.keys, found.notes, strict=True) if note.rstrip("-0123456789") in names
    ]
    return next(one for one in found.intervals if (one.lower_key, one.upper_key) == tuple(keys))


def test_the_second_degree_needs_care():
    """In a fixed five-limit scale the second degree's chord has a fifth of 40/27, 680.449 cents (Ellis)."""
    second = chord(build_table(spec()), 2, "minor")
    assert (second.name, second.numeral, second.notes) == ("Em", "ii", ("E3", "G3", "B3"))
    assert second.verdict == "sour"
    fifth = second.intervals[1]
    assert (fifth.lower_key, fifth.upper_key, fifth.pure) == (52, 59, Fraction(3, 2))
    assert fifth.cents == pytest.approx(680.449, abs=1e-3)
    assert fifth.impurity_cents == pytest.approx(-21.506, abs=1e-3)  # 81/80
    # 3 · E against 2 · B: E3 is 9/8 of D3, B3 is 5/3
    assert fifth.beats_hz == pytest.approx(146.5 * (3 * 9 / 8 - 2 * 5 / 3))
    assert [str(cure) for cure in second.cures] == ["2=10/9"]
    assert second.costs == (
        "V",
    )  # 10/9 below A's fifth 9/4 is a comma low: harmony's ii and V want different seconds


def test_primary_chords_of_the_duodene_are_pure():
    """Its rows of fifths and thirds make I, IV, V, iii, vi, i, iv and v pure."""
    table = build_table(spec())
    for degree, kind in ((0, "major"), (5, "major"), (7, "major"), (4, "minor"), (9, "minor")):
        found = chord(table, degree, kind)
        assert found.verdict == "pure"
        assert found.cures == ()
        assert impurities(found) == [0, 0, 0]
        assert found.in_major
    assert chord(table, 0, "major").form == (4, 5, 6)
    assert chord(table, 4, "minor").form == (10, 12, 15)
    natural = build_table(spec(home_degree_changes=((10, Interval.parse("7/4")),)))
    assert chord(natural, 0, "dominant seventh").form == (4, 5, 6, 7)


def test_only_small_ratios_stand_still():
    """Dsus2 is 8:9:12; A B E on the scale's own notes has a fourth of 27/20 (519.551 cents, Ellis): sour, not pure."""
    table = build_table(spec())
    assert (chord(table, 0, "suspended second").verdict, chord(table, 0, "suspended second").form) == (
        "pure",
        (8, 9, 12),
    )
    fifth = chord(table, 7, "suspended second")
    assert (fifth.name, fifth.verdict, fifth.form) == ("Asus2", "sour", ())
    assert pair(fifth, "B", "E").impurity_cents == pytest.approx(21.506, abs=1e-3)
    assert pair(fifth, "B", "E").beats_hz == pytest.approx(
        146.5 * abs(4 * 5 / 3 - 3 * 9 / 4)
    )  # B3 5/3, E4 9/4


def test_the_dominant_seventh_has_a_third_a_comma_out():
    """5 to 4 an octave up is 32/27, 294.135 cents (Ellis), a comma below 6/5: rough. With 9/5, I7 is calm, not pure."""
    table = build_table(spec())
    fifth = chord(table, 7, "dominant seventh")
    assert (fifth.notes, fifth.verdict, fifth.form) == (("A3", "C#4", "E4", "G4"), "rough", ())
    assert pair(fifth, "E", "G").impurity_cents == pytest.approx(-21.506, abs=1e-3)
    assert [str(cure) for cure in fifth.cures] == ["4=27/20"]
    assert fifth.costs == ("IV",)
    # A dominant's seventh falls to the third (common practice): it is not raised where IV holds it a comma lower.
    assert fifth.seventh_stays
    assert fifth.cure == "leave 4, which falls to 3; else 4=27/20 (costs IV)"
    for degree in (0, 2, 5, 9):
        assert not chord(table, degree, "dominant seventh").seventh_stays
    first = chord(table, 0, "dominant seventh")
    assert first.verdict == "calm"
    assert pair(first, "F#", "C").pure is None  # 36/25: as the scale has it
    assert [str(cure) for cure in first.cures] == ["b7=7/4"]


def test_the_same_two_notes_are_judged_alike_in_every_chord():
    """Whatever the row, a pair of keys has one ratio, one distance from it and one rate of beats."""
    for scale in (DUODENE, EQUAL):
        seen = {}
        for found in judge_chords(build_table(spec(scale)).hz, "D", ALL_KINDS):
            for one in found.intervals:
                told = (one.pure, one.impurity_cents, one.beats_hz)
                assert seen.setdefault((one.lower_key, one.upper_key), told) == told
        assert len(seen) > 100


def test_beats_are_those_that_sound():
    """A seventh of 9/5 has its 4th partial near the root's 7th: |7 f1 - 4 f2| (Helmholtz), however pure it is."""
    table = build_table(spec())
    seventh = pair(chord(table, 0, "dominant seventh"), "D", "C")
    assert seventh.pure == Fraction(9, 5)
    assert seventh.beats_hz == pytest.approx(146.5 * (4 * 9 / 5 - 7))
    natural = build_table(spec(home_degree_changes=((10, Interval.parse("7/4")),)))
    assert pair(chord(natural, 0, "dominant seventh"), "D", "C").beats_hz == pytest.approx(0, abs=1e-9)


def test_chords_without_a_pure_form():
    """Three thirds of 5/4 fall short of the octave by 41.059 cents (the diesis 128/125, Ellis)."""
    table = build_table(spec())
    for degree in range(12):
        augmented = chord(table, degree, "augmented")
        assert not augmented.has_pure_form
        assert augmented.verdict == "sour"
        assert (
            augmented.worst.impurity_cents == pytest.approx(-41.059, abs=1e-3)
            or augmented.worst.impurity_cents > 40
        )
    assert chord(equal_table(spec()), 0, "augmented").verdict == "tempered"  # 13.7 cents each


def test_chords_are_spelled_by_themselves():
    """A C# E, not A Db E, whatever the tonic (common practice: thirds stand two letters apart)."""
    hz = build_table(spec()).hz
    for tonic in ("D", "Bb", "Ab"):
        found = next(one for one in judge_chords(hz, tonic, TRIADS[:1]) if one.name == "A")
        assert found.notes == ("A3", "C#4", "E4")
    sharp = next(one for one in judge_chords(hz, "E", TRIADS[:1]) if one.name == "G#")
    assert sharp.notes == ("G#3", "B#3", "D#4")  # B# on C4's key belongs to the third octave


def test_a_bass_behind_a_slash_stays_in_the_name():
    table = build_table(TableSpec("test", EQUAL, "D", "D", Reference(69, 440.0)))
    found = judge_named(table, ["D/F#", "G/A", "D/D", "C6/9", "ii7", "Em7"])  # ii7 is Em7
    assert [chord.name for chord in found] == ["D/F#", "G/A", "D", "C6/9", "Em7"]
    assert [chord.root for chord in found] == ["D", "G", "D", "C", "E"]
    with pytest.raises(ValueProblem):
        judge_named(table, ["D/X"])


def test_minor_seventh_chord_of_the_second_degree():
    found = chord(build_table(spec()), 2, "minor seventh")
    assert found.name == "Em7"
    assert found.numeral == "ii7"
    assert found.verdict == "sour"
    assert [str(cure) for cure in found.cures] == ["2=10/9"]


def test_equal_temperament_is_tempered_everywhere():
    """Thirds 13.686 wide and 15.641 narrow, fifths 1.955 narrow: 5/4 386.314, 6/5 315.641, 3/2 701.955 (Ellis)."""
    table = equal_table(spec())
    for degree in range(12):
        major, minor = chord(table, degree, "major"), chord(table, degree, "minor")
        assert [interval.impurity_cents for interval in major.intervals] == pytest.approx(
            [13.686, -1.955, -15.641], abs=1e-3
        )
        assert [interval.impurity_cents for interval in minor.intervals] == pytest.approx(
            [-15.641, -1.955, 13.686], abs=1e-3
        )
        assert major.verdict == minor.verdict == "tempered"
        assert major.worst.impurity_cents == pytest.approx(-15.641, abs=1e-3)


def test_beats_of_the_equal_major_triad_at_concert_pitch():
    """D3-F#3 beats 5.827 times a second in equal temperament at A440, the fifth 0.497 (3 · D3 − 2 · A3: derived)."""
    table = build_table(spec(EQUAL, reference=Reference(69, 440.0)))
    third, fifth, _ = chord(table, 0, "major").intervals
    assert third.beats_hz == pytest.approx(5.827, abs=2e-3)
    assert fifth.beats_hz == pytest.approx(0.497, abs=1e-3)


def test_quarter_comma_meantone():
    """Pure thirds, fifths a quarter of a comma (5.377 cents) narrow: tempered; the wolf is sour (derived)."""
    fifth = 1200 * math.log2(5) / 4
    steps = (0, 7, 2, -3, 4, -1, 6, 1, 8, 3, -2, 5)  # fifths from the tonic: G# in place of Ab
    meantone = Scale(
        "meantone", "Meantone", tuple(Interval.of_cents(step * fifth % 1200) for step in steps), "derived"
    )
    table = build_table(spec(meantone, tonic="C", reference=Reference(60, 261.6)))
    first = chord(table, 0, "major")
    assert [interval.impurity_cents for interval in first.intervals] == pytest.approx(
        [0, -5.377, -5.377], abs=1e-3
    )
    assert first.verdict == "tempered"
    wolf = judge_chord(table.hz, "C", 8, KIND["major"])  # G#-C-Eb
    assert wolf.intervals[1].impurity_cents == pytest.approx(1200 * 7 - 11 * fifth - 701.955, abs=1e-3)
    assert wolf.verdict == "sour"


def test_three_limit_thirds_are_rough():
    """81/64, a comma wide, over a pure fifth."""
    scale = build_table(spec(home_degree_changes=((4, Interval.parse("81/64")),)))
    found = chord(scale, 0, "major")
    assert impurities(found) == [21.5, 0, -21.5]
    assert found.verdict == "rough"
    assert [str(cure) for cure in found.cures] == ["3=5/4"]


def test_small_errors_are_calm():
    off = build_table(spec(home_degree_changes=((4, Interval.of_cents(386.314 + 2)),)))
    assert chord(off, 0, "major").verdict == "calm"
    nearly = build_table(spec(home_degree_changes=((4, Interval.of_cents(386.314 + 0.5)),)))
    assert chord(nearly, 0, "major").verdict == "pure"


def test_against_an_independent_five_limit_table(librosa):
    """The same impurities from frequencies that librosa computes."""
    row = librosa.interval_frequencies(n_bins=128, fmin=8.0, intervals="ji5", bins_per_octave=12)
    ratios = librosa.plimit_intervals(primes=[3, 5], bins_per_octave=12)
    for found in judge_chords(row, "C"):
        for interval in found.intervals:
            low, high = interval.lower_key, interval.upper_key
            expected = ratios[high % 12] / ratios[low % 12] * 2 ** (high // 12 - low // 12)
            assert interval.cents == pytest.approx(1200 * np.log2(expected), abs=1e-6)
            if interval.pure is None:
                assert not interval.consonant
                continue
            off = 1200 * np.log2(expected * interval.pure.denominator / interval.pure.numerator)
            assert interval.impurity_cents == pytest.approx(off, abs=1e-6)


@pytest.mark.parametrize("kind", ALL_KINDS, ids=lambda kind: kind.name)
def test_pure_forms_fit_their_keys(kind):
    """Each form lies near the keys of its chord and starts on the root; it is judged to be what it is said to be."""
    assert len({*kind.pure, *kind.calm}) == len(kind.pure) + len(kind.calm)
    for form in kind.pure + kind.calm:
        assert len(form) == len(kind.semitones)
        assert math.gcd(*form) == 1
        hz = [440.0 * 2 ** ((key - 69) / 12) for key in range(128)]
        for number, semitones in zip(form, kind.semitones, strict=True):
            assert abs(1200 * math.log2(number / form[0]) - 100 * semitones) <= 50
            hz[48 + semitones] = hz[48] * number / form[0]
        found = judge_chord(hz, "C", 0, kind)
        assert found.verdict == ("pure" if form in kind.pure else "calm")
        assert found.form == (form if form in kind.pure else ())


def test_every_kind_on_every_degree():
    found = judge_chords(build_table(spec()).hz, "D")
    assert len(found) == 12 * (len(TRIADS) + len(SEVENTHS))
    assert len({one.name for one in found}) == len(found)
    assert {one.degree for one in found} == set(range(12))
    for one in found:
        assert 48 <= one.keys[0] < 60
        assert len(one.intervals) == math.comb(len(one.keys), 2)


def test_diatonic_chords():
    found = judge_chords(build_table(spec()).hz, "D", TRIADS[:3])
    assert [one.numeral for one in found if one.in_major] == ["I", "IV", "V", "ii", "iii", "vi", "viidim"]
    minor = {one.numeral for one in found if one.in_minor}
    assert {"i", "iidim", "bIII", "iv", "v", "V", "bVI", "bVII", "viidim"} <= minor
    assert "II" not in minor


def test_every_cure_cures():
    """Applied as degree changes to the scale, each cure cures its own chord, and no part of it would do alone."""
    base = spec()
    table = build_table(base)
    cured = 0
    for found in judge_chords(table.hz, "D", ALL_KINDS):
        if not found.cures:
            continue
        cured += 1
        changes = tuple((cure.degree, cure.interval) for cure in found.cures)
        assert all(degree != 0 for degree, _ in changes)
        after = judge_chord(
            build_table(replace(base, home_degree_changes=changes)).hz, "D", found.degree, found.kind
        )
        assert after.verdict in ("pure", "calm")
        assert after.verdict != found.verdict
        if len(changes) == 2:
            for change in changes:
                half = build_table(replace(base, home_degree_changes=(change,)))
                assert judge_chord(half.hz, "D", found.degree, found.kind).verdict not in ("pure", "calm")
    assert cured > 30


def test_cures_leave_the_tonic_chord_alone():
    """1, 3, 5 and open strings are moved last, and then it is said; chromatic degrees are moved first."""
    table = build_table(spec(guitar=guitar("open-d")))
    for found in judge_table(table, kinds=ALL_KINDS):
        for cure in found.cures:
            assert cure.degree != 0
            assert ("the third" in cure.moves) == (cure.degree == 4)
            assert ("the fifth" in cure.moves) == (cure.degree == 7)
            if cure.degree in (4, 7):
                assert "open string" in cure.moves  # open D sounds F# and A on open strings
        if found.kind.name in ("major", "minor"):
            assert not any(cure.moves for cure in found.cures) or found.cured_by_tonic
    flat_seventh = judge_table(table, [(10, KIND["major"])])[0]  # C E G: C and E come down, not G up
    assert [str(cure) for cure in flat_seventh.cures] == ["b7=16/9", "2=10/9"]


def test_cures_are_ratios_that_musicians_know():
    """No 75/64 and nothing of seventeen; where only such would do, a table on the chord's own root is the answer."""
    table = build_table(spec())
    for found in judge_chords(table.hz, "D", ALL_KINDS):
        for cure in found.cures:
            assert max(cure.interval.ratio.numerator, cure.interval.ratio.denominator) <= 45
    sharp = chord(table, 11, "major")  # C# E# G#: E# is 75/64 of D
    assert (sharp.verdict, sharp.cures, sharp.cured_by_tonic) == ("sour", (), True)
    there = build_table(replace(spec(), tonic="C#"))
    assert judge_chord(there.hz, "C#", 0, KIND["major"]).verdict == "pure"


def test_a_temperament_is_left_alone():
    assert [str(cure) for cure in chord(equal_table(spec()), 5, "major").cures] == ["4=4/3", "6=5/3"]
    assert chord(equal_table(spec()), 2, "minor").cures == ()


# -- strings


def guitar(name):
    file = Path(__file__).parents[2] / "tables" / "guitars" / f"{name}.toml"
    return guitar_from_mapping(tomllib.loads(file.read_text()), name)


def test_open_d_agrees_with_its_own_scale():
    table = build_table(spec(guitar=guitar("open-d")))
    assert contradicted_strings(table) == ()


def test_open_d_in_e_contradicts_its_strings():
    """Tonic E at 9/8: A, its 4, is 3/2 as the strings are; F#, its 2, is 81/64 and D, its b7, 81/40: commas above."""
    table = build_table(replace(spec(guitar=guitar("open-d")), tonic="E"))
    found = {string.number: string for string in contradicted_strings(table)}
    assert set(found) == {6, 4, 3, 1}
    assert found[4].cents == pytest.approx(-21.506, abs=1e-3)
    assert found[4].note == "D3"
    assert found[4].beats_hz == pytest.approx(146.5 / 80)
    assert found[1].beats_hz == pytest.approx(2 * 146.5 / 80)


def test_a_violin_disagrees_with_the_five_limit_scale_by_a_comma():
    """Three pure fifths above G are 27/16; the scale's sixth is 5/3."""
    violin = guitar("violin")
    table = build_table(spec(tonic="G", reference=Reference(69, 440.0), guitar=violin))
    found = contradicted_strings(table)
    assert [string.number for string in found] == [1]
    assert found[0].cents == pytest.approx(21.506, abs=1e-3)


def test_without_a_guitar_nothing_is_contradicted():
    assert contradicted_strings(build_table(spec())) == ()


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda hz: judge_chords(hz[:12], "D"), "a table of 12 frequencies"),
        (lambda hz: judge_chords(hz, "H"), "German H is B"),
        (lambda hz: judge_chords(hz, "D", lowest_root_key=0), "lowest root 0"),
        (lambda hz: judge_chord(hz, "D", 12, TRIADS[0]), "degree number 12"),
        (lambda hz: judge_chords([0.0] * 128, "D"), "greater than zero"),
    ],
)
def test_out_of_range(call, message):
    with pytest.raises(ValueProblem, match=message):
        call(build_table(spec()).hz)
