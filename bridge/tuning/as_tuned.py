"""A table as the strings are really tuned: the reference that fits them best, and what that leaves.

Measured strings are literal. Other octaves of a measured pitch class follow the nearest measured string (on a tie the
lower), so that a drone an octave up does not beat; all other classes come from the scale, round the fitted reference.

Conventions: frequencies in Hz of the first partial as it sounds; deviations in cents, positive where the string is
sharp of pure; strings by their number, keys by MIDI number.

Source of the fit: P. J. Huber, "Robust estimation of a location parameter" (Ann. Math. Statist. 35, 1964): least
squares for strings that agree, while one that is far off counts only by its sign.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from bridge.errors import TuningProblem, ValueProblem
from bridge.tuning.guitars import Guitar, Unison
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, TableString, build_table

#: Strings that agree within so many cents of the fit count in full, whatever the others do.
AGREE_CENTS = 1.0
#: Huber's bound, in standard deviations: 95 % as good as least squares where nothing is off.
_BOUND = 1.345
#: A string further than this from where it belongs was named or plucked wrongly.
MOST_OFF_CENTS = 300.0


@dataclass(frozen=True)
class ReferenceFit:
    """The reference string's frequency that fits all measured strings best."""

    hz: float  # of the reference string
    deviations_cents: dict[int, float]  # how far each measured string is from pure over `hz`, by number
    # How far each string was believed: 1 in full, less where it stands apart from the others.
    weights: dict[int, float]


def fit_reference(
    measured: Mapping[int, float],
    ratios: Mapping[int, float],
    sd_cents: Mapping[int, float] | None = None,
) -> ReferenceFit:
    """Fit the reference to measured strings by robust least squares of cents.

    All are by number of the string: frequencies in Hz, one of which is enough; factors to the reference
    string; and standard deviations, by which strings measured badly count less. ValueProblem where nothing is
    measured, a string is unknown, or a frequency is none.
    """
    if not measured:
        raise ValueProblem("no string was measured", "pluck at least one")
    for number, hz in measured.items():
        if number not in ratios:
            raise ValueProblem(f"string {number}", f"strings are {', '.join(map(str, sorted(ratios)))}")
        if not 0 < hz < math.inf:
            raise ValueProblem(f"string {number} at {hz:g} Hz", "frequencies are greater than zero")
    numbers = sorted(measured, reverse=True)
    proposed = {n: 1200.0 * math.log2(measured[n] / ratios[n]) for n in numbers}
    plain = {n: 1.0 / (AGREE_CENTS**2 + (sd_cents or {}).get(n, 0.0) ** 2) for n in numbers}
    centre = _weighted_median(proposed, plain)
    believed = dict.fromkeys(numbers, 1.0)
    for _ in range(100):
        spread = max(
            AGREE_CENTS, 1.4826 * _weighted_median({n: abs(proposed[n] - centre) for n in numbers}, plain)
        )
        for n in numbers:
            off = abs(proposed[n] - centre)
            believed[n] = 1.0 if off <= _BOUND * spread else _BOUND * spread / off
        total = sum(plain[n] * believed[n] for n in numbers)
        moved = sum(plain[n] * believed[n] * proposed[n] for n in numbers) / total
        if abs(moved - centre) < 1e-9:
            break
        centre = moved
    return ReferenceFit(
        hz=2.0 ** (centre / 1200.0),
        deviations_cents={n: proposed[n] - centre for n in numbers},
        weights=believed,
    )


def _weighted_median(values: Mapping[int, float], weights: Mapping[int, float]) -> float:
    half = 0.5 * sum(weights.values())
    below = 0.0
    ordered = sorted(values, key=lambda n: values[n])
    for place, n in enumerate(ordered):
        below += weights[n]
        if math.isclose(below, half) and place + 1 < len(ordered):
            return 0.5 * (values[n] + values[ordered[place + 1]])
        if below > half:
            return values[n]
    return values[ordered[-1]]


def as_tuned_keys(measured: Mapping[int, float], keys: Mapping[int, int]) -> tuple[tuple[int, float], ...]:
    """Frequencies of all keys whose pitch class was measured, by rising key, for `TableSpec.key_overrides`.

    Frequencies in Hz and MIDI keys of open strings are by number; of two strings on one key the
    higher-numbered gives the pitch.
    """
    at: dict[int, float] = {}
    for number in sorted(measured):
        at[keys[number]] = measured[number]
    out = []
    for key in range(128):
        same = [k for k in at if (k - key) % 12 == 0]
        if same:
            nearest = min(same, key=lambda k: (abs(k - key), k))
            out.append((key, at[nearest] * 2.0 ** ((key - nearest) / 12)))
    return tuple(out)


@dataclass(frozen=True)
class RemainingBeat:
    """The beat that is left in one of the unisons a player tunes by."""

    unison: Unison
    rate_hz: float  # beats a second
    move_cents: float  # by how much the unison's first string must move to still it: positive is up


@dataclass(frozen=True)
class AsTuned:
    """A table as the strings are tuned."""

    fit: ReferenceFit
    spec: TableSpec  # with the fitted reference and the measured keys
    beats: tuple[RemainingBeat, ...]  # for every unison of the guitar of which both strings were measured
    measured: dict[int, float]  # frequency of each measured open string in Hz, by number
    sd_cents: dict[int, float]  # standard deviation of each, where it is known


def as_tuned(
    spec: TableSpec, measured: Mapping[int, float], sd_cents: Mapping[int, float] | None = None
) -> AsTuned:
    """Make the spec of a table as the strings are tuned, from their frequencies in Hz and standard deviations by
    number.

    The reference is replaced by the fitted one, on the guitar's reference string. TuningProblem where the
    spec has no guitar, or a string is so far off that it must be another one; ValueProblem where nothing is
    measured or a string does not exist.
    """
    guitar = spec.guitar
    if guitar is None:
        raise TuningProblem("a table as tuned needs a guitar", "name one, such as open-d")
    ratios = {number: interval.factor for number, interval in guitar.intervals.items()}
    fit = fit_reference(measured, ratios, sd_cents)
    for number, off in fit.deviations_cents.items():
        if abs(off) > MOST_OFF_CENTS:
            raise TuningProblem(
                f"string {number} is {abs(off):.0f} cents {'sharp' if off > 0 else 'flat'} of {guitar.title}",
                "is the guitar in this tuning, and is it that string?",
            )
    keys = {string.number: string.key for string in guitar.strings}
    made = replace(spec, reference=Reference(guitar.reference_key, fit.hz))
    return AsTuned(
        fit=fit,
        spec=made.with_keys(as_tuned_keys(measured, keys)),
        beats=remaining_beats(guitar, measured),
        measured=dict(measured),
        sd_cents=dict(sd_cents or {}),
    )


def table_as_tuned(tuned: AsTuned, spec: TableSpec | None = None) -> Table:
    """Build the table, its measured strings literal, by `tuned.spec` or with something of that changed, such as its
    fret.

    Strings that were not measured stand as the guitar's unisons place them over the fitted reference.
    """
    table = build_table(spec or tuned.spec)
    factor = table.sounding_reference[1] / table.reference.hz

    def literal(string: TableString) -> TableString:
        if string.number not in tuned.measured:
            return string
        hz = tuned.measured[string.number] * factor
        off = 1200.0 * math.log2(hz / string.hz)
        return replace(
            string,
            hz=hz,
            ratio=None,
            cents_from_equal=string.cents_from_equal + off,
            cents_from_table=string.cents_from_table + off,
        )

    return replace(table, strings=tuple(literal(string) for string in table.strings))


def remaining_beats(guitar: Guitar, measured: Mapping[int, float]) -> tuple[RemainingBeat, ...]:
    """What beats are left in the guitar's unisons between measured strings."""
    out = []
    for unison in guitar.unisons:
        if unison.string not in measured or unison.other not in measured:
            continue
        own = unison.partial * measured[unison.string]
        other = unison.other_partial * measured[unison.other]
        out.append(RemainingBeat(unison, abs(own - other), 1200.0 * math.log2(other / own)))
    return tuple(out)
