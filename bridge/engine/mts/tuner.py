"""Which MIDI Tuning messages make one synth sound one table: the methods `note`, `octave` and `dump`.

- `note`: single note tuning changes, for the keys that differ from what the synth holds already.
- `octave`: one scale/octave message with twelve offsets, and a fine tuning where the receiver needs and obeys it.
- `dump`: a bulk dump of all 128 keys; where the synth obeys single note changes too and few keys differ, those.

`note` and `dump` fill a tuning program, which every pitched channel must then select. What a synth obeys stands in its
`SynthProfile`; the messages themselves are made in `bridge.engine.mts.cells`.

Sources: MIDI 1.0 Detailed Specification, "MIDI Tuning"; addenda CA-020 and CA-021 (The MIDI Association).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.engine.mts.cells import Cells, ClassCells, KeyCells
from bridge.errors import MethodProblem
from bridge.wire.frequency import in_reach
from bridge.wire.profile import MTS_METHODS, SynthProfile
from bridge.wire.rpn import FINE_STEP_CENTS, fine_tuning, select_tuning


@dataclass(frozen=True)
class Residual:
    """What rounding leaves between a table and the bytes that were made of it."""

    worst_cents: float
    """Largest distance between sent and wanted among the keys in reach."""
    clamped_keys: tuple[int, ...]
    """Keys whose frequency no tuning message can express; they sound at the nearest end of the range."""


class Tuner:
    """Turns tables into the tuning messages of one method for one synth, and remembers what the synth holds.

    Channels are the pitched ones, 1 to 16; a dump carries up to 16 characters of `name`. MethodProblem if the
    method is not ``note``, ``octave`` or ``dump``, or its messages are longer than this synth takes.
    """

    def __init__(
        self, profile: SynthProfile, method: str, channels: Iterable[int], name: str = "stillbeat"
    ) -> None:
        if method not in MTS_METHODS:
            raise MethodProblem(f"method {method!r} sends no MIDI Tuning message", "use note, octave or dump")
        self.profile = profile
        self.method = method
        self.channels: tuple[int, ...] = tuple(sorted(channels))
        self._classes = ClassCells(profile, self.channels) if method == "octave" else None
        self.cells: Cells = self._classes or KeyCells(profile, method, name)

    @property
    def shift_cents(self) -> float:
        """What the last table put into fine tuning, in cents (`octave` only)."""
        return self.cells.shift_cents

    def forget(self) -> None:
        """Take it that the synth holds nothing any more, as after a reset."""
        self.cells.forget()

    def check(self, hz: Sequence[float]) -> Residual:
        """Say what error remains if a table of 128 frequencies is sent.

        MethodProblem if this method cannot express the table.
        """
        residuals = self.cells.residuals_cents(hz)
        clamped = () if self._classes else tuple(key for key in range(128) if not in_reach(hz[key]))
        return Residual(max(abs(residuals[key]) for key in range(128) if key not in clamped), clamped)

    def sysex(self, hz: Sequence[float]) -> list[bytes]:
        """Return the SysEx messages that bring the synth from what it holds to a table: only what differs.

        MethodProblem if this method cannot express the table.
        """
        wanted = self.cells.values(hz)
        sent: list[bytes] = []
        while self.cells.pending(wanted):
            more = self.cells.next(wanted, (), self.profile.sysex_max_bytes)
            if not more:
                break
            sent += more
        return sent

    def messages(self, hz: Sequence[float]) -> list[bytes]:
        """Return the same, and where the common shift has moved, the fine tuning of the channels that takes it."""
        before = self.shift_cents
        sent = self.sysex(hz)
        if self.moved(before):
            sent += [message for channel in self.channels for message in self.fine(channel)]
        return sent

    def moved(self, before_cents: float) -> bool:
        """Tell whether channels have to be told that the common shift is not `before_cents` any more."""
        return self.profile.fine_tuning == "rpn" and self.shift_cents != before_cents

    def fine(self, channel: int, own_cents: float = 0.0) -> list[bytes]:
        """Return a channel's fine tuning: the common shift and what the channel has of its own."""
        return fine_tuning(channel, min(max(own_cents + self.shift_cents, -100.0), 100.0 - FINE_STEP_CENTS))

    def select(self, channels: Iterable[int] | None = None, program: int | None = None) -> list[bytes]:
        """Return the controllers that make channels use the tuning program (none for `octave`).

        All pitched channels, and the profile's program from 0 to 127, where left out.
        """
        profile = self.profile
        if self._classes or profile.select == "none":
            return []
        number = profile.program if program is None else program
        return [
            message
            for channel in (sorted(channels) if channels is not None else self.channels)
            for message in select_tuning(channel, profile.bank, number, profile.select == "bank+program")
        ]

    # ---- channels that play drums for a while

    @property
    def puts_aside(self) -> bool:
        """Whether a channel can be left untuned beside others that are not."""
        return not (self._classes and self.profile.octave_shared)

    def address(self, channels: Iterable[int]) -> None:
        """Say which channels play pitched notes now."""
        self.channels = tuple(sorted(channels))
        if self._classes:
            self._classes.channels = self.channels

    def put_aside(self, channels: Iterable[int]) -> list[bytes]:
        """Return what leaves channels untuned that have become drum kits."""
        if self._classes:
            return self._classes.for_channels(sorted(channels), False) if self.puts_aside else []
        return self.select(channels, (self.profile.program + 1) % 128)

    def take_back(self, channels: Iterable[int]) -> list[bytes]:
        """Return what tunes channels that have ceased to be drum kits."""
        if self._classes:
            return self._classes.for_channels(sorted(channels), True) if self.puts_aside else []
        return self.select(channels)
