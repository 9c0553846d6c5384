"""The messages that are sent to a synth to find out what it obeys, all about one test key.

Shifts asked for go down by `SHIFT_CENTS`: every form of every message can hold them, and a player hears them. Tuning
program 0 of bank 0 is used, because some synths follow it unselected, and program 1 and bank 1 where it must be shown
that choosing them works. Single notes name the test key alone; scale/octave messages its pitch class and one channel
alone; dumps name all keys, equal but for the test key.

Conventions: channels are 1 to 16; cents; messages are whole.

Sources: MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020, CA-021, CA-025.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from bridge.wire import mts, rpn
from bridge.wire.bend import CENTRE, MAX_VALUE, bend_message

SHIFT_CENTS = -60.0
ALL_DEVICES = 0x7F
PROGRAM, OTHER_PROGRAM, OTHER_BANK = 0, 1, 1
_NAME = "probe"

Carrier = Literal["note", "note-bank", "octave", "dump"]
"""A tuning message that a synth was found to obey, used to try something else."""


@dataclass(frozen=True)
class Place:
    """Where trials are held."""

    key: int = 69  # the test key
    # Channels that are heard; `other` may be the same where there is only one.
    channel: int = 1
    other: int = 2
    device_id: int = ALL_DEVICES


def frequency_data(key: int, cents: float) -> int:
    """Return the 21-bit frequency data of a key shifted by some cents, to the nearest step."""
    return round((key + cents / 100.0) * 16384)


def _whole_table(key: int, cents: float) -> tuple[int, ...]:
    return tuple(frequency_data(each, cents if each == key else 0.0) for each in range(128))


def note_message(
    place: Place, cents: float, program: int = PROGRAM, bank: int | None = None, realtime: bool = True
) -> bytes:
    """Return a single note tuning change of the test key."""
    pair = (place.key, frequency_data(place.key, cents))
    return mts.encode(mts.NoteTuning(place.device_id, program, (pair,), bank, realtime))


def dump_message(place: Place, cents: float, program: int = PROGRAM, bank: int | None = None) -> bytes:
    """Return a dump of a whole tuning program, equal but for the test key."""
    return mts.encode(mts.BulkDump(place.device_id, program, _NAME, _whole_table(place.key, cents), bank))


def _offsets(place: Place, cents: float, form: Literal[1, 2]) -> tuple[int, ...]:
    return tuple(
        mts.cents_to_offset(cents if pitch_class == place.key % 12 else 0.0, form)[0]
        for pitch_class in range(12)
    )


def octave_message(
    place: Place, cents: float, form: Literal[1, 2] = 2, realtime: bool = True, channel: int | None = None
) -> bytes:
    """Return a scale/octave tuning of the test key's pitch class on one channel."""
    channels = (channel or place.channel,)
    return mts.encode(
        mts.OctaveTuning(place.device_id, channels, _offsets(place, cents, form), form, realtime)
    )


def octave_dump_message(place: Place, cents: float, form: Literal[1, 2]) -> bytes:
    """Return a stored scale/octave table that shifts the test key's pitch class."""
    return mts.encode(mts.OctaveDump(place.device_id, 0, PROGRAM, _NAME, _offsets(place, cents, form), form))


def master_message(place: Place, cents: float) -> bytes:
    """Return master fine tuning."""
    return mts.encode(mts.MasterFineTuning(place.device_id, cents))


def bend_by(channel: int, steps: int) -> bytes:
    """Return a pitch bend by so many of 8192 steps, as far as the wire holds."""
    return bend_message(channel, min(max(CENTRE + steps, 0), MAX_VALUE))


def carrier_message(place: Place, carrier: Carrier, cents: float, program: int = PROGRAM) -> bytes:
    """Return the message of a carrier that shifts the test key."""
    match carrier:
        case "note":
            return note_message(place, cents, program)
        case "note-bank":
            return note_message(place, cents, program, 0)
        case "octave":
            return octave_message(place, cents)
        case "dump":
            return dump_message(place, cents, program)


def select_messages(
    place: Place, program: int = PROGRAM, bank: int = 0, bank_rpn: bool = True
) -> tuple[bytes, ...]:
    """Return what makes the test channel follow a tuning program."""
    return tuple(rpn.select_tuning(place.channel, bank, program, bank_rpn))


def restore(channels: Sequence[int]) -> list[bytes]:
    """Return what brings channels back at the very end: no bend, a range of two semitones, no fine tuning, null."""
    out: list[bytes] = []
    for channel in channels:
        out += [bend_by(channel, 0), *rpn.bend_range(channel, 2), *rpn.fine_tuning(channel, 0.0)]
    return out
