"""Tables for instruments that are tuned by hand: a master tuning and twelve whole numbers of cents, C to B.

The master tuning is A4 in tenths of a hertz, as panels have it. It is chosen near the table's common distance from
A4 = 440 Hz so that the whole cents that remain are rounded with the least error.

Index
-----
`PanelEntry`, `panel_entry` · `panel_files`
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.engine.octave import class_deviations_cents
from bridge.errors import MethodProblem
from bridge.jobs.session_plan import SessionPlan, SynthPlan
from bridge.jobs.session_synth import Made
from bridge.tuning.ratios import hz_to_cents

CLASSES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
MOST_CENTS = 64
"""User scales of most instruments reach so far."""

_NEAR_CENTS = 6.0
_HEAD = ("piece", "from", "A4_hz", *CLASSES, "worst_cents")


@dataclass(frozen=True)
class PanelEntry:
    """What to enter at a panel.

    Attributes
    ----------
    a4_hz : float
        Master tuning, in tenths of a hertz.
    cents : tuple of 12 int
        From C to B.
    worst_cents : float
        The largest error that remains.
    """

    a4_hz: float
    cents: tuple[int, ...]
    worst_cents: float


def panel_entry(hz: Sequence[float]) -> PanelEntry:
    """Fit a table to a panel.

    Parameters
    ----------
    hz : sequence of 128 float
        Frequencies by MIDI key.

    Raises
    ------
    MethodProblem
        The table does not repeat at the octave, or a note lies too far from the others.
    """
    wanted = class_deviations_cents(hz)
    centre = (min(wanted) + max(wanted)) / 2
    around = 440.0 * 2.0 ** (centre / 1200.0)
    low, high = (round(around * 2.0 ** (side * _NEAR_CENTS / 1200.0) * 10) for side in (-1, 1))
    best: PanelEntry | None = None
    for tenths in sorted(range(low, high + 1), key=lambda one: abs(one - around * 10)):
        a4_hz = tenths / 10
        rest = [deviation - hz_to_cents(a4_hz, 440.0) for deviation in wanted]
        cents = tuple(math.floor(value + 0.5) for value in rest)
        worst = max(abs(whole - value) for whole, value in zip(cents, rest, strict=True))
        if max(map(abs, cents)) <= MOST_CENTS and (best is None or worst < best.worst_cents - 1e-9):
            best = PanelEntry(a4_hz, cents, worst)
    if best is None:
        raise MethodProblem(
            f"the notes lie {max(wanted) - min(wanted):.0f} cents apart from each other",
            f"a panel reaches {MOST_CENTS} cents to each side",
        )
    return best


def panel_files(plan: SessionPlan, synth: SynthPlan) -> list[Made]:
    """Make the list of everything that is entered by hand for one synth, as CSV; a table that a panel cannot hold has
    no figures."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_HEAD)
    worst = 0.0
    for one in plan.pieces:
        if synth.synth.name not in one.piece.synths:
            continue
        for step in one.steps:
            try:
                entry = panel_entry(one.tables[step.table].build().hz.tolist())
            except MethodProblem:
                writer.writerow((one.piece.stem, step.place, *[""] * 14))
                continue
            worst = max(worst, entry.worst_cents)
            row = (one.piece.stem, step.place, f"{entry.a4_hz:.1f}", *entry.cents, f"{entry.worst_cents:.3f}")
            writer.writerow(row)
    facts = {"what": "panel", "synth": synth.synth.name, "worst_cents": worst}
    return [Made(f"synths/{synth.synth.name}/enter-by-hand.csv", text.getvalue().encode("utf-8"), facts)]
