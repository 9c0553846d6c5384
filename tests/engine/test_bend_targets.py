"""Offsets of keys, and the range that reaches them."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.engine.offsets import Offsets, covers, most_range, own_bend_cents, smallest_range
from bridge.errors import ValueProblem
from bridge.wire.bend import bend_value
from bridge.wire.profile import SynthProfile

EQUAL_HZ = [440.0 * 2 ** ((key - 69) / 12) for key in range(128)]


def profile(**fields: object) -> SynthProfile:
    return SynthProfile(name="x", title="X", source="made up", methods=("bend", "mpe"), **fields)  # type: ignore[arg-type]


def test_equal_temperament_needs_no_bend() -> None:
    assert max(map(abs, Offsets().of(EQUAL_HZ))) < 1e-9


def test_a_pure_third_over_d_is_13_686_cents_flat() -> None:
    # 5/4 is 386.314 cents (1200 log2), the tempered third 400
    d3 = EQUAL_HZ[50]
    hz = list(EQUAL_HZ)
    hz[54] = d3 * 5 / 4
    assert Offsets().of(hz)[54] == pytest.approx(-13.686286, abs=1e-6)


def test_octaves_of_a_note_have_the_very_same_offset() -> None:
    hz = [
        220.0
        * 2 ** math.floor((key - 57) / 12)
        * (7 / 4 if (key - 57) % 12 == 10 else 2 ** ((key - 57) % 12 / 12))
        for key in range(128)
    ]
    offsets = Offsets().of(hz)
    assert len({offsets[key] for key in range(128) if (key - 57) % 12 == 10}) == 1


def test_offsets_agree_across_tables() -> None:
    offsets = Offsets()
    first = offsets.of([hz * 2 ** (10 / 1200) for hz in EQUAL_HZ])
    second = offsets.of([hz * 2 ** (5 / 1200) * 2 ** (5 / 1200) for hz in EQUAL_HZ])
    assert set(first) == set(second)


def test_a_synth_that_bends_short_is_bent_farther() -> None:
    # FluidSynth 2.3.1 bends 127/128 of what is asked (measured)
    hz = [value * 2 ** (100 / 1200) for value in EQUAL_HZ]
    assert Offsets(profile(bend_scale=127 / 128)).of(hz)[60] * 127 / 128 == pytest.approx(100.0)


def test_the_stretch_of_a_sampled_instrument_is_taken_off() -> None:
    stretch = tuple(key / 10 for key in range(128))
    offsets = Offsets(profile(key_stretch_cents=stretch)).of(EQUAL_HZ)
    assert offsets[60] == pytest.approx(-6.0)


def test_how_a_key_sounds_is_the_way_back() -> None:
    offsets = Offsets(profile(bend_scale=0.5, key_stretch_cents=tuple(key / 10 for key in range(128))))
    bends = offsets.of([hz * 2 ** (7 / 1200) for hz in EQUAL_HZ])
    assert [offsets.sounding_cents(key, bends[key]) for key in range(128)] == pytest.approx([7.0] * 128)


@given(st.integers(1, 24), st.floats(-2500, 2500))
def test_a_range_covers_what_the_wire_can_say(semitones: int, cents: float) -> None:
    try:
        bend_value(cents, semitones)
    except ValueProblem:
        assert not covers(semitones, cents, cents)
    else:
        assert covers(semitones, cents, cents)


@pytest.mark.parametrize(
    ("low", "high", "semitones"),
    [
        (0.0, 0.0, 2),
        (-200.0, 199.9, 2),
        (-200.02, 0.0, 3),
        (0.0, 200.0, 3),
        (-14.0, 213.0, 3),
        (-1213.0, 1200.0, 12),
    ],
)
def test_the_smallest_range_that_covers(low: float, high: float, semitones: int) -> None:
    assert smallest_range(low, high, 12) == semitones


def test_the_widest_range_is_the_synths_or_twelve_or_the_sources() -> None:
    assert most_range(None, 200.0) == 12
    assert most_range(None, 2400.0) == 24
    assert most_range(profile(bend_range_max_semitones=7), 2400.0) == 7
    assert most_range(profile(bend_range_fixed_semitones=2), 2400.0) == 2
    assert most_range(profile(mpe_range_fixed_semitones=48), 200.0, mpe=True) == 48


def test_the_sources_own_bend() -> None:
    assert own_bend_cents(8192, 200.0) == 0.0
    assert own_bend_cents(0, 200.0) == -200.0
    assert own_bend_cents(16383, 2400.0) == pytest.approx(2400.0 - 2400.0 / 8192)
