"""What is done to the guitar before every piece of a session, from where the piece before left it, in words.

The guitar begins in the tuning of the first piece that has one. A piece for another instrument (one that is built for
another tuning) is told as such. Where a capo makes the notes that strings would be turned up to, the capo is told, and
the strings stay.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

from bridge.jobs.session.plan import SessionPlan
from bridge.jobs.strings import plan_strings
from bridge.sheet.phrases import tuner_words
from bridge.store.session.model import built
from bridge.tuning.frets import fret_factor
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import hz_to_key, note_name
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.between import STAYS_CENTS, Between, Turn, between_tunings
from bridge.tuning.transposing import moved_tonic


@dataclass(frozen=True)
class Retuned:
    """What is done before a piece."""

    words: tuple[str, ...] = ()  # in order; empty: nothing
    cautions: tuple[str, ...] = ()  # what to heed before doing it
    # Fret of a capo that makes the tuning's notes though the piece asks for none; 0: there is no such capo.
    capo_instead: int = 0
    # How the strings are tuned for it; None: they stay as they are for another piece.
    tuned: TableSpec | None = None


@dataclass
class _Guitar:
    """Where one instrument stands."""

    hz: Mapping[int, float]
    capo: int
    title: str = ""


@dataclass
class _Hands:
    """Every instrument of an evening, by what it is built for; and which one is held."""

    guitars: dict[str, _Guitar] = field(default_factory=dict)
    held: str = ""


def retunings(plan: SessionPlan) -> Mapping[int, Retuned]:
    """Return what is done before each piece, by its number."""
    hands = _Hands()
    found = {}
    for one in plan.pieces:
        spec = one.piece.spec
        found[one.piece.number] = _before(hands, spec, spec.guitar) if spec.guitar is not None else Retuned()
    return found


def open_spec(spec: TableSpec) -> TableSpec:
    """Return a table as its open strings stand, without capo or slide."""
    return replace(spec, name="", fret=0, slide=Fraction(1))


def lowered_spec(spec: TableSpec, guitar: Guitar, semitones: int) -> TableSpec:
    """Return a table as its open strings stand some semitones lower, to be raised by a capo."""
    lower = replace(
        guitar,
        title=f"{guitar.title}, for a capo at fret {semitones}",
        tonic=moved_tonic(guitar.tonic, -semitones),
        strings=tuple(replace(string, key=string.key - semitones) for string in guitar.strings),
        remarks="",
    )
    return replace(
        open_spec(spec),
        guitar=lower,
        home=moved_tonic(spec.home, -semitones),
        tonic=moved_tonic(spec.tonic, -semitones),
        reference=Reference(spec.reference.key - semitones, spec.reference.hz / fret_factor(semitones)),
        key_overrides=tuple((key - semitones, hz / fret_factor(semitones)) for key, hz in spec.key_overrides),
    )


def _before(hands: _Hands, spec: TableSpec, guitar: Guitar) -> Retuned:
    after_hz = {string.number: string.hz for string in built(open_spec(spec)).strings}
    kind = f"{guitar.tuned_from or guitar.name} {len(guitar.strings)}"
    first, hands.held = hands.held == "", kind
    other = [] if first or kind in hands.guitars else [f"take the other instrument, tuned to {guitar.title}"]
    standing = hands.guitars.get(kind)
    if standing is None:
        hands.guitars[kind] = _Guitar(after_hz, spec.fret)
        said = [*other, *([f"capo on at fret {spec.fret}"] if spec.fret else [])]
        own = (" ".join(guitar.caution.split()),) if guitar.caution else ()
        return Retuned(tuple(said), own, tuned=open_spec(spec))
    planned = plan_strings(open_spec(spec))
    built_for = {change.string: change.from_hz for change in planned.plan.changes} if planned.usual else {}
    between = between_tunings(standing.hz, after_hz, built_for, standing.capo, spec.fret)
    if between.capo_instead:
        on = f"capo on at fret {between.capo_instead}: it makes {guitar.title} of the strings as they are"
        said = [f"capo off (fret {standing.capo})", on] if standing.capo else [on]
        stays = standing.capo == between.capo_instead
        standing.capo = between.capo_instead
        return Retuned(() if stays else tuple(said), capo_instead=between.capo_instead)
    standing.hz, standing.capo = after_hz, spec.fret
    if between.lowered:
        standing.hz = {number: hz / fret_factor(between.lowered) for number, hz in after_hz.items()}
        standing.capo = between.lowered
    tuned = lowered_spec(spec, guitar, between.lowered) if between.lowered else open_spec(spec)
    cautions = planned.cautions if any(turn.past_limit for turn in between.turns) else ()
    heeded = tuple(" ".join(caution.split()) for caution in cautions)
    return Retuned(tuple(_words(between, guitar)), heeded, between.lowered, tuned)


def _words(between: Between, guitar: Guitar) -> Iterator[str]:
    if between.capo_off:
        yield f"capo off (fret {between.capo_off})"
    cents = [turn.cents for turn in between.turns]
    if len(cents) == len(guitar.strings) and max(cents) - min(cents) <= STAYS_CENTS:
        turn = next(turn for turn in between.turns if turn.string == guitar.reference_string)
        yield f"all strings alike, {_turn_words(turn, guitar)}"
    else:
        yield from (_turn_words(turn, guitar) for turn in between.turns)
    if between.capo_on:
        spared = ", so that no string goes above what it is built for" if between.lowered else ""
        yield f"capo on at fret {between.capo_on}{spared}"


def _turn_words(turn: Turn, guitar: Guitar) -> str:
    key = round(hz_to_key(turn.hz))
    semitones = round(abs(turn.cents) / 100)
    far = f"{semitones} semitone{'s' * (semitones > 1)}" if semitones else f"{abs(turn.cents):.0f} cents"
    way = "up" if turn.cents > 0 else "down"
    note = note_name(key, guitar.tonic)
    limit = ", more than it is built for (see the caution)" if turn.past_limit else ""
    return f"string {turn.string} {way} {far} to {tuner_words(turn.hz, note, key)}{limit}"
