"""Finds the notes of one voice: sung, bowed, or any tone whose pitch wavers.

The pitch is followed frame by frame (`track`), and every stretch that holds a note is checked against its own
spectrum, so that a chord's common fundamental, which nobody plays, is not taken for a voice.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bridge.sound.listening.comb import best_comb
from bridge.sound.listening.contour import Run, Track, runs, track_pitch
from bridge.sound.listening.spectrum import peaks, spectrum

#: Notes of a voice hold at least so much of the power.
VOICE_POWER = 0.6
#: Share of the peaks' power that one voice accounts for.
DOMINANT = 0.9
#: The pitch of a voice moves by at least so much, root mean square; a string's that settles does not.
MOVES_CENTS = 5.0


def voice_notes(samples: NDArray[np.floating], sample_rate: float) -> list[Run]:
    """The notes of a single voice, in order; empty where the sound is none.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    """
    track = track_pitch(samples, sample_rate)
    kept = [run for run in runs(track) if _one_voice(samples, sample_rate, track, run)]
    if not kept or float(np.median([run.spread_cents for run in kept])) < MOVES_CENTS:
        return []
    # A voice is most of what sounds; a chord may leave one string over at its end, pulled by the others.
    inside = np.zeros(track.t.size, dtype=bool)
    for run in kept:
        inside |= (track.t >= run.start_s) & (track.t <= run.end_s)
    power = track.level**2
    return kept if float(np.sum(power[inside])) >= VOICE_POWER * float(np.sum(power)) else []


def _one_voice(samples: NDArray[np.floating], sample_rate: float, track: Track, run: Run) -> bool:
    """Does the run's own spectrum, early, midway and late, show one voice at the track's pitch there?"""
    half = min(0.1, 0.5 * (run.end_s - run.start_s))
    good = 0
    for middle in np.linspace(run.start_s + half, run.end_s - half, 3):
        look = np.asarray(
            samples[max(0, round((middle - half) * sample_rate)) : round((middle + half) * sample_rate)],
            dtype=np.float64,
        )
        comb = best_comb(peaks(spectrum(look, sample_rate, top_hz=4000.0), range_db=40.0))
        if comb is None or comb.explained < DOMINANT:
            continue
        # Two strings may share a fundamental that neither has; a voice has its own, or all the rest.
        own = 1 in comb.numbers or {2, 3, 5, 7} <= set(comb.numbers.tolist())
        here = (np.abs(track.t - middle) <= half) & (track.hz > 0)
        if not own or not here.any():
            continue
        cents = 1200 * np.log2(track.hz[here] / comb.first_hz)
        good += bool(abs(float(np.median(cents))) < 8.0 + 1.2 * float(np.std(np.clip(cents, -200, 200))))
    return good >= 2
