"""What one synth obeys: the value type `SynthProfile`.

A profile is data: it is read from ``tables/synths/*.toml`` (schema in ``tables/README.md``), and every decision
about which bytes reach a synth is taken from it. Conventions: channels are 1 to 16; units stand in names; a
field left out keeps the default of a plain receiver that was never measured.

Methods, as everywhere in the project: ``note`` (single note tuning change), ``octave`` (scale/octave tuning),
``dump`` (bulk tuning dump), ``bend`` (pitch bend, a channel for each offset), ``mpe`` (the same inside a zone).
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Literal, TypeAlias, get_args

from bridge.errors import ValueProblem, near_names

Method: TypeAlias = Literal["note", "octave", "dump", "bend", "mpe"]
"""How a table reaches a synth."""

METHODS: tuple[Method, ...] = get_args(Method)
MTS_METHODS: tuple[Method, ...] = ("note", "octave", "dump")
"""Those that send MIDI Tuning messages."""
BEND_METHODS: tuple[Method, ...] = ("bend", "mpe")
"""Those that bend."""

Rounding: TypeAlias = Literal["none", "nearest", "floor"]
Select: TypeAlias = Literal["bank+program", "program", "none"]
TuningForm: TypeAlias = Literal["program", "bank"]
FineTuning: TypeAlias = Literal["rpn", "master"]

ALL_CHANNELS: tuple[int, ...] = tuple(range(1, 17))


@dataclass(frozen=True)
class SynthProfile:
    """What one synth obeys.

    ValueProblem on a value that no synth can have, naming the field and what is allowed.
    """

    # Name as typed (``fluidsynth``), name as read, and where the facts come from.
    name: str
    title: str
    source: str
    # Methods that the synth obeys, the best first: ``note``, ``octave``, ``dump``, ``bend``, ``mpe``. Empty
    # only for a synth that is tuned by hand (`panel`).
    methods: tuple[Method, ...]
    # Single note tuning change without a bank (08 02) or with one (08 07).
    note_form: TuningForm = "program"
    note_realtime: bool = True  # whether that message goes out in its real-time form (08 02 has no other)
    keys_per_message: int = 127  # most keys in one single note tuning change, 1 to 127
    # Bytes for each offset in scale/octave tuning: 1 (whole cents, ±64) or 2 (0.0122 cents, ±100).
    octave_form: Literal[1, 2] = 2
    octave_realtime: bool = True  # whether scale/octave tuning goes out in its real-time form
    # All channels share one table: a second message for other channels wipes the first.
    octave_shared: bool = False
    # Bulk dump without a bank (08 01) or with one (08 04).
    dump_form: TuningForm = "program"
    # What makes a channel follow a tuning program: RPN 00 04 then 00 03, RPN 00 03 alone, or nothing.
    select: Select = "bank+program"
    # Tuning program, tuning bank and device ID to use, 0 to 127 (127 as device ID: all devices).
    program: int = 0
    bank: int = 0
    device_id: int = 0x7F
    channels: tuple[int, ...] = ALL_CHANNELS  # channels that the synth receives
    bend_range_max_semitones: int = 12  # widest bend range that it obeys, 1 to 127
    # The bend range if it cannot be set; RPN 00 00 is then ignored.
    bend_range_fixed_semitones: int | None = None
    # Whether notes that sound follow a bend range that is sent; None: not known. Where they do not, a range is sent
    # only to a channel that is silent.
    bend_range_sounding: bool | None = None
    # What share of a bend sounds: 1 where the synth bends as far as asked, 127/128 = 0.9921875 where the
    # range is taken as a seven-bit fraction. To reach an offset, bend by the offset divided by this.
    bend_scale: float = 1.0
    # Silence to leave after each SysEx message, and after a GM, GM2, GS or XG reset.
    sysex_gap_s: float = 0.0
    # What the cable carries (3125 for DIN MIDI); None where it does not matter.
    bytes_per_s: float | None = None
    reset_gap_s: float = 0.1
    sysex_max_bytes: int = 15000  # longest SysEx message that arrives whole, F0 and F7 included
    # Methods that also move notes which are sounding already.
    sounding: frozenset[Method] = field(default_factory=lambda: frozenset[Method](("bend", "mpe")))
    # What shifts everything by a fraction of a semitone: channel fine tuning (RPN 00 01), the master fine
    # tuning message, or nothing.
    fine_tuning: FineTuning | None = None
    # What the synth does to a pitch before it sounds, in steps of `rounding_cents`.
    rounding: Rounding = "none"
    rounding_cents: float = 0.0
    mpe_range_fixed_semitones: int | None = None  # bend range of MPE member channels if it cannot be set
    # Measured deviation of each key of a sampled instrument from its nominal pitch (tuple of 128 floats).
    key_stretch_cents: tuple[float, ...] | None = None
    # The synth is tuned by hand at its panel, in steps of `rounding_cents`; no message does it.
    panel: bool = False
    quirks: tuple[str, ...] = ()  # what else a player should know, a sentence each

    @property
    def lift_cents(self) -> float:
        """How much higher everything is sent, so that what a synth that rounds down sounds is the nearest step."""
        return 0.5 * self.rounding_cents if self.rounding == "floor" else 0.0

    def __post_init__(self) -> None:
        for name in ("name", "title", "source"):
            value = getattr(self, name)
            if not isinstance(value, str) or not value.strip():
                raise ValueProblem(f"a synth profile needs a {name}, not {value!r}")
        for name in ("methods", "channels", "quirks", "key_stretch_cents"):
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, _tuple(name, value))
        sounding = _tuple("sounding", self.sounding)
        for method in sounding:
            if not isinstance(method, str):
                raise ValueProblem(f"sounding: {method!r} is no method", f"methods are {', '.join(METHODS)}")
        object.__setattr__(self, "sounding", frozenset(sounding))
        self._check_methods()
        self._check_choices()
        self._check_numbers()

    def _check_methods(self) -> None:
        for name in ("methods", "sounding"):
            for method in getattr(self, name):
                if method not in METHODS:
                    raise ValueProblem(
                        f"{name}: there is no method {method!r}", near_names(str(method), METHODS)
                    )
        if len(set(self.methods)) < len(self.methods):
            raise ValueProblem(f"methods: {', '.join(self.methods)} names one twice")
        if not self.methods and not self.panel:
            raise ValueProblem(
                "methods: a synth must obey at least one",
                f"of {', '.join(METHODS)}; or say panel = true if it is tuned by hand",
            )
        if self.methods and self.panel:
            raise ValueProblem("panel: a synth tuned by hand has no methods", "leave methods empty")

    def _check_choices(self) -> None:
        choices: dict[str, tuple[Any, ...]] = {
            "note_form": get_args(TuningForm),
            "dump_form": get_args(TuningForm),
            "octave_form": (1, 2),
            "select": get_args(Select),
            "rounding": get_args(Rounding),
            "fine_tuning": (None, *get_args(FineTuning)),
        }
        for name, allowed in choices.items():
            value = getattr(self, name)
            if value not in allowed or isinstance(value, bool):
                shown = ", ".join(str(choice) for choice in allowed if choice is not None)
                raise ValueProblem(f"{name}: {value!r} is not a choice", f"choose from: {shown}")
        for name in ("note_realtime", "octave_realtime", "octave_shared", "panel"):
            if not isinstance(getattr(self, name), bool):
                raise ValueProblem(f"{name}: {getattr(self, name)!r} must be true or false")
        if self.bend_range_sounding is not None and not isinstance(self.bend_range_sounding, bool):
            raise ValueProblem(
                f"bend_range_sounding: {self.bend_range_sounding!r} must be true or false",
                "leave it out if it is not known",
            )
        if self.note_form == "program" and not self.note_realtime:
            raise ValueProblem(
                "note_realtime: the form without a bank (08 02) is real-time only",
                'say note_form = "bank", or note_realtime = true',
            )

    def _check_numbers(self) -> None:
        ranges: dict[str, tuple[int, int]] = {
            "keys_per_message": (1, 127),
            "program": (0, 127),
            "bank": (0, 127),
            "device_id": (0, 127),
            "bend_range_max_semitones": (1, 127),
            "bend_range_fixed_semitones": (1, 127),
            "mpe_range_fixed_semitones": (1, 127),
            "sysex_max_bytes": (8, 15000),
        }
        for name, (low, high) in ranges.items():
            value = getattr(self, name)
            if value is None and name.endswith("_fixed_semitones"):
                continue
            if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
                raise ValueProblem(
                    f"{name}: {value!r} is out of range", f"a whole number from {low} to {high}"
                )
        reals: dict[str, tuple[float, float]] = {
            "bend_scale": (0.5, 2),
            "sysex_gap_s": (0, 10),
            "reset_gap_s": (0, 10),
            "rounding_cents": (0, 100),
        }
        for name, (least, most) in reals.items():
            _check_real(
                name, getattr(self, name), least, most, " (seconds, not milliseconds)" * name.endswith("_s")
            )
        if self.bytes_per_s is not None:
            _check_real("bytes_per_s", self.bytes_per_s, 100, 1e9, "; a DIN cable carries 3125")
        if not self.channels:
            raise ValueProblem("channels: a synth must receive at least one")
        for channel in self.channels:
            if not isinstance(channel, int) or isinstance(channel, bool) or not 1 <= channel <= 16:
                raise ValueProblem(f"channels: {channel!r} is out of range", "MIDI channels are 1 to 16")
        if list(self.channels) != sorted(set(self.channels)):
            raise ValueProblem("channels: each once, in rising order", f"not {list(self.channels)}")
        if (self.rounding == "none") != (self.rounding_cents == 0):
            raise ValueProblem(
                f"rounding: {self.rounding!r} does not go with rounding_cents = {self.rounding_cents:g}",
                'either "none" and 0, or "nearest" or "floor" with a step above 0',
            )
        if self.key_stretch_cents is not None:
            if len(self.key_stretch_cents) != 128:
                raise ValueProblem(
                    f"key_stretch_cents: {len(self.key_stretch_cents)} values", "one for each of 128 keys"
                )
            for value in self.key_stretch_cents:
                _check_real("key_stretch_cents", value, -200, 200, " cents")

    def pause_after_s(self, sysex: bytes) -> float:
        """Return how long after the start of a SysEx message the next may start: its time on the cable, or the gap."""
        wire_s = len(sysex) / self.bytes_per_s if self.bytes_per_s else 0.0
        return max(wire_s, self.sysex_gap_s)

    def obeys(self, method: str) -> bool:
        """Tell whether the synth obeys a method."""
        return method in self.methods

    @property
    def bend_range_semitones(self) -> int:
        """The widest bend range to count on: the fixed one if there is one, else the widest that it accepts."""
        return self.bend_range_fixed_semitones or self.bend_range_max_semitones


def _tuple(name: str, value: Iterable[Any]) -> tuple[Any, ...]:
    if isinstance(value, str) or not isinstance(value, Iterable):
        raise ValueProblem(f"{name} must be a list, not {value!r}")
    return tuple(value)


def _check_real(name: str, value: Any, low: float, high: float, note: str) -> None:
    good = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)
    if not good or not low <= value <= high:
        raise ValueProblem(f"{name}: {value!r} is out of range", f"{low:g} to {high:g}{note}")


def moves_sounding(profile: SynthProfile | None, method: str) -> bool:
    """Tell whether a change of table reaches notes that sound already."""
    return method in (profile.sounding if profile is not None else ("note", "octave", "bend", "mpe"))


STANDARD = SynthProfile(
    name="standard",
    title="Any synth that follows the MIDI Tuning standard",
    source="MIDI 1.0 Detailed Specification, MIDI Tuning; CA-020; CA-021",
    methods=MTS_METHODS,
)
"""What MIDI Tuning messages are made for where no synth was named."""
