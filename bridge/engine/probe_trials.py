"""What is tried on a synth to find out what it obeys: trials as data.

A `Trial` is a few steps on one key of one channel. Each step sends messages, strikes the key anew or lets it sound on,
and then the pitch is heard; it counts from the pitch at the first step. The usual trial has three steps: the key
sounds; a message asks for a shift while it sounds on; the key is struck again. What has moved tells whether sounding
notes follow (*now*), only later ones (*new*), or none.

Every trial brings along what takes it back (`Trial.undo`), so that leaving in its middle is one list of messages.

Shifts asked for go down by `SHIFT_CENTS`: every form of every message can hold them, and a player hears them. Tuning
program 0 of bank 0 is used, because some synths follow it unselected, and program 1 and bank 1 where it must be shown
that choosing them works. Single notes name the test key alone; scale/octave messages its pitch class and the test
channel alone; dumps name all keys, equal but for the test key.

Conventions: channels are 1 to 16; cents; messages are whole.

Index: `Step`, `Trial`, `Place`; the builders of trials; `restore`, what brings a channel back at the end.

Sources: MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020, CA-021, CA-025; *MIDI Polyphonic Expression* (2018).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
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
class Step:
    """Something sent, and then a pitch heard.

    Attributes
    ----------
    messages : tuple of bytes
        Sent first.
    strike : bool
        Whether the key is struck anew after them; else it sounds on.
    precise : bool
        Whether to listen longer.
    """

    messages: tuple[bytes, ...] = ()
    strike: bool = True
    precise: bool = False


@dataclass(frozen=True)
class Trial:
    """One question to a synth.

    Attributes
    ----------
    name : str
        For scripts.
    label, message : str
        For readers: in plain words, and in MIDI's.
    channel : int
        On which the key is struck.
    steps : tuple of Step
    undo : tuple of bytes
        Takes back all that the steps did; may be sent at any moment.
    wanted_cents : float
        Shift that the usual trial asks for.
    """

    name: str
    label: str
    message: str
    channel: int
    steps: tuple[Step, ...]
    undo: tuple[bytes, ...]
    wanted_cents: float = SHIFT_CENTS


@dataclass(frozen=True)
class Place:
    """Where trials are held.

    Attributes
    ----------
    key : int
        The test key.
    channel, other : int
        Channels that are heard; `other` may be the same where there is only one.
    device_id : int
    """

    key: int = 69
    channel: int = 1
    other: int = 2
    device_id: int = ALL_DEVICES


# ---- messages ------------------------------------------------------------------------------------------------------


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


def _octave_dump(place: Place, cents: float, form: Literal[1, 2]) -> bytes:
    return mts.encode(mts.OctaveDump(place.device_id, 0, PROGRAM, _NAME, _offsets(place, cents, form), form))


def _master(place: Place, cents: float) -> bytes:
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


def _select(place: Place, program: int = PROGRAM, bank: int = 0, bank_rpn: bool = True) -> tuple[bytes, ...]:
    return tuple(rpn.select_tuning(place.channel, bank, program, bank_rpn))


def restore(channels: Sequence[int]) -> list[bytes]:
    """Return what brings channels back at the very end: no bend, a range of two semitones, no fine tuning, null."""
    out: list[bytes] = []
    for channel in channels:
        out += [bend_by(channel, 0), *rpn.bend_range(channel, 2), *rpn.fine_tuning(channel, 0.0)]
    return out


# ---- trials --------------------------------------------------------------------------------------------------------


def usual(
    name: str,
    label: str,
    message: str,
    channel: int,
    before: Sequence[bytes],
    change: Sequence[bytes],
    undo: Sequence[bytes],
    wanted_cents: float = SHIFT_CENTS,
) -> Trial:
    """Return a trial of three steps: the key sounds, the change comes while it sounds, the key is struck again."""
    steps = (Step(tuple(before)), Step(tuple(change), strike=False), Step())
    return Trial(name, label, message, channel, steps, tuple(undo), wanted_cents)


def control(place: Place) -> Trial:
    """Return a trial in which nothing changes."""
    steps = (Step(), Step(strike=False), Step())
    return Trial("control", "the same note again", "", place.channel, steps, (), 0.0)


def tuning_trials(place: Place, selected: bool) -> list[Trial]:
    """Return the trials of messages that write into a tuning program, with the channel following it or as it is.

    As it is, a channel may follow program 0 because the synth begins so, or because it was told to before: that cannot
    be told apart, and is not. Only the forms that some synth obeys so are then tried.
    """
    before = _select(place) if selected else ()
    follow = "" if selected else ", channel as found"
    end = "" if selected else "-unselected"
    back = (note_message(place, 0.0), note_message(place, 0.0, PROGRAM, 0))
    rows: list[tuple[str, str, str, bytes, bytes]] = [
        (
            "note",
            "single notes",
            "7F 08 02",
            note_message(place, SHIFT_CENTS),
            note_message(place, 0.0),
        ),
        (
            "note-bank",
            "single notes, with bank",
            "7F 08 07",
            note_message(place, SHIFT_CENTS, PROGRAM, 0),
            note_message(place, 0.0, PROGRAM, 0),
        ),
        (
            "dump",
            "whole table",
            "7E 08 01",
            dump_message(place, SHIFT_CENTS),
            dump_message(place, 0.0),
        ),
    ]
    if selected:
        rows[2:2] = [
            (
                "note-bank-later",
                "single notes, with bank, for later notes",
                "7E 08 07",
                note_message(place, SHIFT_CENTS, PROGRAM, 0, False),
                note_message(place, 0.0, PROGRAM, 0, False),
            )
        ]
        rows += [
            (
                "dump-bank",
                "whole table, with bank",
                "7E 08 04",
                dump_message(place, SHIFT_CENTS, PROGRAM, 0),
                dump_message(place, 0.0, PROGRAM, 0),
            ),
            (
                "octave-dump-1",
                "stored octave table, whole cents",
                "7E 08 05",
                _octave_dump(place, SHIFT_CENTS, 1),
                _octave_dump(place, 0.0, 1),
            ),
            (
                "octave-dump-2",
                "stored octave table, fine",
                "7E 08 06",
                _octave_dump(place, SHIFT_CENTS, 2),
                _octave_dump(place, 0.0, 2),
            ),
        ]
    return [
        usual(name + end, label + follow, message, place.channel, before, (change,), (undo, *back))
        for name, label, message, change, undo in rows
    ]


def octave_trials(place: Place) -> list[Trial]:
    """Return the trials of scale/octave tuning in its four forms."""
    forms: list[tuple[str, str, Literal[1, 2], bool]] = [
        ("octave-1", "octave table, whole cents", 1, True),
        ("octave-2", "octave table, fine", 2, True),
        ("octave-1-later", "octave table, whole cents, for later notes", 1, False),
        ("octave-2-later", "octave table, fine, for later notes", 2, False),
    ]
    return [
        usual(
            name,
            label,
            f"{'7F' if realtime else '7E'} 08 0{7 + form}",
            place.channel,
            (),
            (octave_message(place, SHIFT_CENTS, form, realtime),),
            (
                octave_message(place, 0.0, form, realtime),
                octave_message(place, 0.0, form, True),
                note_message(place, 0.0),
            ),
        )
        for name, label, form, realtime in forms
    ]


def shared_octave(place: Place, form: Literal[1, 2]) -> Trial:
    """Return the trial whether an octave table for another channel wipes this channel's."""
    return usual(
        "octave-shared",
        "one octave table for all channels",
        f"7F 08 0{7 + form}",
        place.channel,
        (octave_message(place, SHIFT_CENTS, form),),
        (octave_message(place, 0.0, form, channel=place.other),),
        (octave_message(place, 0.0, form), note_message(place, 0.0)),
        -SHIFT_CENTS,
    )


def program_select(place: Place, carrier: Carrier) -> Trial:
    """Return the trial whether RPN 00 03 alone chooses a tuning program."""
    return usual(
        "select-program",
        "choosing a tuning",
        "RPN 00 03",
        place.channel,
        (*_select(place), carrier_message(place, carrier, SHIFT_CENTS, OTHER_PROGRAM)),
        rpn.select_tuning(place.channel, 0, OTHER_PROGRAM, bank_rpn=False),
        (*_select(place), carrier_message(place, carrier, 0.0, OTHER_PROGRAM)),
    )


def bank_select(place: Place, bank_first: bool) -> Trial:
    """Return the trial whether RPN 00 04 chooses a tuning bank, before or after RPN 00 03; needs 08 07 to be obeyed."""
    bank = rpn.rpn(place.channel, rpn.TUNING_BANK, OTHER_BANK)
    program = rpn.rpn(place.channel, rpn.TUNING_PROGRAM, PROGRAM)
    change = [*bank, *program] if bank_first else [*program, *bank]
    return usual(
        "select-bank" if bank_first else "select-bank-late",
        "choosing a bank of tunings" if bank_first else "choosing the bank after the tuning",
        "RPN 00 04, then 00 03" if bank_first else "RPN 00 03, then 00 04",
        place.channel,
        (*_select(place), note_message(place, SHIFT_CENTS, PROGRAM, OTHER_BANK)),
        (*change, *rpn.rpn_null(place.channel)),
        (*_select(place), note_message(place, 0.0, PROGRAM, OTHER_BANK)),
    )


def bank_ignored(place: Place, carrier: Carrier) -> Trial:
    """Return the trial whether RPN 00 04 is passed over: what follows is a tuning of another bank if it is obeyed."""
    return replace(
        program_select(place, carrier),
        name="select-bank-empty",
        label="choosing a bank of tunings",
        message="RPN 00 04, then 00 03",
        steps=(
            Step((*_select(place), carrier_message(place, carrier, SHIFT_CENTS, OTHER_PROGRAM))),
            Step(tuple(rpn.select_tuning(place.channel, OTHER_BANK, OTHER_PROGRAM)), strike=False),
            Step(),
        ),
    )


def master_fine(place: Place) -> Trial:
    """Return the trial of master fine tuning."""
    return usual(
        "master-fine",
        "master fine tuning",
        "7F 04 03",
        place.channel,
        (),
        (_master(place, SHIFT_CENTS),),
        (_master(place, 0.0),),
    )


def channel_fine(place: Place) -> Trial:
    """Return the trial of channel fine tuning, sent so that every order of its parts is obeyed."""
    return usual(
        "channel-fine",
        "channel fine tuning",
        "RPN 00 01",
        place.channel,
        rpn.fine_tuning(place.channel, 0.0),
        rpn.fine_tuning(place.channel, SHIFT_CENTS),
        rpn.fine_tuning(place.channel, 0.0),
    )


FINE_MSB, FINE_LSB = 26, 127


def channel_fine_order(place: Place) -> Trial:
    """Return the trial of which part of channel fine tuning acts: MSB then LSB, then LSB before MSB."""
    channel = place.channel
    msb, low, none = (
        bytes((0xB0 | channel - 1, controller, value))
        for controller, value in ((rpn.DATA_MSB, FINE_MSB), (rpn.DATA_LSB, FINE_LSB), (rpn.DATA_LSB, 0))
    )
    begin = rpn.rpn(channel, rpn.FINE_TUNING, 64)[:2]
    null = rpn.rpn_null(channel)
    return Trial(
        "channel-fine-order",
        "parts of channel fine tuning",
        "RPN 00 01",
        channel,
        (
            Step(tuple(rpn.fine_tuning(channel, 0.0)), precise=True),
            Step((*begin, none, msb, low, *null), precise=True),
            Step((*begin, low, msb, *null), precise=True),
        ),
        tuple(rpn.fine_tuning(channel, 0.0)),
    )


BEND_STEPS = -4096
"""Half a bend down: a semitone at the usual range of two."""


def bend_as_it_is(place: Place) -> Trial:
    """Return the trial of pitch bend, with whatever range the channel has."""
    return usual(
        "bend",
        "pitch bend",
        "E0",
        place.channel,
        (bend_by(place.channel, 0),),
        (bend_by(place.channel, BEND_STEPS),),
        (bend_by(place.channel, 0),),
        -100.0,
    )


RANGE_STEPS = -410
_TRIED_RANGE = 12


def bend_range(place: Place) -> Trial:
    """Return the trial of the bend range: a small bend grows sixfold when the range does."""
    channel = place.channel
    return usual(
        "bend-range",
        "bend range",
        "RPN 00 00",
        channel,
        (*rpn.bend_range(channel, 2), bend_by(channel, RANGE_STEPS)),
        rpn.bend_range(channel, _TRIED_RANGE),
        (bend_by(channel, 0), *rpn.bend_range(channel, 2)),
        RANGE_STEPS / CENTRE * 100 * (_TRIED_RANGE - 2),
    )


def range_steps(semitones: int) -> int:
    """Return the bend steps that ask for the usual shift at some range."""
    return round(SHIFT_CENTS / 100 / semitones * CENTRE)


def wide_range(place: Place, semitones: int) -> Trial:
    """Return the trial of how far a bend goes after a range was asked for; two steps."""
    channel = place.channel
    return Trial(
        f"bend-range-{semitones}",
        f"bend range of {semitones} semitones",
        "RPN 00 00",
        channel,
        (
            Step((*rpn.bend_range(channel, 2), bend_by(channel, 0))),
            Step((*rpn.bend_range(channel, semitones), bend_by(channel, range_steps(semitones)))),
        ),
        (bend_by(channel, 0), *rpn.bend_range(channel, 2)),
        range_steps(semitones) / CENTRE * 100 * semitones,
    )


BEND_POINTS = (8191, -8192, 5021, -3307, 1233, -777)
"""Steps of 8192 whose cents fall between whole ones differently, with and without the usual flaws."""


def bend_points(place: Place) -> Trial:
    """Return the trial of how exactly bends are obeyed, at a range of two semitones."""
    channel = place.channel
    first = Step((*rpn.bend_range(channel, 2), bend_by(channel, 0)), precise=True)
    others = tuple(Step((bend_by(channel, steps),), precise=True) for steps in BEND_POINTS)
    return Trial(
        "bend-exactness",
        "how exact bends are",
        "E0",
        channel,
        (first, *others),
        (bend_by(channel, 0), *rpn.bend_range(channel, 2)),
    )


TUNING_POINTS = (-60.3, -47.55, -33.8, 21.3, 42.45, 55.75)
"""Cents asked of a tuning to see how it is rounded."""


def tuning_points(place: Place, carrier: Carrier) -> Trial:
    """Return the trial of how exactly a tuning is obeyed."""
    first = Step((*_select(place), carrier_message(place, carrier, 0.0)), precise=True)
    others = tuple(Step((carrier_message(place, carrier, cents),), precise=True) for cents in TUNING_POINTS)
    return Trial(
        "tuning-exactness",
        "how exact tunings are",
        "",
        place.channel,
        (first, *others),
        (carrier_message(place, carrier, 0.0), note_message(place, 0.0)),
    )


MPE_STEPS = range_steps(48)
_MPE_MANAGER = 1


def mpe_zone(place: Place, member: int) -> Trial:
    """Return the trial of an MPE zone: its members bend by 48 semitones without being told."""
    undo = (
        bend_by(member, 0),
        *rpn.mpe_configuration(_MPE_MANAGER, 0),
        bend_by(_MPE_MANAGER, 0),
        *rpn.bend_range(member, 2),
    )
    return usual(
        "mpe",
        "MPE zone",
        "RPN 00 06",
        member,
        (*rpn.bend_range(member, 2), *rpn.mpe_configuration(_MPE_MANAGER, 15)),
        (bend_by(member, MPE_STEPS),),
        undo,
        MPE_STEPS / CENTRE * 4800,
    )


def mpe_range(place: Place, member: int) -> Trial:
    """Return the trial whether members of an MPE zone accept another bend range: twelve semitones."""
    steps = range_steps(12)
    zone = mpe_zone(place, member)
    return usual(
        "mpe-range",
        "bend range inside an MPE zone",
        "RPN 00 00",
        member,
        (*rpn.mpe_configuration(_MPE_MANAGER, 15), *rpn.bend_range(member, 12)),
        (bend_by(member, steps),),
        zone.undo,
        steps / CENTRE * 1200,
    )


def device(place: Place, carrier: Carrier, device_id: int) -> Trial:
    """Return the trial whether messages for some device ID are obeyed."""
    there = replace(place, device_id=device_id)
    return usual(
        f"device-{device_id}",
        f"messages for device {device_id}",
        f"device ID {device_id:02X}",
        place.channel,
        _select(place),
        (carrier_message(there, carrier, SHIFT_CENTS),),
        (carrier_message(place, carrier, 0.0), carrier_message(there, carrier, 0.0)),
    )
