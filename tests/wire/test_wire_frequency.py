"""Frequency data against the specification's own examples, in both directions and over the whole range."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.errors import ValueProblem, WireError
from bridge.wire import frequency as fr

# MIDI 1.0 Detailed Specification, "MIDI Tuning", table of frequency data examples. The second column is what the
# document prints, the third what its own formula gives: a discussion on The MIDI Association's public forum ("MTS
# frequency data examples in spec, are they correct") lists both. The code follows the formula; the misprints are
# kept here so that nobody corrects the code to match them.
EXAMPLES = [
    ("00 00 00", 8.1758, 8.1758),
    ("00 00 01", 8.2104, 8.1758),
    ("01 00 00", 8.6620, 8.6620),
    ("0C 00 00", 16.3516, 16.3516),
    ("3C 00 00", 261.6256, 261.6256),
    ("3D 00 00", 277.1827, 277.1826),
    ("44 7F 7F", 439.9984, 439.9984),
    ("45 00 00", 440.0000, 440.0000),
    ("78 00 00", 8372.0190, 8372.0181),
    ("78 00 01", 8372.0630, 8372.0476),
    ("7F 00 00", 12543.8800, 12543.8540),
    ("7F 00 01", 12543.9200, 12543.8982),
    ("7F 7F 7E", 13289.7300, 13289.6566),
]
MISPRINTED = {"00 00 01", "3D 00 00", "78 00 00", "78 00 01", "7F 00 00", "7F 00 01", "7F 7F 7E"}

LOWEST_HZ = 440 * 2 ** (-69 / 12)
HIGHEST_HZ = 440 * 2 ** ((128 - 2 / 16384 - 69) / 12)  # 7F 7F 7E: two steps below key 128
HALF_STEP_CENTS = 100 / 16384 / 2


@pytest.mark.parametrize(("data", "printed_hz", "actual_hz"), EXAMPLES)
def test_the_specifications_examples(data, printed_hz, actual_hz):
    number = fr.bytes_to_frequency_data(bytes.fromhex(data))
    hz = fr.frequency_data_to_hz(number)
    assert hz == pytest.approx(actual_hz, abs=0.00005001)
    assert (abs(hz - printed_hz) > 0.00005001) == (data in MISPRINTED)
    assert fr.frequency_data_to_bytes(number) == bytes.fromhex(data)
    assert fr.hz_to_frequency_data(hz)[0] == number


def test_equal_tempered_keys_are_data_with_no_fraction(librosa):
    for key, hz in enumerate(librosa.midi_to_hz(np.arange(128))):  # an independent library
        data, residual_cents = fr.hz_to_frequency_data(float(hz))
        assert data == key << 14
        assert residual_cents == pytest.approx(0, abs=1e-9)


@given(st.integers(0, fr.MAX_DATA))
def test_data_to_hz_and_back_is_identity(data):
    assert fr.hz_to_frequency_data(fr.frequency_data_to_hz(data))[0] == data
    assert fr.bytes_to_frequency_data(fr.frequency_data_to_bytes(data)) == data
    assert fr.cents_to_frequency_data(fr.frequency_data_to_cents(data)) == (data, 0)


@given(st.floats(LOWEST_HZ, HIGHEST_HZ))
def test_rounding_costs_at_most_half_a_step(librosa, hz):
    data, residual_cents = fr.hz_to_frequency_data(hz)
    independent_cents = 100 * (
        float(librosa.hz_to_midi(fr.frequency_data_to_hz(data)) - librosa.hz_to_midi(hz))
    )
    assert abs(independent_cents) <= 0.00306
    assert residual_cents == pytest.approx(independent_cents, abs=1e-8)
    assert fr.in_reach(hz)


@given(st.floats(LOWEST_HZ, HIGHEST_HZ))
def test_no_other_data_is_nearer(hz):
    data, residual_cents = fr.hz_to_frequency_data(hz)
    for other in (data - 1, data + 1):
        if 0 <= other <= fr.MAX_DATA:
            off_cents = abs(1200 * math.log2(fr.frequency_data_to_hz(other) / hz))
            assert off_cents >= abs(residual_cents) - 1e-8


@pytest.mark.parametrize(
    ("hz", "data", "off_cents"),
    [
        (LOWEST_HZ / 2, 0, 1200),
        (1e-300, 0, 1200 * math.log2(LOWEST_HZ / 1e-300)),
        (HIGHEST_HZ * 2, fr.MAX_DATA, -1200),
        (1e300, fr.MAX_DATA, 1200 * math.log2(HIGHEST_HZ / 1e300)),
    ],
)
def test_beyond_reach_is_clamped_and_says_by_how_much(hz, data, off_cents):
    found, residual_cents = fr.hz_to_frequency_data(hz)
    assert found == data
    assert residual_cents == pytest.approx(off_cents)
    assert not fr.in_reach(hz)


def test_reach_ends_half_a_step_past_the_last_values():
    def at(cents_past, hz):
        return hz * 2 ** (cents_past / 1200)

    assert fr.in_reach(at(-HALF_STEP_CENTS * 0.99, LOWEST_HZ))
    assert not fr.in_reach(at(-HALF_STEP_CENTS * 1.01, LOWEST_HZ))
    assert fr.in_reach(at(HALF_STEP_CENTS * 0.99, HIGHEST_HZ))
    assert not fr.in_reach(at(HALF_STEP_CENTS * 1.01, HIGHEST_HZ))


@given(st.floats(5e-324, 1.7e308))
def test_the_reserved_value_never_comes_out(hz):
    assert 0 <= fr.hz_to_frequency_data(hz)[0] <= fr.MAX_DATA


@pytest.mark.parametrize("hz", [0, -440.0, math.nan, math.inf, -math.inf])
def test_no_frequency(hz):
    for convert in (fr.hz_to_frequency_data, fr.in_reach):
        with pytest.raises(ValueProblem, match=r"cannot be sounded.*positive number of Hz"):
            convert(hz)


@pytest.mark.parametrize(
    ("data", "message"), [(-1, "-0x1"), (fr.NO_CHANGE, "'no change' value"), (1 << 21, "0x200000")]
)
def test_data_out_of_range(data, message):
    for convert in (fr.frequency_data_to_hz, fr.frequency_data_to_cents, fr.frequency_data_to_bytes):
        with pytest.raises(ValueProblem, match=message):
            convert(data)


@pytest.mark.parametrize("data", [b"", b"\x45\x00", b"\x45\x00\x00\x00", b"\x80\x00\x00", b"\x45\xf7\x00"])
def test_no_frequency_data(data):
    with pytest.raises(WireError, match="three bytes"):
        fr.bytes_to_frequency_data(data)


def test_reserved_bytes_are_read_as_no_change():
    assert fr.bytes_to_frequency_data(b"\x7f\x7f\x7f") == fr.NO_CHANGE
