"""What is tried on a synth to find out what it obeys: trials as data.

A `Trial` is a few steps on one key of one channel. Each step sends messages, strikes the key anew or lets it sound on,
and then the pitch is heard; it counts from the pitch at the first step. The usual trial has three steps: the key
sounds; a message asks for a shift while it sounds on; the key is struck again. What has moved tells whether sounding
notes follow (*now*), only later ones (*new*), or none.

Every trial brings along what takes it back (`Trial.undo`), so that leaving in its middle is one list of messages.

Conventions: channels are 1 to 16; cents; messages are whole.

Index: `Step`, `Trial`; `usual`, `control`; the builders of trials of tunings, their selection, fine tuning and device
IDs. Those of bends stand in `bridge.engine.probe.bends`.

Sources: MIDI 1.0 Detailed Specification, "MIDI Tuning"; CA-020, CA-021, CA-025; *MIDI Polyphonic Expression* (2018).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from bridge.engine.probe.messages import (
    OTHER_BANK,
    OTHER_PROGRAM,
    PROGRAM,
    SHIFT_CENTS,
    Carrier,
    Place,
    carrier_message,
    dump_message,
    master_message,
    note_message,
    octave_dump_message,
    octave_message,
    select_messages,
)
from bridge.wire import rpn


@dataclass(frozen=True)
class Step:
    """Something sent, and then a pitch heard."""

    messages: tuple[bytes, ...] = ()  # sent first
    strike: bool = True  # whether the key is struck anew after them; else it sounds on
    precise: bool = False  # whether to listen longer


@dataclass(frozen=True)
class Trial:
    """One question to a synth."""

    name: str  # for scripts
    # For readers: in plain words, and in MIDI's.
    label: str
    message: str
    channel: int  # on which the key is struck
    steps: tuple[Step, ...]
    undo: tuple[bytes, ...]  # takes back all that the steps did; may be sent at any moment
    wanted_cents: float = SHIFT_CENTS  # shift that the usual trial asks for


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
    before = select_messages(place) if selected else ()
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
                octave_dump_message(place, SHIFT_CENTS, 1),
                octave_dump_message(place, 0.0, 1),
            ),
            (
                "octave-dump-2",
                "stored octave table, fine",
                "7E 08 06",
                octave_dump_message(place, SHIFT_CENTS, 2),
                octave_dump_message(place, 0.0, 2),
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
        (*select_messages(place), carrier_message(place, carrier, SHIFT_CENTS, OTHER_PROGRAM)),
        rpn.select_tuning(place.channel, 0, OTHER_PROGRAM, bank_rpn=False),
        (*select_messages(place), carrier_message(place, carrier, 0.0, OTHER_PROGRAM)),
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
        (*select_messages(place), note_message(place, SHIFT_CENTS, PROGRAM, OTHER_BANK)),
        (*change, *rpn.rpn_null(place.channel)),
        (*select_messages(place), note_message(place, 0.0, PROGRAM, OTHER_BANK)),
    )


def bank_ignored(place: Place, carrier: Carrier) -> Trial:
    """Return the trial whether RPN 00 04 is passed over: what follows is a tuning of another bank if it is obeyed."""
    return replace(
        program_select(place, carrier),
        name="select-bank-empty",
        label="choosing a bank of tunings",
        message="RPN 00 04, then 00 03",
        steps=(
            Step((*select_messages(place), carrier_message(place, carrier, SHIFT_CENTS, OTHER_PROGRAM))),
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
        (master_message(place, SHIFT_CENTS),),
        (master_message(place, 0.0),),
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


TUNING_POINTS = (-60.3, -47.55, -33.8, 21.3, 42.45, 55.75)
"""Cents asked of a tuning to see how it is rounded."""


def tuning_points(place: Place, carrier: Carrier) -> Trial:
    """Return the trial of how exactly a tuning is obeyed."""
    first = Step((*select_messages(place), carrier_message(place, carrier, 0.0)), precise=True)
    others = tuple(Step((carrier_message(place, carrier, cents),), precise=True) for cents in TUNING_POINTS)
    return Trial(
        "tuning-exactness",
        "how exact tunings are",
        "",
        place.channel,
        (first, *others),
        (carrier_message(place, carrier, 0.0), note_message(place, 0.0)),
    )


def device(place: Place, carrier: Carrier, device_id: int) -> Trial:
    """Return the trial whether messages for some device ID are obeyed."""
    there = replace(place, device_id=device_id)
    return usual(
        f"device-{device_id}",
        f"messages for device {device_id}",
        f"device ID {device_id:02X}",
        place.channel,
        select_messages(place),
        (carrier_message(there, carrier, SHIFT_CENTS),),
        (carrier_message(place, carrier, 0.0), carrier_message(there, carrier, 0.0)),
    )
