"""How to tune the guitar of a table: the plan, what it starts from, and what it does to the strings' tension.

The rules:

- The reference string sounds what the table gives it, with the capo if there is one; or what was measured with the
  capo on.
- It starts from the tuning asked for, else from the one that the guitar's description is tuned from, else the strings
  are near their notes already. ``slack`` means new or slackened strings.
- Tension is told against the tuning that the guitar is built for, whatever it starts from.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction

from bridge.errors import TuningProblem, ValueProblem
from bridge.store.descriptions import load_guitar
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import parse_note
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.order import STEEL_STIFFNESS, TuningPlan, plan_tuning
from bridge.tuning.tables import Table, build_table

SLACK = "slack"
AGREES_CENTS = 0.5
"""A string this near to the table's note is that note."""


@dataclass(frozen=True)
class OffString:
    """A string that lies beside the table's note of its name."""

    string: int
    note: str
    cents: float  # how far the string lies above it
    beats_hz: float  # beats per second of the two together


@dataclass(frozen=True)
class StringsPlan:
    """A plan, with what a player should know beside it."""

    table: Table  # the table whose guitar it is
    plan: TuningPlan  # changes and steps
    slack: bool  # whether the strings were slack before
    # The tuning that tension is compared with; None: the guitar is always tuned like this.
    usual: Guitar | None
    tension: Mapping[int, float]  # tension of each string, as a part of that in the usual tuning
    # What to heed before turning: the guitar's own caution, else a sentence for each string that carries
    # more or becomes slack.
    cautions: tuple[str, ...]
    open_reference_hz: float  # reference that, with the capo's fret given beside it, sounds as the plan's
    off: tuple[OffString, ...]  # strings that, tuned by the plan, lie beside the table's note


def plan_strings(
    spec: TableSpec,
    start: str | None = None,
    *,
    scale_length_mm: float | None = None,
    stiffness: Sequence[str] = (),
    sounding_hz: float | None = None,
) -> StringsPlan:
    """Plan how the guitar of a table is tuned; its fret is a capo, its slide is left aside.

    TuningProblem if the table has no guitar; ValueProblem if a value is out of range, or the tunings are of
    different instruments; InputProblem if a named tuning is missing or broken.

    Parameters
    ----------
    start : str, optional
        Name or path of the tuning before, or ``slack``.
    scale_length_mm : float, optional
        Nut to saddle; None: as the guitar's description has it.
    stiffness : sequence of str
        Fletcher's B, ``0.0001`` for all strings or ``6=0.0002`` for one.
    sounding_hz : float, optional
        What the reference string was measured to sound, with the capo on if there is one.
    """
    if spec.guitar is None:
        raise TuningProblem(
            f"table {spec.name!r} has no guitar",
            "name one with --guitar, such as open-d, to tune its strings",
        )
    guitar = spec.guitar
    table = build_table(replace(spec, slide=Fraction(1)))
    tabled = next(string for string in table.strings if string.number == guitar.reference_string)
    reference_hz = tabled.hz if sounding_hz is None else Reference(tabled.key, sounding_hz).hz
    slack = (start or "").strip().lower() == SLACK
    usual = load_guitar(guitar.tuned_from) if guitar.tuned_from else None
    before = usual if start is None else None if slack else load_guitar(start)
    plan = plan_tuning(
        guitar,
        before,
        reference_hz,
        scale_length_mm=scale_length_mm,
        stiffness=parse_stiffness(stiffness, guitar),
        capo=table.fret,
    )
    compared = plan if usual is before else plan_tuning(guitar, usual, reference_hz, capo=table.fret)
    told = tuple(change.caution for change in compared.changes if change.caution)
    return StringsPlan(
        table=table,
        plan=plan,
        slack=slack,
        usual=usual,
        tension={change.string: change.tension for change in compared.changes},
        cautions=(guitar.caution,) if guitar.caution and usual is not None else told,
        open_reference_hz=spec.reference.hz * reference_hz / tabled.hz,
        off=_off(plan, table, reference_hz / tabled.hz),
    )


def _off(plan: TuningPlan, table: Table, level: float) -> tuple[OffString, ...]:
    """Compare the strings as planned with the table, which lies `level` times as high."""
    found = []
    for change in sorted(plan.changes, key=lambda change: -change.string):
        table_hz = level * float(table.hz[parse_note(change.note)])
        cents = hz_to_cents(change.hz, table_hz)
        if abs(cents) > AGREES_CENTS:
            found.append(OffString(change.string, change.note, cents, abs(change.hz - table_hz)))
    return tuple(found)


def parse_stiffness(texts: Sequence[str], guitar: Guitar) -> Mapping[int, float]:
    """Read stiffness for all strings (``0.0001``) or for one (``6=0.0002``); the others have that of steel.

    ValueProblem if a text is malformed, or names no string of the guitar.
    """
    general = STEEL_STIFFNESS
    single: dict[int, float] = {}
    for text in texts:
        name, sign, value = text.rpartition("=")
        try:
            figure = float(value)
        except ValueError:
            raise ValueProblem(
                f"stiffness {text!r}",
                "a number such as 0.0001, or 6=0.0002 for one string; 0 for ideal strings",
            ) from None
        if not 0 <= figure <= 0.01:
            raise ValueProblem(f"stiffness {text!r}", "0 to 0.01; steel strings have about 0.00001 to 0.0002")
        if not sign:
            general = figure
            continue
        single[parse_string(name, guitar, text)] = figure
    return {string.number: single.get(string.number, general) for string in guitar.strings}


def parse_string(name: str, guitar: Guitar, text: str) -> int:
    """Read the number of a string of a guitar; `text` is what it stands in."""
    body = name.strip()
    if not (body.isascii() and body.isdigit()):
        raise ValueProblem(f"{text!r} names no string", f"strings 1 to {len(guitar.strings)}, 1 the highest")
    return guitar.string(int(body)).number
