"""Resets and drum parts, from byte strings as the standards and implementation charts write them."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.wire.resets import reset_kind, rhythm_part


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("F0 7E 7F 09 01 F7", "gm"),
        ("F0 7E 10 09 01 F7", "gm"),
        ("F0 7E 7F 09 02 F7", "gm"),
        ("F0 7E 7F 09 03 F7", "gm2"),
        ("F0 41 10 42 12 40 00 7F 00 41 F7", "gs"),
        ("F0 41 10 42 12 00 00 7F 00 01 F7", "gs"),
        ("F0 41 10 42 12 00 00 7F 01 00 F7", "gs"),
        ("F0 43 10 4C 00 00 7E 00 F7", "xg"),
        ("F0 43 1F 4C 00 00 7E 00 F7", "xg"),
        ("F0 43 10 4C 00 00 7F 00 F7", "xg"),
        ("F0 7E 7F 09 04 F7", None),
        ("F0 7E 7F 09 01", None),
        ("F0 7F 7F 04 03 00 40 F7", None),
        ("F0 7F 7F 09 01 F7", None),
        ("F0 41 10 42 12 40 00 04 7F 3D F7", None),  # master volume
        ("F0 41 10 42 11 40 00 7F 00 41 F7", None),  # a request, not a setting
        ("F0 43 10 4C 00 00 04 7F F7", None),
        ("F0 43 30 4C 00 00 7E F7", None),
        ("90 3C 40", None),
        ("", None),
    ],
)
def test_resets(text, kind):
    assert reset_kind(bytes.fromhex(text)) == kind


def gs(*body):
    """A GS setting: address and data with the checksum that makes them add up to a multiple of 128."""
    return bytes((0xF0, 0x41, 0x10, 0x42, 0x12, *body, -sum(body) % 128, 0xF7))


@pytest.mark.parametrize(
    ("block", "channel"), [(0, 10), *[(n, n) for n in range(1, 10)], *[(n, n + 1) for n in range(10, 16)]]
)
def test_gs_rhythm_parts(block, channel):
    assert rhythm_part(gs(0x40, 0x10 | block, 0x15, 1)) == (channel, True)
    assert rhythm_part(gs(0x40, 0x10 | block, 0x15, 2)) == (channel, True)
    assert rhythm_part(gs(0x40, 0x10 | block, 0x15, 0)) == (channel, False)


def test_gs_rhythm_part_by_hand():
    """40 + 1A + 15 + 02 = 71, so the checksum is 0F; block A is part 11."""
    assert rhythm_part(bytes.fromhex("F0 41 10 42 12 40 1A 15 02 0F F7")) == (11, True)


def test_gs_several_parameters_in_one_message():
    assert rhythm_part(gs(0x40, 0x13, 0x13, 1, 0, 2)) == (3, True)  # 13, 14, 15
    assert rhythm_part(gs(0x40, 0x13, 0x13, 1, 0)) is None  # 13, 14


@pytest.mark.parametrize("channel", range(1, 17))
def test_xg_part_modes(channel):
    part = f"{channel - 1:02X}"
    assert rhythm_part(bytes.fromhex(f"F0 43 10 4C 08 {part} 07 02 F7")) == (channel, True)
    assert rhythm_part(bytes.fromhex(f"F0 43 10 4C 08 {part} 07 00 F7")) == (channel, False)


@pytest.mark.parametrize(
    "data",
    [
        gs(0x40, 0x1A, 0x16, 2),  # another parameter
        gs(0x40, 0x2A, 0x15, 2),  # another kind of block
        gs(0x41, 0x1A, 0x15, 2),
        bytes.fromhex("F0 41 10 42 12 40 1A 15 02 10 F7"),  # wrong checksum: receivers refuse it
        bytes.fromhex("F0 41 10 42 11 40 1A 15 02 0F F7"),  # a request
        bytes.fromhex("F0 43 10 4C 08 10 07 02 F7"),  # a seventeenth part
        bytes.fromhex("F0 43 10 4C 08 00 08 02 F7"),
        bytes.fromhex("F0 43 10 4C 02 00 07 02 F7"),
        bytes.fromhex("F0 7E 7F 09 01 F7"),
        bytes.fromhex("90 3C 40"),
        b"",
    ],
)
def test_no_part(data):
    assert rhythm_part(data) is None


@given(
    st.binary(max_size=20)
    | st.tuples(
        st.sampled_from(
            [
                b"\xf0\x41\x10\x42\x12",
                b"\xf0\x41\x10\x42\x12\x40",
                b"\xf0\x43\x10\x4c\x08",
                b"\xf0\x7e\x7f\x09",
            ]
        ),
        st.binary(max_size=10),
    ).map(lambda parts: parts[0] + parts[1] + b"\xf7")
)
def test_any_bytes_do_no_harm(data):
    assert reset_kind(data) in (None, "gm", "gm2", "gs", "xg")
    found = rhythm_part(data)
    assert found is None or 1 <= found[0] <= 16
