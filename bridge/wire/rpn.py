"""Registered parameters (RPN): the sequences to send, and a reader that follows those received.

Conventions: channels are 1 to 16; a parameter is a pair ``(msb, lsb)``; each builder returns a list of three-byte
messages that ends with the null parameter, so that a stray data entry later changes nothing (`bend_range` may leave
it out). Data entry is 14 bits, ``msb << 7 | lsb``; each parameter says what that means.

===========  ======================  ==========================================================================
parameter    name                    data entry
===========  ======================  ==========================================================================
00 00        bend range              semitones in the MSB, cents in the LSB
00 01        channel fine tuning     14 bits, centre 8192, ±100 cents
00 02        channel coarse tuning   semitones in the MSB, centre 64
00 03        tuning program          program in the MSB
00 04        tuning bank             bank in the MSB
00 05        modulation depth        followed by the reader, not sent
00 06        MPE configuration       number of member channels in the MSB
7F 7F        null                    none
===========  ======================  ==========================================================================

Where this departs from the letter of the specification, and why: fine tuning sends its data entry as MSB, LSB,
MSB, LSB. Some receivers act on the MSB only, with the LSB they saw before it (measured with FluidSynth 2.3.1);
others set the LSB to zero when an MSB arrives, as the specification says. This order ends right in both. The
reader keeps the LSB that it has seen since the parameter was selected, as synthesizers do.

Index: `rpn`, `rpn_null`, `bend_range`, `fine_tuning`, `select_tuning`, `mpe_configuration`,
`fine_tuning_data`, `fine_tuning_cents`; `RpnReader`, `RpnChange`.

Sources: MIDI 1.0 Detailed Specification, "Registered Parameter Numbers"; RP-015 (Response to Reset All
Controllers); RP-018 (Response to Data Increment and Decrement); CA-020; *MIDI Polyphonic Expression* (2018).
"""

from __future__ import annotations

import math
from typing import NamedTuple, TypeAlias

from bridge.errors import ValueProblem

Parameter: TypeAlias = tuple[int, int]

BEND_RANGE: Parameter = (0, 0)
FINE_TUNING: Parameter = (0, 1)
COARSE_TUNING: Parameter = (0, 2)
TUNING_PROGRAM: Parameter = (0, 3)
TUNING_BANK: Parameter = (0, 4)
MODULATION_DEPTH: Parameter = (0, 5)
MPE_CONFIGURATION: Parameter = (0, 6)
NULL: Parameter = (0x7F, 0x7F)

DATA_MSB, DATA_LSB, INCREMENT, DECREMENT = 6, 38, 96, 97
NRPN_LSB, NRPN_MSB, RPN_LSB, RPN_MSB = 98, 99, 100, 101
RESET_ALL_CONTROLLERS = 121

FINE_STEP_CENTS = 100 / 8192
"""One step of channel and master fine tuning, 0.0122 cents (exact in binary)."""


def _control(channel: int, controller: int, value: int) -> bytes:
    return bytes((0xB0 | channel - 1, controller, value))


def _check(name: str, value: int, low: int, high: int, hint: str = "") -> None:
    if not low <= value <= high:
        raise ValueProblem(f"{name} {value} is out of range", hint or f"allowed: {low} to {high}")


def rpn(
    channel: int, number: Parameter, msb: int, lsb: int | None = None, repeat_msb: bool = False
) -> list[bytes]:
    """Return the messages that set a registered parameter, without the null at the end.

    ValueProblem if a value is out of range.

    Parameters
    ----------
    channel : int
        1 to 16.
    number : (int, int)
        Parameter, MSB first.
    msb, lsb : int
        Data entry, 0 to 127 each; the LSB (CC 38) is left out if None.
    repeat_msb : bool
        Send the MSB and the LSB once more, for receivers that act on the MSB alone (see the module's notes).
    """
    _check("channel", channel, 1, 16, "MIDI channels are 1 to 16")
    for part in (*number, msb, 0 if lsb is None else lsb):
        _check("controller value", part, 0, 127)
    out = [_control(channel, RPN_MSB, number[0]), _control(channel, RPN_LSB, number[1])]
    entry = [_control(channel, DATA_MSB, msb)]
    if lsb is not None:
        entry.append(_control(channel, DATA_LSB, lsb))
    return out + entry * (2 if repeat_msb else 1)


def rpn_null(channel: int) -> list[bytes]:
    """Return the null parameter: after it, data entry changes nothing."""
    _check("channel", channel, 1, 16, "MIDI channels are 1 to 16")
    return [_control(channel, RPN_MSB, 0x7F), _control(channel, RPN_LSB, 0x7F)]


def bend_range(channel: int, semitones: int, cents: int = 0, *, null: bool = True) -> list[bytes]:
    """Return the messages that set the bend range: whole semitones, and cents from 0 to 99.

    ValueProblem if the range is zero, above 127 semitones, or the channel impossible.
    """
    _check("a bend range of", semitones, 0, 127, "allowed: 0 to 127 semitones")
    _check("bend range cents", cents, 0, 99, "allowed: 0 to 99; whole semitones stand apart")
    if semitones == cents == 0:
        raise ValueProblem("a bend range of nothing would switch the bends off", "allowed: more than 0")
    messages = rpn(channel, BEND_RANGE, semitones, cents)
    return messages + rpn_null(channel) if null else messages


def fine_tuning_data(cents: float) -> tuple[int, float]:
    """Return the nearest 14-bit fine tuning for an offset in cents, and sent minus wanted.

    ValueProblem if no value from −100 to +99.9878 cents lies within half a step.
    """
    steps = cents / FINE_STEP_CENTS if math.isfinite(cents) else math.inf
    if not -8192.5 <= steps <= 8191.5:
        raise ValueProblem(
            f"a fine tuning of {cents:+g} cents is out of range", "allowed: -100 to +99.987 cents"
        )
    data = min(max(8192 + round(steps), 0), 16383)
    return data, (data - 8192) * FINE_STEP_CENTS - cents


def fine_tuning_cents(data: int) -> float:
    """Return the offset in cents of a 14-bit fine tuning."""
    _check("fine tuning data", data, 0, 16383)
    return (data - 8192) * FINE_STEP_CENTS


def fine_tuning(channel: int, cents: float) -> list[bytes]:
    """Return the messages that shift a channel by up to a semitone, in steps of 0.0122 cents.

    ValueProblem if `cents` is beyond −100 to +99.9878.
    """
    data, _ = fine_tuning_data(cents)
    return rpn(channel, FINE_TUNING, data >> 7, data & 0x7F, repeat_msb=True) + rpn_null(channel)


def select_tuning(channel: int, bank: int, program: int, bank_rpn: bool = True) -> list[bytes]:
    """Return the messages that make a channel follow a tuning program.

    The bank comes first: a bank that arrives after the program has no effect (measured with FluidSynth 2.3.1).

    ValueProblem if a value is out of range.

    Parameters
    ----------
    channel : int
        1 to 16.
    bank, program : int
        0 to 127.
    bank_rpn : bool
        Send RPN 00 04 for the bank; some receivers know RPN 00 03 only.
    """
    _check("tuning bank", bank, 0, 127)
    _check("tuning program", program, 0, 127)
    first = rpn(channel, TUNING_BANK, bank) if bank_rpn else []
    return first + rpn(channel, TUNING_PROGRAM, program) + rpn_null(channel)


def mpe_configuration(channel: int, members: int) -> list[bytes]:
    """Return the messages that announce an MPE zone on its manager channel (1 or 16); no members: end it.

    ValueProblem if the channel is not 1 or 16, or `members` not 0 to 15.
    """
    if channel not in (1, 16):
        raise ValueProblem(
            f"channel {channel} cannot manage an MPE zone", "the manager is channel 1 (lower) or 16 (upper)"
        )
    _check("the number of member channels", members, 0, 15)
    return rpn(channel, MPE_CONFIGURATION, members) + rpn_null(channel)


class RpnChange(NamedTuple):
    """A parameter that was set: channel 1 to 16, ``(msb, lsb)``, 14-bit value; NRPN where `registered` is False."""

    channel: int
    number: Parameter
    value: int
    registered: bool = True

    @property
    def msb(self) -> int:
        """Upper seven bits of the value."""
        return self.value >> 7

    @property
    def lsb(self) -> int:
        """Lower seven bits of the value."""
        return self.value & 0x7F


class _Channel:
    __slots__ = ("entry_lsb", "nrpn", "registered", "rpn", "values")

    def __init__(self) -> None:
        self.rpn = [0x7F, 0x7F]
        self.nrpn = [0x7F, 0x7F]
        self.registered = True
        self.entry_lsb = 0
        self.values: dict[tuple[bool, Parameter], int] = {}


# What data increment and decrement step by, in units of the 14-bit value (RP-018, from memory): the LSB for bend
# range, fine tuning and modulation depth; the MSB for coarse tuning, tuning program and bank.
_STEPS = {COARSE_TUNING: 128, TUNING_PROGRAM: 128, TUNING_BANK: 128, MPE_CONFIGURATION: 128}

# What a parameter holds before anything was set (bend range ±2, tunings centred).
_DEFAULTS = {BEND_RANGE: 2 << 7, FINE_TUNING: 8192, COARSE_TUNING: 8192}


class RpnReader:
    """Follows registered and non-registered parameters on all channels.

    Feed it every controller in order; it answers with a change whenever data entry, increment or decrement sets a
    parameter. Values out of range (which files do contain) are cut to seven bits. It never raises on numbers.
    """

    _CONTROLLERS = frozenset(
        (
            DATA_MSB,
            DATA_LSB,
            INCREMENT,
            DECREMENT,
            NRPN_LSB,
            NRPN_MSB,
            RPN_LSB,
            RPN_MSB,
            RESET_ALL_CONTROLLERS,
        )
    )

    def __init__(self) -> None:
        self._channels = {channel: _Channel() for channel in range(1, 17)}

    def feed(self, channel: int, controller: int, value: int) -> RpnChange | None:
        """Take one control change on a channel from 1 to 16; return what it set, or None."""
        if controller not in self._CONTROLLERS:
            return None
        state = self._channels[channel]
        value &= 0x7F
        if controller >= NRPN_LSB:
            if controller == RESET_ALL_CONTROLLERS:  # RP-015: the selection becomes null, the values stay
                state.rpn = [0x7F, 0x7F]
                state.nrpn = [0x7F, 0x7F]
            else:
                state.registered = controller >= RPN_LSB
                pair = state.rpn if state.registered else state.nrpn
                pair[0 if controller in (RPN_MSB, NRPN_MSB) else 1] = value
            state.entry_lsb = 0
            return None
        number = self.selected(channel)
        if number is None:
            return None
        which = (state.registered, number)
        now = state.values.get(which, _DEFAULTS.get(number, 0) if state.registered else 0)
        if controller == DATA_MSB:
            now = value << 7 | state.entry_lsb
        elif controller == DATA_LSB:
            state.entry_lsb = value
            now = now & 0x3F80 | value
        else:
            now = self._stepped(which, now, 1 if controller == INCREMENT else -1)
            state.entry_lsb = now & 0x7F
        state.values[which] = now
        return RpnChange(channel, number, now, state.registered)

    def feed_message(self, message: bytes) -> RpnChange | None:
        """Take any channel message; those that are no control change are ignored."""
        if len(message) == 3 and message[0] & 0xF0 == 0xB0:
            return self.feed((message[0] & 0x0F) + 1, message[1], message[2])
        return None

    @staticmethod
    def _stepped(which: tuple[bool, Parameter], now: int, direction: int) -> int:
        registered, number = which
        if registered and number == BEND_RANGE:  # the LSB counts cents: 99 is followed by the next semitone
            cents = min(max((now >> 7) * 100 + (now & 0x7F) + direction, 0), 127 * 100 + 99)
            return cents // 100 << 7 | cents % 100
        step = _STEPS.get(number, 1) if registered else 1
        return min(max(now + step * direction, 0), 16383)

    def selected(self, channel: int) -> Parameter | None:
        """Return the parameter that data entry would set now, or None."""
        state = self._channels[channel]
        pair = state.rpn if state.registered else state.nrpn
        return None if pair == [0x7F, 0x7F] else (pair[0], pair[1])

    def selected_is_registered(self, channel: int) -> bool:
        """Tell whether the selection is an RPN (True) or an NRPN (False)."""
        return self._channels[channel].registered

    def value(self, channel: int, number: Parameter, registered: bool = True) -> int | None:
        """Return the 14-bit value last set for a parameter, or None if it was never set."""
        return self._channels[channel].values.get((registered, number))

    def clear(self, channel: int | None = None) -> None:
        """Forget everything of one channel, or of all (after a GM, GM2, GS or XG reset)."""
        for each in range(1, 17) if channel is None else (channel,):
            self._channels[each] = _Channel()
