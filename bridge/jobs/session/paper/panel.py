"""Tables for instruments that are tuned by hand: a master tuning and twelve whole numbers of cents, C to B.

The master tuning is A4 in tenths of a hertz, as panels have it. It is one for the whole evening, so that only the
twelve figures are changed between pieces. It is taken from the reference, so that the reference's own figure is 0 or
nearly, and the others are those that a tuner of pure chords knows; among its neighbours it is the one that leaves the
least error.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass

from bridge.engine.mts.octave import class_deviations_cents
from bridge.errors import MethodProblem
from bridge.jobs.session.plan import PiecePlan, SessionPlan, Step, SynthPlan
from bridge.jobs.session.synth import Made
from bridge.store.session.model import built
from bridge.tuning.ratios import cents_to_ratio, hz_to_cents

CLASSES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
MOST_CENTS = 64
"""User scales of most instruments reach so far."""

_REACH = 2
"""How many tenths of a hertz the master tuning may lie from the reference's."""

_HEAD = ("piece", "from", "A4_hz", *CLASSES, "worst_cents")


@dataclass(frozen=True)
class PanelEntry:
    """What to enter at a panel."""

    a4_hz: float  # master tuning, in tenths of a hertz
    cents: tuple[int, ...]  # from C to B
    worst_cents: float  # the largest error that remains


def panel_entries(tables: Sequence[Sequence[float]], shift_cents: float) -> list[PanelEntry | None]:
    """Fit tables, 128 frequencies each, to a panel, all with one master tuning; the reference lies `shift_cents` from
    equal.

    None where a table does not repeat at the octave, or a note lies too far from the others.
    """
    wanted: list[list[float] | None] = []
    for hz in tables:
        try:
            wanted.append(class_deviations_cents(hz))
        except MethodProblem:
            wanted.append(None)
    usable = [deviations for deviations in wanted if deviations is not None]
    around = 4400.0 * cents_to_ratio(shift_cents)
    near = range(round(around) - _REACH, round(around) + _REACH + 1)

    def error(tenths: int) -> float:
        return round(max((_fit(one, tenths / 10).worst_cents for one in usable), default=0.0), 6)

    a4_hz = min(sorted(near, key=lambda tenths: abs(tenths - around)), key=error) / 10
    entries = [None if deviations is None else _fit(deviations, a4_hz) for deviations in wanted]
    return [entry if entry is None or max(map(abs, entry.cents)) <= MOST_CENTS else None for entry in entries]


def _fit(deviations: Sequence[float], a4_hz: float) -> PanelEntry:
    rest = [deviation - hz_to_cents(a4_hz, 440.0) for deviation in deviations]
    cents = tuple(math.floor(value + 0.5) for value in rest)
    return PanelEntry(a4_hz, cents, max(abs(whole - value) for whole, value in zip(cents, rest, strict=True)))


def panel_rows(plan: SessionPlan, synth: SynthPlan) -> list[tuple[PiecePlan, Step, PanelEntry | None]]:
    """Return what is entered for every step of every piece that a synth plays."""
    steps = [(one, step) for one in plan.pieces if synth.synth.name in one.piece.synths for step in one.steps]
    tables = {(one.piece.number, step.table): one.tables[step.table] for one, step in steps}
    shift_cents = steps[0][0].piece.spec.reference.cents_from_equal if steps else 0.0
    fitted = panel_entries([built(spec).hz.tolist() for spec in tables.values()], shift_cents)
    entries = dict(zip(tables, fitted, strict=True))
    return [(one, step, entries[one.piece.number, step.table]) for one, step in steps]


def panel_files(plan: SessionPlan, synth: SynthPlan) -> list[Made]:
    """Make the list of everything that is entered by hand for one synth, as CSV; a table that a panel cannot hold has
    no figures."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(_HEAD)
    worst = 0.0
    for one, step, entry in panel_rows(plan, synth):
        if entry is None:
            writer.writerow((one.piece.stem, step.place, *[""] * 14))
            continue
        worst = max(worst, entry.worst_cents)
        row = (one.piece.stem, step.place, f"{entry.a4_hz:.1f}", *entry.cents, f"{entry.worst_cents:.3f}")
        writer.writerow(row)
    facts = {"what": "panel", "synth": synth.synth.name, "worst_cents": worst}
    return [Made(f"synths/{synth.synth.name}/enter-by-hand.csv", text.getvalue().encode("utf-8"), facts)]
