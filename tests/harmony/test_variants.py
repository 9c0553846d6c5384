"""What there is to choose from: every triad has a pure form, strings pin, other scales move by commas."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest
from harmony.scores import FIVE_LIMIT, five_limit_table

from bridge.errors import TuningProblem
from bridge.harmony.choice.follow import score_of
from bridge.harmony.choice.variants import palette_of, string_pins
from bridge.harmony.notes import TimedNote, sorted_notes
from bridge.store.descriptions import load_guitar, load_scale
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.reference import Reference
from bridge.tuning.scales import EQUAL
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table


def guitar_table(name: str, tonic: str | None = None) -> Table:
    guitar = load_guitar(name)
    key = guitar.key_of(guitar.reference_string)
    home = guitar.tonic
    return build_table(
        TableSpec(
            "test", FIVE_LIMIT, home, tonic or home, Reference(key, 440 * 2 ** ((key - 69) / 12)), guitar
        )
    )


def ratios(table: Table, **asked: object) -> list[list[str]]:
    palette = palette_of(table, pinned="nothing", **asked)  # type: ignore[arg-type]
    tonic = parse_pitch_class(table.tonic)
    return [[str(variant) for variant in palette.classes[(tonic + degree) % 12]] for degree in range(12)]


@pytest.mark.parametrize("root", range(12))
@pytest.mark.parametrize("third", [(4, Fraction(5, 4)), (3, Fraction(6, 5))])
def test_all_24_triads_have_a_pure_form(root: int, third: tuple[int, Fraction]) -> None:
    degrees = ratios(five_limit_table("C"))
    roots, thirds, fifths = (
        [Fraction(word) for word in degrees[(root + steps) % 12]] for steps in (0, third[0], 7)
    )

    def folded(ratio: Fraction) -> Fraction:
        return ratio / Fraction(2) ** math.floor(math.log2(ratio))

    assert any(
        folded(upper / low) == Fraction(3, 2) and folded(middle / low) == third[1]
        for low, middle, upper in itertools.product(roots, thirds, fifths)
    )


def test_home_comes_first_and_the_three_pinned_strings_leave_4608_states() -> None:
    table = guitar_table("open-d")
    palette = palette_of(table)
    assert [str(variants[0]) for variants in palette.classes[2:] + palette.classes[:2]] == [
        str(interval) for interval in FIVE_LIMIT.degrees
    ]
    assert palette.pinned == {2, 6, 9}
    assert math.prod(len(variants) for variants in palette.classes) == 4608


def test_a_piece_in_d_flat_gets_the_third_of_its_dominant() -> None:
    # D flat stands at 15/8 over D; its V at 45/32; the third of that at 225/128.
    assert "225/128" not in ratios(five_limit_table("D"))[10]
    assert "225/128" in ratios(five_limit_table("D"), own_tonic="Db")[10]


def test_natural_sevenths_add_three() -> None:
    with_them, without = ratios(five_limit_table("C"), natural_sevenths=True), ratios(five_limit_table("C"))
    added = {
        DEGREE: set(more) - set(plain)
        for DEGREE, (more, plain) in enumerate(zip(with_them, without, strict=True))
    }
    assert {degree: words for degree, words in added.items() if words} == {
        3: {"7/6"},
        5: {"21/16"},
        10: {"7/4"},
    }


def test_another_scale_has_its_own_degrees_and_those_a_comma_away() -> None:
    degrees = ratios(five_limit_table("C", load_scale("three-limit")))
    assert degrees[1][0] == "256/243"
    assert set(degrees[1]) == {
        "256/243",
        str(Fraction(256, 243) * Fraction(81, 80)),
        str(Fraction(256, 243) / Fraction(81, 80)),
    }
    seven = ratios(five_limit_table("C", load_scale("seven-limit")))
    assert seven[10][0] == "7/4"
    assert str(Fraction(7, 4) * Fraction(64, 63)) in seven[10]


@pytest.mark.parametrize(
    ("name", "pinned", "unfit"),
    [
        ("open-d", {2, 6, 9}, 0),
        ("dadgad", {2, 7, 9}, 0),
        ("open-g", {2, 7, 11}, 0),
        ("standard", {4, 9}, None),
    ],
)
def test_open_strings_hold_their_classes(name: str, pinned: set[int], unfit: int | None) -> None:
    table = guitar_table(name)
    palette = palette_of(table)
    left_over = string_pins(palette_of(table, pinned="nothing"), table.strings)[1]
    if unfit is not None:
        assert palette.pinned == pinned
        assert len(left_over) == unfit
    else:
        # Equal-tempered strings: thirds and sixths lie beside every variant, and are named.
        assert left_over
        assert all(
            min(
                abs(variant.offset_cents - string.cents_from_table)
                for variant in palette_of(table, pinned="nothing").classes[string.key % 12]
            )
            > 2
            for string in left_over
        )


def test_without_a_guitar_the_tonic_alone_is_held() -> None:
    assert palette_of(five_limit_table("Eb")).pinned == {3}
    assert palette_of(guitar_table("open-d"), pinned="tonic").pinned == {2}
    assert palette_of(five_limit_table("C"), held=[7]).pinned == {0, 7}


def test_a_tempered_scale_cannot_follow() -> None:
    with pytest.raises(TuningProblem, match="tempered"):
        palette_of(five_limit_table("C", EQUAL))


def test_a_key_that_was_replaced_keeps_its_pitch() -> None:
    spec = TableSpec("test", FIVE_LIMIT, "C", "C", Reference(69, 440.0)).with_keys([(62, 295.0)])
    palette = palette_of(build_table(spec), pinned="nothing")
    assert len(palette.classes[2]) == 1
    # The other octaves are as the scale has them, and what is measured is what sounds.
    notes = sorted_notes([TimedNote(0, 1, 62), TimedNote(0, 1, 74)])
    hz = score_of(notes, palette).hz()
    assert hz == pytest.approx([295.0, build_table(spec).hz[74]])
