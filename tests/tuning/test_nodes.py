"""Places along a string: nodes and slides against derived positions and the trade's rules of thumb."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.tuning.strings.nodes import place_at, slide_places, touch, touches

# 12 · log2(n / (n − 1)), derived from the length of a string (Mersenne 1636)
NODES = {2: 12.000, 3: 7.020, 4: 4.980, 5: 3.863, 6: 3.156, 7: 2.669, 8: 2.312}


@pytest.mark.parametrize(("partial", "frets"), NODES.items())
def test_nodes_in_frets(partial, frets):
    first = touches(partial, 650)[0]
    assert first.node == Fraction(1, partial)
    assert first.partial == partial
    assert first.place.frets == pytest.approx(frets, abs=5e-4)
    assert first.place.from_nut_mm == pytest.approx(650 / partial)


def test_rules_of_thumb():
    """1/2 at the twelfth fret, 1/3 about the seventh, 1/4 about the fifth, 1/5 just on the nut side of the fourth, 1/6
    just on the saddle side of the third (common practice)."""
    places = {partial: touches(partial, 650)[0].place for partial in (2, 3, 4, 5, 6)}
    assert (places[2].nearest_fret, places[2].side) == (12, "at")
    assert (places[3].nearest_fret, places[4].nearest_fret) == (7, 5)
    assert abs(places[3].from_fret_mm) < 1
    assert abs(places[4].from_fret_mm) < 1
    assert (places[5].nearest_fret, places[5].side) == (4, "nut")
    assert (places[6].nearest_fret, places[6].side) == (3, "saddle")


def test_two_fifths():
    """2/5 sounds the fifth partial too, at fret 8.84 (derived); 4/5 lies beyond the fretboard."""
    found = touches(5, 650, last_fret=19)
    assert [one.node for one in found] == [Fraction(1, 5), Fraction(2, 5), Fraction(3, 5)]
    assert found[1].place.frets == pytest.approx(8.84, abs=5e-3)
    assert found[1].place.from_nut_mm == pytest.approx(260)
    assert (found[1].place.nearest_fret, found[1].place.side) == (9, "nut")
    # fret 9 lies at 650 · (1 − 2^(−9/12)) = 263.51 mm from the nut
    assert found[1].place.from_fret_mm == pytest.approx(260 - 263.5075, abs=1e-3)


def test_nodes_with_a_common_divisor_are_no_alternatives():
    assert [one.node for one in touches(6, 650)] == [Fraction(1, 6)]
    assert {one.node for one in touches(8, 650)} == {Fraction(1, 8), Fraction(3, 8), Fraction(5, 8)}


def test_slides():
    """Pure places of a slide: 4/3 at fret 4.98, 3/2 at 7.02, 5/3 at 8.84, 7/4 at 9.69 (derived)."""
    wanted = {Fraction(4, 3): 4.98, Fraction(3, 2): 7.02, Fraction(5, 3): 8.84, Fraction(7, 4): 9.69}
    for found in slide_places(650, wanted):
        assert found.place.frets == pytest.approx(wanted[found.ratio], abs=5e-3)
        assert found.place.from_nut_mm == pytest.approx(650 * (1 - 1 / found.ratio))


def test_default_slides_rise():
    frets = [found.place.frets for found in slide_places(650)]
    assert frets == sorted(frets)
    assert len(set(frets)) == len(frets)


@given(st.integers(2, 16), st.floats(200, 1200))
def test_a_slide_stands_where_the_node_is(partial, length_mm):
    """Stopped at k/n from the nut, (n − k)/n of the string sounds: n/(n − k) above the open string."""
    for one in touches(partial, length_mm, last_fret=60):
        (slide,) = slide_places(length_mm, [1 / (1 - one.node)])
        assert slide.place.from_nut_mm == pytest.approx(one.place.from_nut_mm)
        assert slide.place.from_nut_mm == pytest.approx(length_mm * float(one.node))


def test_with_a_capo_everything_starts_there():
    """Capo at 5: the half of what sounds is at fret 17; the string that is left is 2^(−5/12) of the whole."""
    half = touch(Fraction(1, 2), 650, nut_fret=5)
    assert half.place.frets == pytest.approx(17)
    left = 650 * 2 ** (-5 / 12)
    assert half.place.from_nut_mm == pytest.approx(650 - left / 2)
    assert slide_places(650, [Fraction(2)], nut_fret=5)[0].place.frets == pytest.approx(17)


@given(st.floats(0, 30), st.floats(200, 1200))
def test_nearest_fret(frets, length_mm):
    place = place_at(frets, length_mm)
    fret_mm = length_mm * (1 - 2 ** (-place.nearest_fret / 12))
    assert place.from_nut_mm == pytest.approx(fret_mm + place.from_fret_mm)
    for other in (place.nearest_fret - 1, place.nearest_fret + 1):
        other_mm = length_mm * (1 - 2 ** (-other / 12))
        assert abs(place.from_fret_mm) <= abs(place.from_nut_mm - other_mm) + 1e-9


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: touches(1, 650), "partial 1 .*open string"),
        (lambda: touches(17, 650), "partial 17"),
        (lambda: touch(Fraction(1), 650), "touch at 1/1"),
        (lambda: touch(Fraction(3, 2), 650), "touch at 3/2"),
        (lambda: touch(Fraction(1, 2), 0), "scale length 0 mm"),
        (lambda: place_at(3, 65000), "scale length 65000 mm .*about 650"),
        (lambda: place_at(-1, 650), "fret -1"),
        (lambda: slide_places(650, [Fraction(3, 4)]), "slide to 3/4"),
    ],
)
def test_out_of_range(call, message):
    with pytest.raises(ValueProblem, match=message):
        call()
