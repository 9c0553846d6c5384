"""Pitch-bend arithmetic: inverse over every value, rounding, the asymmetry at the top, messages."""

import math
from fractions import Fraction

import mido
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem
from bridge.wire import bend

RANGES = (1, 2, 12, 24, 48, 96)


def exactly_cents(value, range_semitones):
    """What a value bends: the 8192 values below the centre are the range downward (MIDI 1.0, "Pitch Bend Change")."""
    return float(Fraction(value - 8192) * range_semitones * 100 / 8192)


@pytest.mark.parametrize("range_semitones", RANGES)
def test_every_value_there_and_back(range_semitones):
    for value in range(16384):
        cents = exactly_cents(value, range_semitones)
        assert bend.bend_value(cents, range_semitones) == (value, pytest.approx(0, abs=1e-11))


@pytest.mark.parametrize(
    ("range_semitones", "step_cents"),
    [(2, 0.0244), (48, 0.5859), (12, 0.1465), (1, 0.0122)],  # MIDI 1.0: 14 bits over twice the range
)
def test_steps(range_semitones, step_cents):
    """As wide as halfway between two values: what lies nearer to one of them becomes that one."""
    for value in (0, 8191, 8192, 16382):
        cents = exactly_cents(value, range_semitones)
        assert bend.bend_value(cents + 0.49 * step_cents, range_semitones)[0] == value
        assert bend.bend_value(cents + 0.51 * step_cents, range_semitones)[0] == value + 1


@pytest.mark.parametrize(
    ("cents", "range_semitones", "value"),
    [
        (0, 2, 8192),
        (100, 2, 12288),
        (-100, 2, 4096),
        (-200, 2, 0),
        (-13.686, 2, 7631),  # the pure major third below equal temperament: −560.58 steps
        (1.955, 2, 8272),  # the pure fifth: +80.08 steps
        (-31.174, 12, 7979),  # the harmonic seventh: −212.8 steps; truncation would give 7980
        (199.98, 2, 16383),  # 16383.18: nearest is the last value
    ],
)
def test_hand_computed_values(cents, range_semitones, value):
    found, residual_cents = bend.bend_value(cents, range_semitones)
    assert found == value
    assert abs(residual_cents) <= range_semitones * 100 / 8192 / 2 + 1e-9


@given(st.floats(-1, 1), st.integers(1, 96))
def test_residual_is_at_most_half_a_step(share, range_semitones):
    step = range_semitones * 100 / 8192
    cents = share * (range_semitones * 100 - step)
    value, residual_cents = bend.bend_value(cents, range_semitones)
    assert 0 <= value <= 16383
    assert abs(residual_cents) <= step / 2 + 1e-9
    assert residual_cents == pytest.approx((value - 8192) * range_semitones * 100 / 8192 - cents, abs=1e-9)


@pytest.mark.parametrize("range_semitones", RANGES)
def test_full_range_downward_fits_and_upward_does_not(range_semitones):
    full_cents = range_semitones * 100
    half_step = full_cents / 8192 / 2
    assert bend.bend_value(-full_cents, range_semitones) == (0, 0)
    with pytest.raises(ValueProblem, match=r"beyond a bend range of .* a wider range is needed"):
        bend.bend_value(full_cents, range_semitones)
    assert bend.bend_value(full_cents - 1.01 * half_step, range_semitones)[0] == 16383
    assert bend.bend_value(-full_cents - 0.99 * half_step, range_semitones)[0] == 0
    for cents in (full_cents - 0.99 * half_step, -full_cents - 1.01 * half_step):
        with pytest.raises(ValueProblem, match="beyond a bend range"):
            bend.bend_value(cents, range_semitones)


def test_the_error_names_what_is_allowed():
    with pytest.raises(ValueProblem) as caught:
        bend.bend_value(250, 2)
    assert str(caught.value) == (
        "an offset of +250.000 cents is beyond a bend range of ±2 semitones "
        "(allowed: -200.000 to +199.976; a wider range is needed)"
    )


@pytest.mark.parametrize("cents", [math.nan, math.inf, -math.inf])
def test_no_offset(cents):
    with pytest.raises(ValueProblem, match="cannot be bent to"):
        bend.bend_value(cents, 2)


@pytest.mark.parametrize("range_semitones", [0, -2, 129, math.nan, math.inf])
def test_no_range(range_semitones):
    with pytest.raises(ValueProblem, match=r"is impossible.*at most 128"):
        bend.bend_value(1, range_semitones)


@given(st.integers(1, 16), st.integers(0, 16383))
def test_messages_as_mido_reads_them(channel, value):
    message = bend.bend_message(channel, value)
    read = mido.Message.from_bytes(message)
    assert (read.type, read.channel, read.pitch) == ("pitchwheel", channel - 1, value - 8192)


@pytest.mark.parametrize(
    ("channel", "value", "message"),
    [(0, 8192, "channel 0"), (17, 8192, "channel 17"), (1, -1, "value of -1"), (1, 16384, "value of 16384")],
)
def test_messages_out_of_range(channel, value, message):
    with pytest.raises(ValueProblem, match=message):
        bend.bend_message(channel, value)
