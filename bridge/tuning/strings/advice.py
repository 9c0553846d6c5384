"""What a player should heed while tuning: tension, slack, and the sentences that go with a plan.

Conventions
-----------
Tension goes with the square of frequency, whatever the string's gauge: a string raised by c cents carries 2^(c/600)
times its tension. Sentences are for a musician; where load grows they defer to the maker or a luthier.

Sources
-------
Tension: derived from f = √(T/μ) / 2L (Mersenne, *Harmonie universelle*, 1636; Taylor 1713). Where a string buzzes, and
how to go about tuning, are common practice.
"""

from __future__ import annotations

UP_CENTS = 50.0
"""A string that rises by more than this carries more load than before; a just string's few cents do not count."""

SLACK_TENSION = 0.7
"""Below this part of its tension a string is apt to buzz and to fret sharp."""

STIFFNESS_WORTH_TELLING_CENTS = 0.3

_STEPS_UP = {1: "a semitone", 2: "a whole tone", 3: "a minor third", 4: "a major third", 5: "a fourth"}


def tension_factor(cents: float) -> float:
    """Return the tension of a string raised by `cents`, as a part of its tension before."""
    return float(2.0 ** (cents / 600.0))


def caution(number: int, cents: float, *, short: bool = False) -> str:
    """Say what to heed where a string goes up by some cents or becomes slack; empty where there is nothing to heed.

    `short` says that it is raised because a capo does not reach it (a banjo's fifth string).
    """
    percent = round(100 * abs(tension_factor(cents) - 1))
    if cents > UP_CENTS:
        semitones = round(cents / 100)
        size = _STEPS_UP.get(semitones, f"{max(semitones, 1)} semitones")
        way_out = "lighter strings, or tuning lower and using a capo, spare it"
        if short:
            way_out = "a capo of its own spares this short string"
        return (
            f"String {number} goes up {size} and carries {percent} % more tension: "
            f"ask the maker or a luthier whether the instrument bears it; {way_out}."
        )
    if tension_factor(cents) < SLACK_TENSION:
        return (
            f"String {number} keeps {100 - percent} % of its tension: "
            "it may buzz and fret sharp; a heavier string helps."
        )
    return ""


def advice(
    *,
    moved: bool,
    tempered: bool,
    stiffness_cents: float,
    reference_string: int,
    capo: int,
    fretted: bool = True,
) -> tuple[str, ...]:
    """Return the sentences that go with a plan, in the order of the work.

    Parameters
    ----------
    moved : bool
        Whether any string changes its note.
    tempered : bool
        Whether any string ends beating.
    stiffness_cents : float
        The most that stiffness leaves.
    reference_string : int
        The string to check and come back to.
    capo : int
        Fret of the capo, 0 for none.
    fretted : bool
        Whether the instrument has frets, so that a capo may go on.
    """
    sentences = []
    if moved:
        sentences.append(
            "Bring every string near its note first, those that come down before those that go up; "
            "each moves the others through the neck."
        )
    sentences.append(
        "Always come from below: slacken a little past the pitch, then tighten; "
        "beats slow down towards the pitch and speed up past it."
    )
    if tempered:
        sentences.append(
            "A tempered string does not end still: tune it still first, then a little sharper or flatter, "
            "until it beats as often as given."
        )
    if stiffness_cents >= STIFFNESS_WORTH_TELLING_CENTS:
        sentences.append(
            "Strings are stiff, so their partials lie a little sharp: "
            f"this leaves up to {stiffness_cents:.1f} cents when the beats have stopped."
        )
    sentences.append(
        f"Then check the reference string {reference_string} and go round again: "
        "every string that was turned has moved the others."
    )
    if not (capo or fretted):
        return tuple(sentences)
    sentences.append(
        f"A capo pulls the strings sharp: measure the reference again with the capo on at fret {capo}, "
        "and tune with it on."
        if capo
        else "If a capo goes on later, measure the reference again with the capo on: it pulls the strings sharp."
    )
    return tuple(sentences)
