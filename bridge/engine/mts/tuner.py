"""Which MIDI Tuning messages make one synth sound one table: the methods `note`, `octave` and `dump`.

- `note`: single note tuning changes, for the keys that differ from what the synth holds already.
- `octave`: one scale/octave message with twelve offsets, and a fine tuning where the receiver needs and obeys it.
- `dump`: a bulk dump of all 128 keys; where the synth obeys single note changes too and few keys differ, those.

`note` and `dump` fill a tuning program, which every pitched channel must then select.

Sources: MIDI 1.0 Detailed Specification, "MIDI Tuning"; addenda CA-020 and CA-021 (The MIDI Association). What a
synth obeys stands in its `SynthProfile`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from bridge.engine.mts.octave import OctaveFit, fit_octave
from bridge.errors import MethodProblem
from bridge.wire.frequency import hz_to_frequency_data, in_reach
from bridge.wire.mts import BulkDump, MasterFineTuning, NoteTuning, OctaveTuning, encode
from bridge.wire.profile import MTS_METHODS, SynthProfile
from bridge.wire.rpn import fine_tuning, select_tuning

_DUMP_BYTES = 408
_NOTE_BYTES = 8  # around the keys of a single note tuning change
_KEY_BYTES = 4


@dataclass(frozen=True)
class Residual:
    """What rounding leaves between a table and the bytes that were made of it.

    Attributes
    ----------
    worst_cents : float
        Largest distance between sent and wanted among the keys in reach, in cents.
    worst_key : int
        The MIDI key where it occurs.
    clamped_keys : tuple of int
        Keys whose frequency no tuning message can express; they sound at the nearest end of the range.
    """

    worst_cents: float
    worst_key: int
    clamped_keys: tuple[int, ...]


class Tuner:
    """Turns tables into the tuning messages of one method for one synth, and remembers what the synth holds.

    Parameters
    ----------
    profile : SynthProfile
        What the synth obeys.
    method : str
        ``"note"``, ``"octave"`` or ``"dump"``.
    channels : iterable of int
        Pitched channels, 1-16, that an octave message addresses.
    name : str
        Up to 16 characters that a dump carries as the tuning's name.

    Raises
    ------
    MethodProblem
        The method is not one of these.
    """

    def __init__(
        self, profile: SynthProfile, method: str, channels: Iterable[int], name: str = "stillbeat"
    ) -> None:
        if method not in MTS_METHODS:
            raise MethodProblem(f"method {method!r} sends no MIDI Tuning message", "use note, octave or dump")
        self.profile = profile
        self.method = method
        self.channels = tuple(sorted(channels))
        self.name = name
        self._held: list[int] | None = None
        self._held_octave: OctaveFit | None = None

    @property
    def shift_cents(self) -> float:
        """What the last table put into the channels' fine tuning, in cents (`octave` only)."""
        return self._held_octave.shift_cents if self._held_octave else 0.0

    def forget(self) -> None:
        """Take it that the synth holds nothing any more, as after a reset."""
        self._held = None
        self._held_octave = None

    def residuals_cents(self, hz: Sequence[float]) -> list[float]:
        """Return for each key by how many cents what would be sent for `hz` lies above what is wanted.

        Parameters
        ----------
        hz : sequence of 128 float
            Frequencies by MIDI key.

        Raises
        ------
        MethodProblem
            This method cannot express the table.
        """
        if self.method == "octave":
            fit = self._fit(hz)
            return [fit.residuals_cents[key % 12] for key in range(128)]
        return [hz_to_frequency_data(value)[1] for value in hz]

    def check(self, hz: Sequence[float]) -> Residual:
        """Say what error remains if `hz` is sent; parameters and errors are those of `residuals_cents`."""
        residuals = self.residuals_cents(hz)
        clamped = () if self.method == "octave" else tuple(key for key in range(128) if not in_reach(hz[key]))
        worst = max(set(range(128)) - set(clamped), key=lambda key: abs(residuals[key]))
        return Residual(abs(residuals[worst]), worst, clamped)

    def messages(self, hz: Sequence[float]) -> list[bytes]:
        """Return the messages that bring the synth from what it holds to `hz`: only what differs, in the fewest bytes.

        Parameters
        ----------
        hz : sequence of 128 float
            Frequencies by MIDI key.

        Returns
        -------
        list of bytes
            System-exclusive messages (and for a fine tuning by RPN, controllers), in sending order; empty if nothing
            differs.

        Raises
        ------
        MethodProblem
            This method cannot express the table.
        """
        if self.method == "octave":
            return self._octave_messages(hz)
        wanted = [hz_to_frequency_data(value)[0] for value in hz]
        held = self._held
        changed = [key for key in range(128) if held is None or held[key] != wanted[key]]
        self._held = wanted
        if not changed:
            return []
        if self.method == "dump" and not self._notes_are_smaller(len(changed), held is None):
            return [self._dump(wanted)]
        return self._note_messages(changed, wanted)

    def select(self, channels: Iterable[int] | None = None, program: int | None = None) -> list[bytes]:
        """Return the controllers that make channels use the tuning program (none for `octave`).

        Parameters
        ----------
        channels : iterable of int, optional
            Channels 1-16; all pitched channels where left out.
        program : int, optional
            Tuning program, 0-127; the profile's where left out.
        """
        profile = self.profile
        if self.method == "octave" or profile.select == "none":
            return []
        number = profile.program if program is None else program
        bank_rpn = profile.select == "bank+program"
        selected: list[bytes] = []
        for channel in sorted(channels) if channels is not None else self.channels:
            selected += select_tuning(channel, profile.bank, number, bank_rpn=bank_rpn)
        return selected

    def _fit(self, hz: Sequence[float]) -> OctaveFit:
        return fit_octave(hz, self.profile.octave_form, self.profile.fine_tuning is not None)

    def _octave_messages(self, hz: Sequence[float]) -> list[bytes]:
        fit = self._fit(hz)
        held = self._held_octave
        self._held_octave = fit
        profile = self.profile
        sent: list[bytes] = []
        if held is None or held.offsets != fit.offsets:
            record = OctaveTuning(
                device_id=profile.device_id,
                channels=self.channels,
                offsets=fit.offsets,
                form=fit.form,
                realtime=profile.octave_realtime,
            )
            sent.append(encode(record))
        before = held.shift_cents if held else 0.0
        if not math.isclose(before, fit.shift_cents, abs_tol=1e-9):
            if profile.fine_tuning == "master":
                sent.append(encode(MasterFineTuning(device_id=profile.device_id, cents=fit.shift_cents)))
            else:
                for channel in self.channels:
                    sent += fine_tuning(channel, fit.shift_cents)
        return sent

    def _notes_are_smaller(self, count: int, first: bool) -> bool:
        return not first and "note" in self.profile.methods and _NOTE_BYTES + _KEY_BYTES * count < _DUMP_BYTES

    def _dump(self, wanted: Sequence[int]) -> bytes:
        profile = self.profile
        bank = profile.bank if profile.dump_form == "bank" else None
        return encode(
            BulkDump(
                device_id=profile.device_id,
                program=profile.program,
                name=self.name[:16],
                data=tuple(wanted),
                bank=bank,
            )
        )

    def _note_messages(self, changed: Sequence[int], wanted: Sequence[int]) -> list[bytes]:
        profile = self.profile
        size = max(1, min(profile.keys_per_message, 127))
        bank = profile.bank if profile.note_form == "bank" else None
        sent = []
        for start in range(0, len(changed), size):
            keys = tuple((key, wanted[key]) for key in changed[start : start + size])
            sent.append(
                encode(
                    NoteTuning(
                        device_id=profile.device_id,
                        program=profile.program,
                        keys=keys,
                        bank=bank,
                        realtime=profile.note_realtime,
                    )
                )
            )
        return sent
