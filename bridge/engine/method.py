"""Which method to take for a file where the player leaves it open, and why.

With a synth profile: the first of its methods that works for this file. Without one: `bend`, which every synth obeys,
if the file fits in the channels; else `note`, which is not limited by channels but needs a synth that knows it.

Index: `measure_fit`, `Fit`, `choose_method`, `Choice`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from bridge.engine.bend.classes import sort_into_classes
from bridge.engine.bend.options import BendOptions, allowed_channels
from bridge.engine.offsets import Offsets
from bridge.engine.protocols import TableChange, TimedEvent
from bridge.engine.score import read_score
from bridge.errors import MethodProblem
from bridge.wire.profile import SynthProfile


@dataclass(frozen=True)
class Fit:
    """How a file's demand for channels compares with what there is.

    Attributes
    ----------
    needed : int
        Channels it would take for every note to be in tune.
    parts_at_once : int
        Source channels that sound at once: fewer channels cannot play the file at all.
    allowed : int
        Channels that pitched notes may use.
    parts : tuple of int
        Source channels that play pitched notes, 1 to 16.
    """

    needed: int
    parts_at_once: int
    allowed: int
    parts: tuple[int, ...]


@dataclass(frozen=True)
class Choice:
    """A method, and the reason for it as a sentence that can follow the method's name."""

    method: str
    why: str


def measure_fit(
    events: Sequence[TimedEvent],
    changes: Sequence[TableChange],
    table_hz: Sequence[float],
    profile: SynthProfile | None = None,
    options: BendOptions | None = None,
) -> Fit:
    """Measure a file (arguments as for `plan_bend`); raises MethodProblem if no channel is allowed."""
    offsets = Offsets(profile)
    first = offsets.of(table_hz)
    later = {anchor: offsets.of(hz) for anchor, hz in changes}
    score = read_score(events, first, later)
    classes = sort_into_classes(score, first, later)
    drums = [number for number, fact in enumerate(score.facts, 1) if fact.drums]
    return Fit(
        needed=max(classes.demand(), default=0),
        parts_at_once=classes.sources_at_once(),
        allowed=len(allowed_channels(profile, options or BendOptions(), drums)),
        parts=tuple(number for number, fact in enumerate(score.facts, 1) if fact.notes),
    )


def choose_method(
    profile: SynthProfile | None,
    fit: Fit,
    refusals: Mapping[str, str] | None = None,
    parts: Sequence[int] = (),
) -> Choice:
    """Choose a method.

    Parameters
    ----------
    profile : SynthProfile or None
        The synth, if one was named.
    fit : Fit
        The file.
    refusals : mapping of str to str
        Methods that cannot express a table, and why (an octave message, for one that does not repeat).
    parts : sequence of int
        Parts chosen for MPE.

    Raises
    ------
    MethodProblem
        The synth obeys no method that works for this file.
    """
    refused = dict(refusals or {})
    if fit.parts_at_once > fit.allowed:
        refused.setdefault(
            "bend", f"{fit.parts_at_once} parts sound at once, but {fit.allowed} channels are allowed"
        )
    if len(parts or fit.parts) > 2:
        refused.setdefault(
            "mpe", f"{len(fit.parts)} channels play pitched notes, but MPE has two zones: choose with --part"
        )
    short = f"every note in tune would take {fit.needed} channels, but {fit.allowed} are allowed"
    if profile is None:
        if "bend" not in refused and fit.needed <= fit.allowed:
            return Choice(
                "bend",
                f"every synth obeys it, and {fit.needed} of {fit.allowed} channels put every note in tune",
            )
        return Choice(
            "note", f"by pitch bend {short}; this takes a synth that knows single note tuning changes"
        )
    usable = [method for method in profile.methods if method not in refused]
    if not usable:
        reasons = "; ".join(f"{method}: {refused[method]}" for method in profile.methods)
        raise MethodProblem(
            f"{profile.title} obeys no method that works for this file",
            reasons or "it is tuned by hand at its panel",
        )
    method, skipped = usable[0], [each for each in profile.methods if each in refused]
    if method == "bend" and fit.needed > fit.allowed and len(usable) > 1:
        return Choice(usable[1], f"by pitch bend, the first choice of {profile.title}, {short}")
    if skipped and profile.methods.index(skipped[0]) < profile.methods.index(method):
        return Choice(method, f"{profile.title} would rather have {skipped[0]}, but {refused[skipped[0]]}")
    if method == "bend" and fit.needed > fit.allowed:
        return Choice(method, f"{profile.title} obeys nothing else; {short}, so some notes give way")
    return Choice(method, f"the first choice of {profile.title}")
