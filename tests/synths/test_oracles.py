"""What three real synths obey, heard: the facts that the defaults and the shipped synth profiles stand on.

Every byte here is written out by hand from the published messages (*MIDI 1.0 Detailed Specification*, "MIDI Tuning";
CA-020, CA-021), none comes from the package: if a synth of a later version obeys differently, this file says so, and a
profile has to follow. Outcomes: ``now`` (sounding notes move too), ``new`` (only notes that start later), ``-``
(ignored). First measured with FluidSynth 2.3.1, TiMidity++ 2.14 and TinySoundFont 0.3.7.

In most tests a note A4 starts, 0.7 s later the message under test arrives, 0.5 s later E4 joins; both are then
measured. The shift asked for is 30 cents, which is 0.30 x 16384 = 4915 steps, written ``26 33``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import reduce
from operator import xor
from pathlib import Path

import pytest
from support import measure, synths

pytestmark = pytest.mark.slow

Renderer = Callable[..., synths.Rendering]

A4_HZ = 440.0
E4_HZ = 440.0 * 2.0 ** (-5 / 12)
SHIFT_CENTS = 30.0

FLUIDSYNTH_CENTS = 1.02  # it floors to whole cents in sound
TIMIDITY_CENTS = 0.02
TIMIDITY_BEND_CENTS = 0.43
TINYSOUNDFONT_CENTS = 0.02  # at +-2 semitones


def raw(*lines: str) -> list[bytes]:
    return [bytes.fromhex(line) for line in lines]


def summed(line: str) -> list[bytes]:
    """A dump with its checksum (XOR of all bytes after F0) and its end."""
    body = bytes.fromhex(line)
    return [body + bytes([reduce(xor, body[1:]) & 0x7F, 0xF7])]


def parameter(number: str, *data: str, channel: int = 1) -> list[bytes]:
    """Registered parameter `number`, data entries ``06 xx`` and ``26 xx``, then null."""
    status = f"{0xB0 + channel - 1:02x}"
    rows = [f"65 {number[:2]}", f"64 {number[3:]}", *data, "65 7f", "64 7f"]
    return raw(*(f"{status} {row}" for row in rows))


SELECT = parameter("00 04", "06 00")[:-2] + parameter("00 03", "06 00")
"""Tuning bank 0, then tuning program 0, then null."""

KEYS = "45 45 26 33  40 40 26 33"  # A4 and E4, each 30 cents up
NAME = "53 74 69 6c 6c 20 20 20 20 20 20 20 20 20 20 20"
ALL_KEYS = " ".join(f"{key:02x} 26 33" for key in range(127)) + " 7f 00 00"

SINGLE = raw(f"f0 7f 7f 08 02 00 02 {KEYS} f7")
BULK = summed(f"f0 7e 7f 08 01 00 {NAME} {ALL_KEYS}")

# name: (messages, FluidSynth unselected, FluidSynth selected, TiMidity unselected, TiMidity selected, TinySoundFont)
FACTS: dict[str, tuple[list[bytes], str, str, str, str, str]] = {
    "single note": (SINGLE, "-", "now", "now", "now", "-"),
    "single note, device 0": (raw(f"f0 7f 00 08 02 00 02 {KEYS} f7"), "-", "now", "now", "now", "-"),
    "single note, device 5": (raw(f"f0 7f 05 08 02 00 02 {KEYS} f7"), "-", "-", "now", "now", "-"),
    "single note with bank": (raw(f"f0 7f 7f 08 07 00 00 02 {KEYS} f7"), "-", "now", "-", "-", "-"),
    "single note with bank, not real time": (
        raw(f"f0 7e 7f 08 07 00 00 02 {KEYS} f7"),
        *("-", "new", "-", "-", "-"),
    ),
    "bulk dump": (BULK, "-", "-", "new", "new", "-"),
    "key-based dump": (summed(f"f0 7e 7f 08 04 00 00 {NAME} {ALL_KEYS}"), "-", "-", "-", "-", "-"),
    "octave dump, 1 byte": (summed(f"f0 7e 7f 08 05 00 00 {NAME} {'5e' * 12}"), "-", "-", "-", "-", "-"),
    "octave dump, 2 bytes": (summed(f"f0 7e 7f 08 06 00 00 {NAME} {'531a' * 12}"), "-", "-", "-", "-", "-"),
    "octave, 1 byte": (raw(f"f0 7f 7f 08 08 03 7f 7f {'5e' * 12} f7"), "now", "now", "-", "-", "-"),
    "octave, 1 byte, not real time": (
        raw(f"f0 7e 7f 08 08 03 7f 7f {'5e' * 12} f7"),
        "new",
        "new",
        "-",
        "-",
        "-",
    ),
    "octave, 2 bytes": (raw(f"f0 7f 7f 08 09 03 7f 7f {'531a' * 12} f7"), "now", "now", "-", "-", "-"),
    "octave, 2 bytes, not real time": (
        raw(f"f0 7e 7f 08 09 03 7f 7f {'531a' * 12} f7"),
        *("new", "new", "-", "-", "-"),
    ),
    "master fine tuning": (raw("f0 7f 7f 04 03 1a 53 f7"), "-", "-", "now", "now", "-"),
    "channel fine tuning": (
        parameter("00 01", "06 53", "26 1a", "06 53"),
        *("now", "now", "new", "new", "now"),
    ),
    "pitch bend": (raw("e0 4d 49"), "now", "now", "now", "now", "now"),
    "MPE configuration": (parameter("00 06", "06 0f"), "-", "-", "-", "-", "-"),
}
# TiMidity's master and channel fine tuning count in bend steps.
COARSE_IN_TIMIDITY = {"master fine tuning", "channel fine tuning", "pitch bend"}

EARS: list[tuple[str, Renderer, bool, int]] = [
    ("FluidSynth", synths.render_fluidsynth, False, 1),
    ("FluidSynth selected", synths.render_fluidsynth, True, 2),
    ("TiMidity", synths.render_timidity, False, 3),
    ("TiMidity selected", synths.render_timidity, True, 4),
    ("TinySoundFont", synths.render_tinysoundfont, False, 5),
]


def shifts_cents(
    render: Renderer, font: Path, before: list[bytes], during: list[bytes]
) -> tuple[float, float]:
    """How far a note that already sounded, and one that started afterwards, lie from equal temperament."""
    events = [(0.0, message) for message in before]
    events += [(0.3, b"\x90\x45\x64"), *((1.0, message) for message in during), (1.5, b"\x90\x40\x64")]
    sound = render([*events, (4.0, b"\x80\x45\x00"), (4.0, b"\x80\x40\x00")], font)
    heard = sound.tones_hz([A4_HZ, E4_HZ], 1.7, 2.0, within_cents=140.0)
    return measure.cents(heard[0], A4_HZ), measure.cents(heard[1], E4_HZ)


def shift_cents(render: Renderer, font: Path, events: list[tuple[float, bytes]]) -> float:
    """How far the note A4 that sounds from 1.7 to 3.7 s lies from equal temperament."""
    ends = [(4.0, bytes([0x80 + channel, 0x45, 0])) for channel in (0, 1, 9)]
    sound = render([*events, *ends], font)
    return measure.cents(sound.tone_hz(A4_HZ, 1.7, 2.0, within_cents=140.0), A4_HZ)


def at(time_s: float, messages: list[bytes]) -> list[tuple[float, bytes]]:
    return [(time_s, message) for message in messages]


def note(channel: int = 1, time_s: float = 0.3) -> tuple[float, bytes]:
    return time_s, bytes([0x90 + channel - 1, 0x45, 0x64])


@pytest.mark.parametrize("fact", FACTS)
@pytest.mark.parametrize(
    ("ear", "render", "selected", "column"),
    [*EARS[:-1], pytest.param(*EARS[-1], marks=pytest.mark.fetched)],
    ids=[ear[0] for ear in EARS],
)
def test_which_messages_are_obeyed(
    ear: str, render: Renderer, selected: bool, column: int, fact: str, sine_font: Path
) -> None:
    messages, outcome = FACTS[fact][0], FACTS[fact][column]
    sounding, later = shifts_cents(render, sine_font, SELECT if selected else [], messages)
    if ear.startswith("FluidSynth"):
        # floors: 30 or 29 cents for 29.998
        slack = FLUIDSYNTH_CENTS
    elif ear.startswith("TiMidity"):
        slack = TIMIDITY_BEND_CENTS if fact in COARSE_IN_TIMIDITY else TIMIDITY_CENTS
    else:
        slack = TINYSOUNDFONT_CENTS
    assert sounding == pytest.approx(SHIFT_CENTS if outcome == "now" else 0.0, abs=slack)
    assert later == pytest.approx(0.0 if outcome == "-" else SHIFT_CENTS, abs=slack)


@pytest.mark.parametrize("key", [28, 45, 61, 74, 100])
@pytest.mark.parametrize(("msb", "lsb"), [(0x00, 0x01), (0x13, 0x35), (0x55, 0x2A), (0x7F, 0x7F)])
def test_how_exact_single_notes_are(key: int, msb: int, lsb: int, sine_font: Path) -> None:
    wanted_cents = (msb * 128 + lsb) * 100 / 16384
    message = bytes([0xF0, 0x7F, 0x7F, 0x08, 0x02, 0x00, 0x01, key, key, msb, lsb, 0xF7])
    events = [
        *at(0.0, [message]),
        *at(0.1, SELECT),
        (0.3, bytes([0x90, key, 100])),
        (3.0, bytes([0x80, key, 0])),
    ]
    equal_hz = 440.0 * 2.0 ** ((key - 69) / 12)
    near_hz = equal_hz * 2.0 ** (wanted_cents / 1200)

    def heard_cents(render: Renderer) -> float:
        return measure.cents(render(events, sine_font).tone_hz(near_hz, 0.6, 2.0), equal_hz)

    # Below A3 the table of frequencies in whole millihertz, from which TiMidity plays, is the coarser limit: half a
    # millihertz is 0.021 cents at E1.
    assert heard_cents(synths.render_timidity) == pytest.approx(
        wanted_cents, abs=0.05 if key < 57 else TIMIDITY_CENTS
    )
    in_fluidsynth = heard_cents(synths.render_fluidsynth)
    assert wanted_cents - FLUIDSYNTH_CENTS < in_fluidsynth < wanted_cents + 0.02
    table = synths.fluid_stored_table([message])
    assert table[key] == pytest.approx(100 * key + wanted_cents, abs=1e-9)


@pytest.mark.parametrize("render", [synths.render_fluidsynth, synths.render_timidity])
def test_another_tuning_program_sounds_only_where_it_is_selected(render: Renderer, sine_font: Path) -> None:
    message = at(0.0, raw(f"f0 7f 7f 08 02 05 02 {KEYS} f7"))
    select = parameter("00 03", "06 05")
    assert shift_cents(render, sine_font, [*message, note()]) == pytest.approx(0.0, abs=0.01)
    for events in ([*message, *at(0.1, select)], [*at(0.0, select), *at(0.1, [message[0][1]])]):
        assert shift_cents(render, sine_font, [*events, note()]) == pytest.approx(
            SHIFT_CENTS, abs=FLUIDSYNTH_CENTS
        )
        assert shift_cents(render, sine_font, [*events, note(2)]) == pytest.approx(0.0, abs=0.01)


def test_the_tuning_bank_must_be_chosen_before_the_program(sine_font: Path) -> None:
    message = raw(f"f0 7f 7f 08 07 01 00 02 {KEYS} f7")
    bank, program = parameter("00 04", "06 01"), parameter("00 03", "06 00")
    right = [*at(0.0, [*message, *bank, *program]), note()]
    wrong = [*at(0.0, [*message, *program, *bank]), note()]
    fluidsynth, timidity = synths.render_fluidsynth, synths.render_timidity
    assert shift_cents(fluidsynth, sine_font, right) == pytest.approx(SHIFT_CENTS, abs=FLUIDSYNTH_CENTS)
    assert shift_cents(fluidsynth, sine_font, wrong) == pytest.approx(0.0, abs=0.01)
    assert shift_cents(timidity, sine_font, right) == pytest.approx(0.0, abs=0.01)


def test_all_channels_of_fluidsynth_share_one_octave_table(sine_font: Path) -> None:
    one = at(0.0, raw(f"f0 7f 7f 08 09 00 00 01 {'531a' * 12} f7"))
    two = at(0.1, raw(f"f0 7f 7f 08 09 00 00 02 {'4000' * 12} f7"))
    heard = synths.render_fluidsynth
    assert shift_cents(heard, sine_font, [*one, note(1)]) == pytest.approx(SHIFT_CENTS, abs=FLUIDSYNTH_CENTS)
    assert shift_cents(heard, sine_font, [*one, note(2)]) == pytest.approx(0.0, abs=0.01)
    assert shift_cents(heard, sine_font, [*one, *two, note(1)]) == pytest.approx(0.0, abs=0.01)


def test_drums_stay_out_if_they_are_left_out(sine_font: Path) -> None:
    single = [*at(0.0, SINGLE), *at(0.1, SELECT)]
    for render in (synths.render_fluidsynth, synths.render_timidity):
        assert shift_cents(render, sine_font, [*single, note(10)]) == pytest.approx(0.0, abs=0.01)
    masked = at(0.0, raw(f"f0 7f 7f 08 09 03 7b 7f {'531a' * 12} f7"))  # gg without bit 2, channel 10
    whole = at(0.0, raw(f"f0 7f 7f 08 09 03 7f 7f {'531a' * 12} f7"))
    heard = synths.render_fluidsynth
    assert shift_cents(heard, sine_font, [*masked, note(10)]) == pytest.approx(0.0, abs=0.01)
    assert shift_cents(heard, sine_font, [*whole, note(10)]) == pytest.approx(
        SHIFT_CENTS, abs=FLUIDSYNTH_CENTS
    )


@pytest.mark.parametrize(
    ("reset", "kept_by_fluidsynth"),
    [
        ("f0 7e 7f 09 01 f7", False),  # GM on
        ("f0 7e 7f 09 03 f7", False),  # GM2 on
        ("f0 41 10 42 12 40 00 7f 00 41 f7", True),  # GS reset
        ("f0 43 10 4c 00 00 7e 00 f7", True),  # XG on
    ],
    ids=["GM", "GM2", "GS", "XG"],
)
def test_a_reset_takes_tuning_and_bend_range_away(
    reset: str, kept_by_fluidsynth: bool, sine_font: Path
) -> None:
    tuned = [*at(0.0, [*SINGLE, *SELECT]), *at(0.2, raw(reset)), note()]
    # 1229 steps: 30 cents at +-2 semitones, 180 at the +-12 that were asked for before the reset
    bent = [*at(0.0, parameter("00 00", "06 0c")), *at(0.2, raw(reset)), *at(0.25, raw("e0 4d 49")), note()]
    for render in (synths.render_fluidsynth, synths.render_timidity):
        kept = kept_by_fluidsynth and render is synths.render_fluidsynth
        if kept:
            assert shift_cents(render, sine_font, tuned) == pytest.approx(SHIFT_CENTS, abs=FLUIDSYNTH_CENTS)
        else:
            assert shift_cents(render, sine_font, tuned) == pytest.approx(0.0, abs=0.01)
            assert shift_cents(render, sine_font, bent) == pytest.approx(SHIFT_CENTS, abs=FLUIDSYNTH_CENTS)


@pytest.mark.parametrize("render", [synths.render_fluidsynth, synths.render_timidity])
def test_a_bend_adds_to_a_tuning(render: Renderer, sine_font: Path) -> None:
    events = [*at(0.0, [*SINGLE, *SELECT]), *at(0.2, raw("e0 4d 49")), note()]
    assert shift_cents(render, sine_font, events) == pytest.approx(2 * SHIFT_CENTS, abs=FLUIDSYNTH_CENTS)


def test_timidity_sounding_notes_follow_a_dump_at_the_next_selection(sine_font: Path) -> None:
    dump = [note(), *at(1.0, BULK)]
    heard = synths.render_timidity
    assert shift_cents(heard, sine_font, dump) == pytest.approx(0.0, abs=0.01)
    selected = [*dump, *at(1.2, parameter("00 03", "06 00"))]
    assert shift_cents(heard, sine_font, selected) == pytest.approx(SHIFT_CENTS, abs=TIMIDITY_CENTS)


def test_timidity_does_not_verify_the_checksum(sine_font: Path) -> None:
    wrong = bytearray(BULK[0])
    wrong[-2] ^= 0x55
    events = [*at(0.0, [bytes(wrong)]), note()]
    assert shift_cents(synths.render_timidity, sine_font, events) == pytest.approx(
        SHIFT_CENTS, abs=TIMIDITY_CENTS
    )


@pytest.mark.fetched
@pytest.mark.parametrize("value", [0, 3000, 8192 - 170, 8192 + 205, 9421, 13_000, 16_383])
@pytest.mark.parametrize("range_semitones", [2, 4, 12, 24, 48])
def test_what_a_bend_sounds_like(range_semitones: int, value: int, sine_font: Path) -> None:
    asked_cents = (value - 8192) * 100 * range_semitones / 8192
    ask = parameter("00 00", f"06 {range_semitones:02x}", "26 00")
    note_events = [(0.3, b"\x90\x45\x64"), (2.5, b"\x80\x45\x00")]
    events = [*at(0.0, ask), (0.2, bytes([0xE0, value & 0x7F, value >> 7])), *note_events]

    def heard_cents(render: Renderer, near_cents: float) -> float:
        near_hz = A4_HZ * 2.0 ** (near_cents / 1200)
        return measure.cents(render(events, sine_font).tone_hz(near_hz, 0.6, 1.7), A4_HZ)

    # FluidSynth takes the range for 127 parts of 128, so that every bend falls short by 0.8 per cent (1.6 cents at the
    # end of +-2 semitones, 0.4 at 50 cents), and then floors the pitch to whole cents.
    in_fluidsynth = math.floor(asked_cents * 127 / 128)
    assert heard_cents(synths.render_fluidsynth, in_fluidsynth) == pytest.approx(in_fluidsynth, abs=0.01)

    in_timidity = asked_cents * min(1.0, 24 / range_semitones)
    assert heard_cents(synths.render_timidity, in_timidity) == pytest.approx(
        in_timidity, abs=TIMIDITY_BEND_CENTS
    )

    # TinySoundFont spreads 0 to 16383 over the whole range, so 8191.5 is its centre (8192 itself is taken as none): a
    # bend sounds up to a step high, 0.024 cents at +-2 and 0.59 at +-48.
    in_tinysoundfont = (2 * value / 16383 - 1) * 100 * range_semitones
    assert heard_cents(synths.render_tinysoundfont, in_tinysoundfont) == pytest.approx(
        in_tinysoundfont, abs=0.003
    )
    assert 0.0 <= in_tinysoundfont - asked_cents <= 100 * range_semitones / 8192


@pytest.mark.parametrize(
    ("render", "again", "sounding_cents"),
    [
        (synths.render_fluidsynth, False, 178.0),  # 127/128 of it, floored
        (synths.render_fluidsynth, True, 178.0),
        (synths.render_timidity, False, 30.0),
        (synths.render_timidity, True, 180.0),
        pytest.param(synths.render_tinysoundfont, False, 180.0, marks=pytest.mark.fetched),
        pytest.param(synths.render_tinysoundfont, True, 180.0, marks=pytest.mark.fetched),
    ],
)
def test_whether_a_sounding_note_follows_a_new_bend_range(
    render: Renderer, again: bool, sounding_cents: float, sine_font: Path
) -> None:
    """A bend of 1229 steps is 30 cents at +-2 semitones and 180 at +-12; with the bend sent again, or without."""
    bend = raw("e0 4d 49")
    change = [*parameter("00 00", "06 0c", "26 00"), *(raw("e0 4c 49") + bend if again else [])]
    events = [*at(0.1, parameter("00 00", "06 02", "26 00")), *at(0.2, bend), note(), *at(1.0, change)]
    ends = [(4.0, b"\x80\x45\x00")]
    sound = render([*events, *ends], sine_font)
    heard_hz = sound.tone_hz(A4_HZ * 2.0 ** (sounding_cents / 1200), 1.7, 2.0)
    assert measure.cents(heard_hz, A4_HZ) == pytest.approx(sounding_cents, abs=TIMIDITY_BEND_CENTS)


@pytest.mark.fetched
@pytest.mark.parametrize(
    ("data", "in_fluidsynth_cents"),
    [
        (("06 53",), 29.0),  # MSB 53 alone: 29.69 cents, floored
        (("06 53", "26 1a"), 29.0),  # the LSB comes too late
        (("26 1a", "06 53"), 30.0),  # 29.998 cents; the LSB was there
        (("06 53", "26 1a", "06 53"), 30.0),
    ],
)
def test_fine_tuning_in_fluidsynth_acts_on_the_msb_with_the_lsb_seen_before(
    data: tuple[str, ...], in_fluidsynth_cents: float, sine_font: Path
) -> None:
    events = [*at(0.0, parameter("00 01", *data)), note()]
    heard = shift_cents(synths.render_fluidsynth, sine_font, events)
    assert heard == pytest.approx(in_fluidsynth_cents, abs=0.01)
    # TiMidity takes the MSB only; TinySoundFont both, whichever comes last
    assert shift_cents(synths.render_timidity, sine_font, events) == pytest.approx(29.69, abs=0.02)
    both = 29.998 if len(data) > 1 else 29.6875
    assert shift_cents(synths.render_tinysoundfont, sine_font, events) == pytest.approx(both, abs=0.01)


@pytest.mark.parametrize(
    ("request_bytes", "length", "header", "left_out"),
    [
        ("f0 7e 7f 08 00 00 f7", 408, "f0 7e 00 08 01 00", "device and name"),
        ("f0 7e 7f 08 03 00 00 f7", 409, "f0 7e 00 08 01 00 00", "universal header"),
    ],
    ids=["without bank", "with bank"],
)
def test_fluidsynth_answers_a_dump_request_with_a_checksum_of_its_own(
    request_bytes: str, length: int, header: str, left_out: str
) -> None:
    with synths.FluidSynthLibrary() as synth:
        for message in [*SINGLE, *SELECT]:
            assert synth.send(message) == b""
        answer = synth.send(bytes.fromhex(request_bytes))
    head = bytes.fromhex(header)  # sub-ID 01 in both, also where 04 was to be expected
    assert len(answer) == length
    assert answer.startswith(head)
    name, data = answer[len(head) : len(head) + 16], answer[len(head) + 16 : -2]
    assert data[3 * 69 : 3 * 70] == bytes.fromhex("45 26 33")
    assert data[3 * 60 : 3 * 61] == bytes.fromhex("3c 00 00")
    if left_out == "device and name":
        counted = head[1:2] + head[3:] + data
    else:
        counted = head[2:] + name + data
    assert answer[-2] == reduce(xor, counted) & 0x7F
