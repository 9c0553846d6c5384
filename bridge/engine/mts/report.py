"""What retuning by tuning messages did to a file, in the same words and data as `bridge.engine.report`.

Tuning messages leave every note on its channel, so channels are never short; what can be off is rounding, and notes
beyond the range that a message reaches.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from bridge.engine.mts.file import MtsFileEngine
from bridge.engine.mts.tuner import Tuner
from bridge.engine.report import BarOf, every_note, spans

HALF_STEP_CENTS = {"note": 50.0 / 16384.0, "dump": 50.0 / 16384.0, "octave": 50.0 / 8192.0}


class MtsReport:
    """The record of a file retuned by the methods `note`, `octave` or `dump`.

    The engine has processed the file; `tables` are the first one and every change, in order.
    """

    def __init__(self, engine: MtsFileEngine, tables: Sequence[Sequence[float]]) -> None:
        self.method = engine.method
        self.channels = engine.channels
        self.inserted = engine.inserted
        self.notes = self.exact = 0
        self.worst_cents = self.total_cents = 0.0
        self.clamped: dict[int, int] = {}  # anchor from which a table holds to notes beyond reach under it
        self.clamped_keys: set[int] = set()
        tuner = Tuner(engine.profile, engine.method, engine.channels)
        half = (
            0.5
            if engine.method == "octave" and engine.profile.octave_form == 1
            else HALF_STEP_CENTS[engine.method]
        )
        for (anchor, struck), hz in zip(engine.played, tables, strict=True):
            residuals = tuner.cells.residuals_cents(hz)
            for key, count in struck.items():
                cents = abs(residuals[key])
                self.notes += count
                self.exact += count if cents <= half + 1e-7 else 0
                self.total_cents += count * cents
                self.worst_cents = max(self.worst_cents, cents)
                if cents > half + 1e-7:
                    self.clamped[anchor] = self.clamped.get(anchor, 0) + count
                    self.clamped_keys.add(key)

    @property
    def mean_cents(self) -> float:
        """Mean over all notes of how far each is off."""
        return self.total_cents / self.notes if self.notes else 0.0

    def to_json(self, bar_of: BarOf | None = None) -> dict[str, Any]:
        """Return the record as plain data; notes off are listed with the bar from which their table holds."""
        bars = [
            {"bar": bar_of(anchor), "notes_off": count, "worst_cents": self.worst_cents}
            for anchor, count in sorted(self.clamped.items())
        ] if bar_of else []  # fmt: skip
        return {
            "schema": 1,
            "notes": self.notes,
            "exact": self.exact,
            "worst_cents": self.worst_cents,
            "mean_cents": self.mean_cents,
            "demand_max": len(self.channels),
            "bars": bars,
            "method": self.method,
            "channels": list(self.channels),
            "setup_messages": self.inserted,
        }

    def lines(self, bar_of: BarOf | None = None) -> list[str]:
        """Return the record in words, a line each."""
        if not self.notes:
            return ["no pitched notes"]
        told = [
            f"{every_note(self.notes)} sent within {self.worst_cents:.4f} cents of the table"
            if self.exact == self.notes
            else f"{self.exact} of {self.notes} notes are sent as the table has them; the others are beyond what a "
            "tuning message reaches"
        ]
        told.append(f"channels: {spans(self.channels)}, as in the file; added {self.inserted} messages")
        return told
