"""Which method brings tables to a synth, and why: the only place that chooses one.

- For a file (`choose_for_file`). With a synth profile: the first of its methods that works for this file. Without one:
  `bend`, which every synth obeys, if the file fits in the channels; else `note`, which is not limited by channels but
  needs a synth that knows it.
- For playing (`choose_for_playing`). The first of the synth's methods that can express all tables; `octave` rather than
  `note` where nothing is lost, for it takes one short message. Without a profile: `bend`.
- For a drone whose notes settle (`choose_for_settling`). By bends instead of MPE, where a part's notes bend together.
- For tables that a synth stores (`choose_for_storing`). The first of its methods that send MIDI Tuning messages which
  refuses none.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from bridge.engine.bend.classes import crowded_spans, sort_into_classes
from bridge.engine.bend.options import BendOptions, allowed_channels
from bridge.engine.mts.tuner import Tuner
from bridge.engine.offsets import Offsets
from bridge.engine.protocols import TableChange, TimedEvent
from bridge.engine.score import read_score
from bridge.errors import MethodProblem
from bridge.wire.profile import MTS_METHODS, STANDARD, SynthProfile, moves_sounding

_SETTLE_ELSEWHERE = "leave --settle away, use another synth, or hear it on the sound card (without --out)"


@dataclass(frozen=True)
class MethodChosen:
    """A method, and the reason for it as a sentence that can follow the method's name (empty: it was asked for)."""

    method: str
    why: str = ""


@dataclass(frozen=True)
class Fit:
    """How a file's demand for channels compares with what there is."""

    needed: int
    """Channels it would take for every note to be as the table has it."""
    parts_at_once: int
    """Source channels that sound at once: fewer channels cannot play the file at all."""
    allowed: int
    """Channels that pitched notes may use."""
    parts: tuple[int, ...]
    """Source channels that play pitched notes, 1 to 16."""


def check_obeys(method: str, profile: SynthProfile | None) -> None:
    """Refuse a method that a synth does not obey (``auto``: refuse a synth that obeys no message at all).

    MethodProblem says what it obeys.
    """
    if profile is None or method in profile.methods:
        return
    if profile.panel:
        raise MethodProblem(
            f"{profile.title}: no message tunes it", "enter the table by hand: stillbeat table"
        )
    if method != "auto":
        raise MethodProblem(
            f"{profile.title} does not obey method {method!r}", f"it obeys {', '.join(profile.methods)}"
        )


def refusal(
    method: str, profile: SynthProfile | None, tables: Iterable[Sequence[float]]
) -> MethodProblem | None:
    """Return why a method of tuning messages cannot express some tables; None if it can, and for the others."""
    if method in MTS_METHODS:
        try:
            tuner = Tuner(profile or STANDARD, method, ())
            for hz in tables:
                tuner.cells.values(hz)
        except MethodProblem as problem:
            return problem
    return None


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
    return Fit(
        needed=max(classes.demand(), default=0),
        parts_at_once=classes.sources_at_once(),
        allowed=len(allowed_channels(profile, options or BendOptions(), score.drums)),
        parts=tuple(score.pitched),
    )


def crowded_times(
    events: Sequence[TimedEvent],
    table_hz: Sequence[float],
    profile: SynthProfile | None = None,
    options: BendOptions | None = None,
) -> list[tuple[float, float]]:
    """Return when notes, and what still rings of them, take more channels than are allowed: stretches in seconds.

    There a note that is struck again at another offset while its tail rings costs a channel that nobody has.
    """
    wanted = options or BendOptions()
    first = Offsets(profile).of(table_hz)
    score = read_score(events, first, {})
    classes = sort_into_classes(score, first, {})
    ends_s = [0.0] * len(classes)
    for note, number in enumerate(classes.of_note):
        ends_s[number] = max(ends_s[number], score.ends_s[note])
    starts_s = [score.starts_s[note] for note in classes.first]
    allowed = len(allowed_channels(profile, wanted, score.drums))
    return crowded_spans(starts_s, [end_s + wanted.tail_s for end_s in ends_s], allowed)


def choose_for_file(
    profile: SynthProfile | None,
    fit: Fit,
    refusals: Mapping[str, str] | None = None,
    parts: Sequence[int] = (),
) -> MethodChosen:
    """Choose a method.

    `refusals` says which methods cannot express a table, and why (an octave message, for one that does not
    repeat); `parts` were chosen for MPE. MethodProblem if the synth obeys no method that works for this file.
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
    short = f"every note as the table has it would take {fit.needed} channels, but {fit.allowed} are allowed"
    if profile is None:
        if "bend" not in refused and fit.needed <= fit.allowed:
            return MethodChosen(
                "bend",
                f"every synth obeys it, and {fit.needed} of {fit.allowed} channels put every note where the table "
                "has it",
            )
        return MethodChosen(
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
        return MethodChosen(usable[1], f"by pitch bend, the first choice of {profile.title}, {short}")
    if skipped and profile.methods.index(skipped[0]) < profile.methods.index(method):
        return MethodChosen(
            method, f"{profile.title} would rather have {skipped[0]}, but {refused[skipped[0]]}"
        )
    if method == "bend" and fit.needed > fit.allowed:
        return MethodChosen(method, f"{profile.title} obeys nothing else; {short}, so some notes give way")
    return MethodChosen(method, f"the first choice of {profile.title}")


def choose_for_playing(
    asked: str, profile: SynthProfile | None, tables: Sequence[Sequence[float]]
) -> MethodChosen:
    """Choose how tables reach a synth while one plays, by a method or ``auto``.

    A method that cannot express one of the tables is out. MethodProblem if the synth does not obey the
    method, or obeys none that can express the tables.
    """
    check_obeys(asked, profile)
    if asked != "auto":
        refused = refusal(asked, profile, tables)
        if refused is not None:
            raise refused
        return MethodChosen(asked)
    if profile is None:
        return MethodChosen("bend", "no synth was named, and every synth obeys pitch bend")
    refusals = {method: refusal(method, profile, tables) for method in profile.methods}
    usable = [method for method in profile.methods if refusals[method] is None]
    if not usable:
        reasons = "; ".join(f"not {each}: {problem.message}" for each, problem in refusals.items() if problem)
        raise MethodProblem(f"no method of {profile.title} can play these tables", reasons)
    loses = moves_sounding(profile, "note") and not moves_sounding(profile, "octave")
    if usable[0] == "note" and "octave" in usable and profile.octave_form == 2 and not loses:
        return MethodChosen(
            "octave", f"{profile.title} obeys it, and a whole table goes out in one short message"
        )
    return MethodChosen(usable[0], f"the first choice of {profile.title}")


def choose_for_settling(chosen: str, asked: str, profile: SynthProfile | None) -> MethodChosen:
    """Choose a method by which notes can settle, given the one `chosen` for playing; MethodProblem if there is none."""
    bends = profile is None or "bend" in profile.sounding
    if bends and chosen != "mpe":
        return MethodChosen(chosen)
    if chosen == "mpe":
        other = bends and (profile is None or "bend" in profile.methods)
        if other and asked == "auto":
            return MethodChosen(
                "bend", "instead of mpe: all notes of an MPE part bend together, so none can settle"
            )
        raise MethodProblem(
            "by mpe a drone cannot settle: all notes of a part bend together",
            "choose --method bend" if other else _SETTLE_ELSEWHERE,
        )
    title = profile.title if profile is not None else "this synth"
    raise MethodProblem(
        f"on {title} a drone cannot settle: it does not move notes that sound", _SETTLE_ELSEWHERE
    )


def choose_for_storing(asked: str, profile: SynthProfile, refuses: Callable[[str], bool]) -> str:
    """Choose the tuning messages by which a synth stores tables.

    The first of its methods for which `refuses` is False, else the first one; empty if it obeys none (or not the one
    `asked`, unless that is ``auto``).
    """
    usable = [method for method in profile.methods if method in MTS_METHODS and asked in ("auto", method)]
    return next((method for method in usable if not refuses(method)), usable[0] if usable else "")
