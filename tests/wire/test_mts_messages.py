"""Every tuning message against byte strings written by hand from the standard, and against mido's parser.

Layouts: MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020, CA-021 / RP-020.
"""

import re
from functools import reduce

import mido
import pytest

from bridge.errors import ValueProblem, WireError
from bridge.wire import mts
from bridge.wire.frequency import MAX_DATA, NO_CHANGE
from bridge.wire.specs import SPECS

EQUAL = tuple(key << 14 for key in range(128))
A4 = 69 << 14

# Messages by hand. "7D 00 40 …" and so on are written out; only the long runs of a dump are built by a formula that
# is the standard's own: key, 00, 00 for each key in equal temperament.
NAME = "6F 70 65 6E 20 64" + " 20" * 10  # "open d" and ten spaces
EQUAL_BYTES = " ".join(f"{key:02X} 00 00" for key in range(128))


def with_checksum(text):
    """Append the XOR of everything between F0 and here, and F7."""
    data = bytes.fromhex(text)
    return data + bytes((reduce(lambda a, b: a ^ b, data[1:]) & 0x7F, 0xF7))


BY_HAND = [
    (mts.DumpRequest(0x7F, 5), bytes.fromhex("F0 7E 7F 08 00 05 F7")),
    (mts.DumpRequest(0x10, 5, bank=3), bytes.fromhex("F0 7E 10 08 03 03 05 F7")),
    (
        mts.BulkDump(0x7F, 5, "open d", EQUAL),
        with_checksum(f"F0 7E 7F 08 01 05 {NAME} {EQUAL_BYTES}"),
    ),
    (
        mts.BulkDump(0x00, 5, "open d", EQUAL, bank=2),
        with_checksum(f"F0 7E 00 08 04 02 05 {NAME} {EQUAL_BYTES}"),
    ),
    (  # A4 to 438.0 Hz: −7.887 cents from key 69, so key 68 and 92.113 cents = 15092 steps = 75 74 (hex, 7 bits)
        mts.NoteTuning(0x7F, 0, ((69, 68 << 14 | 15092),)),
        bytes.fromhex("F0 7F 7F 08 02 00 01 45 44 75 74 F7"),
    ),
    (
        mts.NoteTuning(0x7F, 1, ((60, 60 << 14), (61, 61 << 14 | 0x2000)), bank=4),
        bytes.fromhex("F0 7F 7F 08 07 04 01 02 3C 3C 00 00 3D 3D 40 00 F7"),
    ),
    (
        mts.NoteTuning(0x7F, 1, ((60, 60 << 14),), bank=4, realtime=False),
        bytes.fromhex("F0 7E 7F 08 07 04 01 01 3C 3C 00 00 F7"),
    ),
    (
        mts.OctaveDump(0x7F, 1, 2, "open d", tuple(range(58, 70)), form=1),
        with_checksum(f"F0 7E 7F 08 05 01 02 {NAME} 3A 3B 3C 3D 3E 3F 40 41 42 43 44 45"),
    ),
    (
        mts.OctaveDump(0x7F, 1, 2, "open d", (0, 8192, 16383, 8193, *[8192] * 8), form=2),
        with_checksum(f"F0 7E 7F 08 06 01 02 {NAME} 00 00 40 00 7F 7F 40 01" + " 40 00" * 8),
    ),
    (
        mts.OctaveTuning(0x7F, tuple(range(1, 17)), (64, 0, 127, *[64] * 9), form=1),
        bytes.fromhex("F0 7F 7F 08 08 03 7F 7F 40 00 7F 40 40 40 40 40 40 40 40 40 F7"),
    ),
    (
        mts.OctaveTuning(0x7F, (1,), (64,) * 12, form=1, realtime=False),
        bytes.fromhex("F0 7E 7F 08 08 00 00 01" + " 40" * 12 + " F7"),
    ),
    (
        mts.OctaveTuning(0x7F, (2, 8, 16), (8192, 0, 16383, *[8192] * 9), form=2),
        bytes.fromhex("F0 7F 7F 08 09 02 01 02 40 00 00 00 7F 7F" + " 40 00" * 9 + " F7"),
    ),
    (
        mts.OctaveTuning(0x7F, (), (8192,) * 12, form=2, realtime=False),
        bytes.fromhex("F0 7E 7F 08 09 00 00 00" + " 40 00" * 12 + " F7"),
    ),
    (mts.MasterFineTuning(0x7F, 0), bytes.fromhex("F0 7F 7F 04 03 00 40 F7")),
    (mts.MasterFineTuning(0x7F, -100), bytes.fromhex("F0 7F 7F 04 03 00 00 F7")),
    (mts.MasterFineTuning(0x7F, 100 * 8191 / 8192), bytes.fromhex("F0 7F 7F 04 03 7F 7F F7")),
    (mts.MasterFineTuning(0x7F, 12.5), bytes.fromhex("F0 7F 7F 04 03 00 48 F7")),
]


def test_every_row_has_an_example_by_hand():
    assert len(SPECS) == 11
    found = {bytes(data[3:5]) for _, data in BY_HAND}
    assert found == {bytes(spec.sub_ids) for spec in SPECS}


@pytest.mark.parametrize(("message", "data"), BY_HAND)
def test_by_hand_both_ways(message, data):
    assert mts.encode(message).hex(" ") == data.hex(" ")
    assert mts.decode(data) == message


@pytest.mark.parametrize(("message", "data"), BY_HAND)
def test_mido_reads_them_as_one_whole_sysex(message, data):
    parser = mido.Parser()
    parser.feed(mts.encode(message))
    (read,) = list(parser)
    assert read.type == "sysex"
    assert bytes(read.data) == data[1:-1]


@pytest.mark.parametrize(
    ("message", "length"),
    [
        (mts.BulkDump(0x7F, 0, "", EQUAL), 408),
        (mts.BulkDump(0x7F, 0, "", EQUAL, bank=0), 409),
        (mts.OctaveTuning(0x7F, (1,), (64,) * 12, form=1), 21),
        (mts.OctaveTuning(0x7F, (1,), (8192,) * 12, form=2), 33),
        (mts.NoteTuning(0x7F, 0, tuple(enumerate(EQUAL))[:127]), 516),
        (mts.NoteTuning(0x7F, 0, ()), 8),
    ],
)
def test_lengths_that_the_standard_gives(message, length):
    assert len(mts.encode(message)) == length


def test_lengths_of_the_rows_are_those_of_the_messages():
    lengths = {spec.sub_ids: spec.length() for spec in SPECS}
    for message, data in BY_HAND:
        assert lengths[data[3], data[4]] in (len(data), None), message
    assert [ids for ids, length in lengths.items() if length is None] == [(8, 2), (8, 7)]


@pytest.mark.parametrize("channel", range(1, 17))
def test_channel_mask(channel):
    """``ff`` bits 0–1 are channels 15–16, ``gg`` bits 0–6 channels 8–14, ``hh`` bits 0–6 channels 1–7."""
    expected = [0, 0, 0]
    if channel >= 15:
        expected[0] = 1 << channel - 15
    elif channel >= 8:
        expected[1] = 1 << channel - 8
    else:
        expected[2] = 1 << channel - 1
    for form, offsets in ((1, (64,) * 12), (2, (8192,) * 12)):
        data = mts.encode(mts.OctaveTuning(0x7F, (channel,), offsets, form))
        assert list(data[5:8]) == expected


def test_reserved_mask_bits_are_ignored():
    plain = mts.OctaveTuning(0x7F, (1, 16), (64,) * 12, form=1)
    data = bytearray(mts.encode(plain))
    data[5] |= 0b1111100
    assert mts.decode(data) == plain


def test_channels_are_put_in_order_once():
    assert mts.OctaveTuning(0x7F, (16, 2, 2, 1), (64,) * 12, form=1).channels == (1, 2, 16)


# FluidSynth 2.3.1, with key 60 raised by a quarter of a semitone (F0 7F 7F 08 02 00 01 3C 3C 20 00 F7) and asked for
# program 0 by F0 7E 7F 08 00 00 F7 and F0 7E 7F 08 03 00 00 F7, answers with these heads and checksums; the sums leave
# out device ID and name (without bank) or the 7E (with bank), and the reply with a bank has the sub-ID of the one
# without. Recorded from the library's own replies.
FLUIDSYNTH_NAME = "55 6E 6E 61 6D 65 64" + " 00" * 9  # "Unnamed"
RAISED = (*EQUAL[:60], 60 << 14 | 0x1000, *EQUAL[61:])
RAISED_BYTES = EQUAL_BYTES.replace("3C 00 00", "3C 20 00")


@pytest.mark.parametrize(
    ("head", "checksum", "message"),
    [
        ("F0 7E 00 08 01 00", 0x57, mts.BulkDump(0, 0, "Unnamed" + "\0" * 9, RAISED)),
        ("F0 7E 00 08 01 00 00", 0x71, mts.BulkDump(0, 0, "Unnamed" + "\0" * 9, RAISED, bank=0)),
    ],
)
def test_replies_of_fluidsynth_are_read(head, checksum, message):
    body = bytes.fromhex(f"{head} {FLUIDSYNTH_NAME} {RAISED_BYTES}")
    found = mts.decode(body + bytes((checksum, 0xF7)))
    assert found == message
    assert found.checksum_ok
    assert not mts.decode(body + bytes((checksum ^ 1, 0xF7))).checksum_ok
    assert mts.decode(with_checksum(body.hex())).checksum_ok


@pytest.mark.parametrize(
    "message",
    [message for message, _ in BY_HAND if isinstance(message, mts.BulkDump | mts.OctaveDump)],
)
def test_wrong_checksum_is_read_and_flagged(message):
    data = bytearray(mts.encode(message))
    assert mts.decode(data).checksum_ok
    data[-2] ^= 0x55
    found = mts.decode(data)
    assert found == message
    assert not found.checksum_ok


def test_no_change_is_read_but_never_sent():
    data = bytes.fromhex("F0 7F 7F 08 02 00 02 3C 7F 7F 7F 3D 3D 00 00 F7")
    message = mts.decode(data)
    assert message.keys == ((60, NO_CHANGE), (61, 61 << 14))
    with pytest.raises(ValueProblem, match="'no change'"):
        mts.encode(message)
    dump = mts.BulkDump(0x7F, 0, "", (NO_CHANGE, *EQUAL[1:]))
    with pytest.raises(ValueProblem, match="'no change'"):
        mts.encode(dump)
    assert bytes.fromhex("7F 7F 7F") not in mts.encode(mts.BulkDump(0x7F, 0, "", (*EQUAL[:-1], MAX_DATA)))


def test_names_lose_spaces_at_their_end_only():
    assert mts.BulkDump(0x7F, 0, " open d  ", EQUAL).name == " open d"
    assert mts.decode(mts.encode(mts.BulkDump(0x7F, 0, "sixteen letters!", EQUAL))).name == "sixteen letters!"


# Offsets of the scale/octave forms (CA-021 / RP-020)
@pytest.mark.parametrize(
    ("form", "raw", "cents", "tolerance"),
    [
        (1, 0x00, -64, 0),
        (1, 0x40, 0, 0),
        (1, 0x7F, 63, 0),
        (2, 0x00 << 7 | 0x00, -100, 0),
        (2, 0x40 << 7 | 0x00, 0, 0),
        (2, 0x7F << 7 | 0x7F, 99.9878, 0.00005),
    ],
)
def test_offsets_as_the_standard_gives_them(form, raw, cents, tolerance):
    assert mts.offset_to_cents(raw, form) == pytest.approx(cents, abs=tolerance)
    assert mts.cents_to_offset(cents, form) == (raw, pytest.approx(0, abs=0.0001))


@pytest.mark.parametrize("form", [1, 2])
def test_every_offset_there_and_back(form):
    for raw in range(128 if form == 1 else 16384):
        assert mts.cents_to_offset(mts.offset_to_cents(raw, form), form) == (raw, 0)


@pytest.mark.parametrize(
    ("cents", "form", "raw", "residual_cents"),
    [
        (-13.686, 1, 50, -0.314),  # −14
        (13.4, 1, 77, -0.4),
        (63.49, 1, 127, -0.49),
        (-64.49, 1, 0, 0.49),
        (-13.686, 2, 7071, 0.001918),  # −1121.157 steps: −1121 is −13.684082 cents
    ],
)
def test_offsets_round_to_nearest(cents, form, raw, residual_cents):
    assert mts.cents_to_offset(cents, form) == (raw, pytest.approx(residual_cents, abs=0.00001))


@pytest.mark.parametrize(
    ("cents", "form", "message"),
    [
        (
            63.6,
            1,
            r"\+63\.600 cents is beyond scale/octave tuning \(the 1-byte form holds -64 to \+63 cents\)",
        ),
        (-64.6, 1, "-64.600 cents is beyond"),
        (100, 2, r"the 2-byte form holds -100 to \+99\.99 cents"),
        (-100.1, 2, "beyond scale/octave"),
        (float("nan"), 2, "beyond scale/octave"),
        (0, 3, "form 3 is impossible"),
    ],
)
def test_offsets_out_of_range(cents, form, message):
    with pytest.raises(ValueProblem, match=message):
        mts.cents_to_offset(cents, form)


@pytest.mark.parametrize(("raw", "form"), [(128, 1), (-1, 1), (16384, 2), (-1, 2), (0, 0)])
def test_no_such_offset(raw, form):
    with pytest.raises(ValueProblem, match=r"out of range|impossible"):
        mts.offset_to_cents(raw, form)


def test_octave_records_tell_their_cents():
    offsets = (64, 0, 127, *[64] * 9)
    expected = (0, -64, 63, *[0] * 9)
    assert mts.OctaveTuning(0x7F, (1,), offsets, form=1).offsets_cents == expected
    assert mts.OctaveDump(0x7F, 0, 0, "", offsets, form=1).offsets_cents == expected


def test_master_fine_tuning_tells_what_is_lost():
    message = mts.MasterFineTuning(0x7F, 33.3)
    assert message.data == 10920  # 8192 + 2727.936
    assert message.residual_cents == pytest.approx(0.00078, abs=0.00001)
    assert mts.decode(mts.encode(message)).cents == pytest.approx(33.3, abs=0.0062)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: mts.DumpRequest(128, 0), "device ID 128 is out of range"),
        (lambda: mts.DumpRequest(0, 200), "tuning program 200 is out of range.*0 to 127"),
        (lambda: mts.DumpRequest(0, 0, -1), "tuning bank -1"),
        (lambda: mts.NoteTuning(0, 200, ()), "tuning program 200"),
        (lambda: mts.NoteTuning(0, 0, (), bank=128), "tuning bank 128"),
        (lambda: mts.NoteTuning(0, 0, (), realtime=False), "in real time only"),
        (lambda: mts.NoteTuning(0, 0, ((128, 0),)), "key 128"),
        (lambda: mts.NoteTuning(0, 0, ((0, 1 << 21),)), "frequency data 2097152 of key 0"),
        (lambda: mts.NoteTuning(0, 0, ((0, 0),) * 128), "128 keys do not fit"),
        (lambda: mts.BulkDump(0, 0, "", EQUAL[:-1]), "holds 128 keys, not 127"),
        (lambda: mts.BulkDump(0, 0, "", (-1, *EQUAL[1:])), "frequency data -1 of key 0"),
        (lambda: mts.BulkDump(0, 0, "a name of 17 char", EQUAL), "does not fit.*16 plain"),
        (lambda: mts.BulkDump(0, 0, "Grün", EQUAL), "'Grün' does not fit"),
        (lambda: mts.BulkDump(0, 0, "", EQUAL, bank=200), "tuning bank 200"),
        (lambda: mts.OctaveDump(0, 0, 0, "", (64,) * 11, 1), "takes 12 offsets, C to B, not 11"),
        (lambda: mts.OctaveDump(0, 0, 0, "", (128,) * 12, 1), "offset 128 is out of range.*0 to 127"),
        (lambda: mts.OctaveTuning(0, (0,), (64,) * 12, 1), "channel 0 is impossible"),
        (lambda: mts.OctaveTuning(0, (17,), (64,) * 12, 1), "channel 17 is impossible"),
        (lambda: mts.OctaveTuning(0, (1,), (16384,) * 12, 2), "offset 16384 is out of range"),
        (lambda: mts.OctaveTuning(0, (1,), (0,) * 12, 3), "form 3 is impossible"),
        (lambda: mts.MasterFineTuning(0, 100), r"fine tuning of \+100 cents is out of range"),
        (lambda: mts.MasterFineTuning(0, float("nan")), "fine tuning of .*nan"),
        (lambda: mts.encode("F0 F7"), "is no tuning message"),
    ],
)
def test_records_check_themselves(make, message):
    with pytest.raises(ValueProblem, match=message):
        make()


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "not a whole SysEx message"),
        ("F0 F7", "not a whole SysEx message"),
        ("F0 7E 7F 08 00 05", "must begin with F0 and end with F7"),
        ("90 3C 40 00 00 00 F7", "must begin with F0"),
        ("F0 7E 7F 08 00 85 F7", "holds a byte above 7F.*cut off"),
        ("F0 41 10 42 12 40 00 7F 00 41 F7", "not a tuning message: it begins F0 41 10 42 12"),
        ("F0 7E 7F 08 0A 00 F7", "not a tuning message"),
        ("F0 43 7F 08 00 00 F7", "not a tuning message"),
        ("F0 7F 7F 08 00 05 F7", "dump request cannot be a real-time message"),
        ("F0 7E 7F 08 02 00 00 F7", "single note tuning change cannot be a non-real-time message"),
        ("F0 7F 7F 08 02 00 F7", "cut short in its list of keys: 7 bytes"),
        ("F0 7F 7F 08 02 00 02 3C 3C 00 00 F7", "cut short in its list of keys"),
        ("F0 7F 7F 08 02 00 01 3C 3C 00 00 00 F7", "1 bytes too long: 13 bytes"),
        ("F0 7E 7F 08 00 05 06 F7", "1 bytes too long"),
        ("F0 7E 7F 08 01 05 00 F7", "cut short in its name"),
        ("F0 7F 7F 08 08 00 00 01 40 F7", "cut short in its twelve offsets"),
        ("F0 7F 7F 04 03 00 F7", "cut short in its fine tuning"),
    ],
)
def test_bytes_that_are_no_tuning_message(text, message):
    with pytest.raises(WireError, match=message):
        mts.decode(bytes.fromhex(text))


def test_dump_cut_anywhere_says_so():
    data = mts.encode(mts.BulkDump(0x7F, 5, "open d", EQUAL))
    for length in range(6, len(data) - 1):
        with pytest.raises(WireError, match=r"cut short|not a whole"):
            mts.decode(data[:length] + b"\xf7")


@pytest.mark.parametrize("data", [[256], [-1], ["F0"], None, 7.5])
def test_what_is_not_even_bytes(data):
    with pytest.raises(WireError, match=re.escape("bytes, 0 to 255 each")):
        mts.decode(data)
