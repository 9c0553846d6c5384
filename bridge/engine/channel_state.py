"""What a MIDI channel has been told: bank, program, controllers, pressures and parameters.

A `ChannelState` is kept for each channel of the source (what it means its notes to sound like) and for each
channel of the output (what the synth holds there). `set_up` returns the difference: the messages that make an output
channel sound like a source channel, and nothing more. A value never sent is unknown: if the source has set it, it is
sent even where it happens to be the power-up value; if the source never set it, an output channel that
another source has moved is put back to the power-up value.

Bends, bend range and fine tuning are no part of this: the engine folds them into the bends that it sends.
Pedals are: a note that starts on a fresh channel must be held by a pedal that is down already.

Conventions: `nibble` is the channel as in a status byte, 0 to 15. Values are 7 bits.

Sources: *General MIDI 2* (RP-024), power-up values; RP-015 (Response to Reset All Controllers).
"""

from __future__ import annotations

from bridge.wire.rpn import (
    BEND_RANGE,
    COARSE_TUNING,
    FINE_TUNING,
    MODULATION_DEPTH,
    MPE_CONFIGURATION,
    NULL,
    TUNING_BANK,
    TUNING_PROGRAM,
    Parameter,
)

UNSET = -1
BANK_MSB, BANK_LSB = 0, 32
MODULATION, CHORUS, CELESTE = 1, 93, 94
EXPRESSION = 11
PARAMETER_CONTROLLERS = frozenset({6, 38, 96, 97, 98, 99, 100, 101})
PLAIN_CONTROLLERS = (MODULATION, CHORUS, CELESTE)
"""Controllers that make a sound waver: modulation, chorus depth, celeste (detune) depth."""

MANAGED = frozenset({(True, BEND_RANGE), (True, FINE_TUNING), (True, MPE_CONFIGURATION), (True, NULL)})
"""Parameters that the engine sets itself and never copies."""

Which = tuple[bool, Parameter]
"""A parameter: registered or not, and its number (MSB, LSB)."""

_POWER_UP = {7: 100, 8: 64, 10: 64, 11: 127, 91: 40, **dict.fromkeys(range(70, 80), 64)}
_PARAMETERS_AT_POWER_UP: dict[Parameter, int] = {
    COARSE_TUNING: 64 << 7,
    TUNING_PROGRAM: 0,
    TUNING_BANK: 0,
    MODULATION_DEPTH: 64,  # half a semitone (GM2; from memory)
}
_RESET_TO_ZERO = (1, 64, 65, 66, 67, 68, 69)
_SENT_AS_THEY_ARE = frozenset(range(120)) - PARAMETER_CONTROLLERS - {BANK_MSB, BANK_LSB}


def power_up(controller: int) -> int:
    """Return the value of a controller that was never set (GM2; 0 where it names none)."""
    return _POWER_UP.get(controller, 0)


def loudness(velocity: int, volume: int = UNSET, expression: int = UNSET) -> float:
    """Return how loud a note is, 0 to 1: velocity times volume times expression, each as a share of 127.

    In General MIDI amplitude goes with the square of each; loudness as heard goes with about the 0.6th power of
    amplitude (Stevens 1955), so nearly in proportion. `UNSET` stands for a controller never set (100 and 127).
    """
    gain = (100 if volume < 0 else volume) * (127 if expression < 0 else expression)
    return velocity * gain / 127.0**3


class ChannelState:
    """The state of one channel; `UNSET` (-1) where nothing was ever sent."""

    __slots__ = ("bank", "cc", "mode", "params", "poly", "pressure", "program", "selected")

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Forget everything, as at power-up or after a GM, GM2, GS or XG reset."""
        self.cc = [UNSET] * 128  # 0 and 32 hold the bank that the next program change will take
        self.bank = (UNSET, UNSET)  # MSB and LSB that the last program change took
        self.program = UNSET
        self.pressure = UNSET
        self.poly: dict[int, int] = {}  # pressure of single keys
        self.params: dict[Which, int] = {}  # 14-bit values of the parameters that were set
        self.selected: Which | None = None  # the parameter that a data entry would set now
        # Last of omni off, omni on, mono, poly (CC 124 to 127) with its value.
        self.mode: tuple[int, int] | None = None

    def take_program(self, program: int) -> None:
        """A program change: it takes the bank selected before it."""
        self.program = program
        self.bank = (self.cc[BANK_MSB], self.cc[BANK_LSB])

    def reset_controllers(self) -> None:
        """Reset all controllers (CC 121) as RP-015 says: volume, pan, program and parameters stay."""
        for controller in _RESET_TO_ZERO:
            self.cc[controller] = 0
        self.cc[EXPRESSION] = 127
        self.pressure = 0
        self.poly.clear()
        self.selected = None


def set_up(want: ChannelState, have: ChannelState, nibble: int) -> list[bytes]:
    """Return the messages that bring an output channel from `have` to `want`, and note them in `have`.

    The order: program with its bank, mode, parameters, controllers, pressures. Where parameters are set, null
    follows.
    """
    out: list[bytes] = []
    status = 0xB0 | nibble
    _program(want, have, nibble, out)
    if want.mode != have.mode and (want.mode is not None or have.mode is not None):
        controller, value = want.mode if want.mode is not None else (127, 0)
        out.append(bytes((status, controller, value)))
        have.mode = want.mode
    if want.params != have.params:
        _parameters(want, have, status, out)
    if want.cc != have.cc:
        for controller, (wanted, had) in enumerate(zip(want.cc, have.cc, strict=True)):
            if wanted == had or controller not in _SENT_AS_THEY_ARE:
                continue
            value = power_up(controller) if wanted == UNSET else wanted
            if value != had:
                out.append(bytes((status, controller, value)))
                have.cc[controller] = value
    pressure = 0 if want.pressure == UNSET else want.pressure
    if have.pressure != want.pressure and (pressure or have.pressure > 0):
        out.append(bytes((0xD0 | nibble, pressure)))
        have.pressure = pressure
    if want.poly != have.poly:
        for key in sorted(want.poly.keys() | have.poly.keys()):
            value = want.poly.get(key, 0)
            if value != have.poly.get(key, 0):
                out.append(bytes((0xA0 | nibble, key, value)))
        have.poly = dict(want.poly)
    return out


def _program(want: ChannelState, have: ChannelState, nibble: int, out: list[bytes]) -> None:
    """Bank and program in force, then the bank selected since, if any."""
    status = 0xB0 | nibble
    if (want.program, want.bank) != (have.program, have.bank):
        _bank(want.bank, have, status, out)
        out.append(bytes((0xC0 | nibble, max(want.program, 0))))
        have.program, have.bank = want.program, want.bank
    _bank((want.cc[BANK_MSB], want.cc[BANK_LSB]), have, status, out)


def _bank(bank: tuple[int, int], have: ChannelState, status: int, out: list[bytes]) -> None:
    for controller, wanted in zip((BANK_MSB, BANK_LSB), bank, strict=True):
        had = have.cc[controller]
        if wanted != had and not (wanted == UNSET and had <= 0):
            out.append(bytes((status, controller, max(wanted, 0))))
            have.cc[controller] = max(wanted, 0)


def _parameters(want: ChannelState, have: ChannelState, status: int, out: list[bytes]) -> None:
    sent = False
    for which in sorted(want.params.keys() | have.params.keys()):
        if which in MANAGED:
            continue
        value = want.params.get(which)
        if value is None:
            value = _untouched(which)
        if value is None or value == have.params.get(which):
            continue
        out += select_messages(which, status)
        out.append(bytes((status, 6, value >> 7)))
        out.append(bytes((status, 38, value & 0x7F)))
        have.params[which] = value
        sent = True
    if sent:
        out += (bytes((status, 101, 127)), bytes((status, 100, 127)))
        have.selected = None


def _untouched(which: Which) -> int | None:
    """The value of a parameter that was never set; None where no standard names one."""
    registered, number = which
    if registered:
        return _PARAMETERS_AT_POWER_UP.get(number)
    return 64 << 7 if number[0] == 1 else None  # GS and XG part settings: 64 is "as made"


def select_messages(which: Which | None, status: int) -> list[bytes]:
    """Return the messages that select a parameter on the channel of a controller status byte (None: null)."""
    registered, number = which if which is not None else (True, NULL)
    first = 101 if registered else 99
    return [bytes((status, first, number[0])), bytes((status, first - 1, number[1]))]
