"""Listens to a take: finds each pluck or sung note, measures its pitch, names its string, refuses what it cannot.

A take of several strings may ring on: what sounded before a pluck is followed, carried on and taken out before the
new string is measured (`take`). Notes whose pitch wavers (sung, with vibrato, legato) are followed frame by frame
(`voice`), with a wider uncertainty. What cannot be measured is refused with the reason; no wrong answer is given with
confidence.

Conventions: samples of shape ``(n,)`` or ``(n, channels)``, full scale 1; times in seconds from the first sample;
`hz` is the first partial as it sounds, ``f0 * sqrt(1 + B)``, which is what a drone beats against.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bridge.sound.listening import refuse
from bridge.sound.listening.heard import (
    Heard,
    HeardNote,
    Refusal,
    Surroundings,
    heard_to_json,
    name_string,
)
from bridge.sound.listening.mono import Mono, mono
from bridge.sound.listening.take import WAVERS_CENTS, measure_take
from bridge.sound.listening.voice.notes import HOLDS_DB, voice_notes

__all__ = ["Heard", "HeardNote", "Refusal", "hear", "heard_to_json", "name_string"]

#: The shortest take.
LEAST_TAKE_S = 0.1


def hear(
    samples: NDArray[np.floating] | Mono,
    sample_rate: float,
    strings: Sequence[tuple[int, float]] | None = None,
    table_hz: Sequence[float] | NDArray[np.float64] | None = None,
    tonic: str = "C",
) -> Heard:
    """Measure the notes of a take and tell what was refused.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels), or Mono
        Full scale 1; several channels become one (see `mono`).
    strings : sequence of (number, hz), optional
        The guitar's strings with the pitch expected of each; notes are named by the nearest.
    table_hz : sequence of 128 floats, optional
        The table that notes are compared with.
    tonic : str
        Spells the notes' names.

    Returns
    -------
    Heard
        At least one note or one refusal.
    """
    one = mono(samples, sample_rate)
    length_s = one.sound.size / sample_rate
    if refuse.is_silent(one.peak):
        return Heard((), (Refusal(0.0, length_s, refuse.SILENCE),))
    if length_s < LEAST_TAKE_S:
        return Heard((), (Refusal(0.0, length_s, refuse.TOO_SHORT),))
    table = None if table_hz is None else np.asarray(table_hz, dtype=np.float64)
    around = Surroundings(tuple(strings or ()), table, tonic)
    measured, unmeasured = measure_take(one, sample_rate)
    refusals = tuple(Refusal(u.start_s, u.end_s, u.reason) for u in unmeasured)
    clipped = tuple(r for r in refusals if r.reason == refuse.CLIPPED)
    if refusals and not clipped:
        sung = voice_notes(one.sound, sample_rate)
        # Where most was measured as plucked strings, one that was refused makes no song: strings fade, a voice holds.
        plucked = len(measured) > len(refusals) and any(abs(run.holds_db) > HOLDS_DB for run in sung)
        if sung and not plucked:
            return Heard(
                tuple(
                    around.note(run.start_s, run.end_s, run.hz, run.cents_sd, 0.0, run.first_hz)
                    for run in sung
                ),
                (),
            )
    notes = []
    for pluck in measured:
        fit = pluck.fit
        # A wavering that is left over limits how well the settled pitch is known.
        sd = float(np.hypot(fit.cents_sd, _unsteady_cents(fit.wobble_cents)))
        level_db = 10 * float(np.log10(sum(0.5 * p.amplitude**2 for p in fit.partials) + 1e-12))
        cut = pluck.end_s >= length_s - 1e-3
        notes.append(
            around.note(pluck.start_s, pluck.end_s, fit.hz, sd, fit.stiffness, fit.attack_hz, level_db, cut)
        )
    return Heard(tuple(notes), refusals)


def _unsteady_cents(wobble_cents: float) -> float:
    """What a wavering of the pitch adds to its uncertainty: a tenth of it, a third where it is great."""
    if wobble_cents <= 2.5:
        return 0.0
    return wobble_cents * (0.1 if wobble_cents <= WAVERS_CENTS else 0.35)
