"""What is tried about pitch bends, their range and MPE zones: trials as data (see `bridge.engine.probe.trials`).

Conventions: channels are 1 to 16; cents; bend steps are those of 8192.

Sources: MIDI 1.0 Detailed Specification, "Pitch Bend Change"; *MIDI Polyphonic Expression* (2018).
"""

from __future__ import annotations

from bridge.engine.probe.messages import SHIFT_CENTS, Place, bend_by
from bridge.engine.probe.trials import Step, Trial, usual
from bridge.wire import rpn
from bridge.wire.bend import CENTRE

BEND_STEPS = -4096
"""Half a bend down: a semitone at the usual range of two."""


def bend_as_it_is(place: Place) -> Trial:
    """Return the trial of pitch bend, with whatever range the channel has."""
    return usual(
        "bend",
        "pitch bend",
        "E0",
        place.channel,
        (bend_by(place.channel, 0),),
        (bend_by(place.channel, BEND_STEPS),),
        (bend_by(place.channel, 0),),
        -100.0,
    )


RANGE_STEPS = -410
_TRIED_RANGE = 12


def bend_range(place: Place) -> Trial:
    """Return the trial of the bend range: a small bend grows sixfold when the range does.

    The bend is sent again after the range, as who plays does: some synths let a sounding note follow only then.
    """
    channel = place.channel
    small = bend_by(channel, RANGE_STEPS)
    return usual(
        "bend-range",
        "bend range",
        "RPN 00 00",
        channel,
        (*rpn.bend_range(channel, 2), small),
        (*rpn.bend_range(channel, _TRIED_RANGE), bend_by(channel, 0), small),
        (bend_by(channel, 0), *rpn.bend_range(channel, 2)),
        RANGE_STEPS / CENTRE * 100 * (_TRIED_RANGE - 2),
    )


def range_steps(semitones: int) -> int:
    """Return the bend steps that ask for the usual shift at some range."""
    return round(SHIFT_CENTS / 100 / semitones * CENTRE)


def wide_range(place: Place, semitones: int) -> Trial:
    """Return the trial of how far a bend goes after a range was asked for; two steps."""
    channel = place.channel
    return Trial(
        f"bend-range-{semitones}",
        f"bend range of {semitones} semitones",
        "RPN 00 00",
        channel,
        (
            Step((*rpn.bend_range(channel, 2), bend_by(channel, 0))),
            Step((*rpn.bend_range(channel, semitones), bend_by(channel, range_steps(semitones)))),
        ),
        (bend_by(channel, 0), *rpn.bend_range(channel, 2)),
        range_steps(semitones) / CENTRE * 100 * semitones,
    )


BEND_POINTS = (8191, -8192, 5021, -3307, 1233, -777)
"""Steps of 8192 whose cents fall between whole ones differently, with and without the usual flaws."""


def bend_points(place: Place) -> Trial:
    """Return the trial of how exactly bends are obeyed, at a range of two semitones."""
    channel = place.channel
    first = Step((*rpn.bend_range(channel, 2), bend_by(channel, 0)), precise=True)
    others = tuple(Step((bend_by(channel, steps),), precise=True) for steps in BEND_POINTS)
    return Trial(
        "bend-exactness",
        "how exact bends are",
        "E0",
        channel,
        (first, *others),
        (bend_by(channel, 0), *rpn.bend_range(channel, 2)),
    )


MPE_STEPS = range_steps(48)
_MPE_MANAGER = 1


def mpe_zone(place: Place, member: int) -> Trial:
    """Return the trial of an MPE zone: its members bend by 48 semitones without being told."""
    undo = (
        bend_by(member, 0),
        *rpn.mpe_configuration(_MPE_MANAGER, 0),
        bend_by(_MPE_MANAGER, 0),
        *rpn.bend_range(member, 2),
    )
    return usual(
        "mpe",
        "MPE zone",
        "RPN 00 06",
        member,
        (*rpn.bend_range(member, 2), *rpn.mpe_configuration(_MPE_MANAGER, 15)),
        (bend_by(member, MPE_STEPS),),
        undo,
        MPE_STEPS / CENTRE * 4800,
    )


def mpe_range(place: Place, member: int) -> Trial:
    """Return the trial whether members of an MPE zone accept another bend range: twelve semitones."""
    steps = range_steps(12)
    zone = mpe_zone(place, member)
    return usual(
        "mpe-range",
        "bend range inside an MPE zone",
        "RPN 00 00",
        member,
        (*rpn.mpe_configuration(_MPE_MANAGER, 15), *rpn.bend_range(member, 12)),
        (bend_by(member, steps),),
        zone.undo,
        steps / CENTRE * 1200,
    )
