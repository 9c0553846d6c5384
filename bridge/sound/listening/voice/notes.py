"""Finds the notes of one voice: sung, bowed, or any tone whose pitch wavers.

The pitch is followed frame by frame (`follow`), and cut into notes where its mean over a vibrato's cycle leaves the
note. Every stretch is checked against its own spectrum, so that a chord's common fundamental, which nobody plays, is
not taken for a voice.

Conventions: times in seconds from the first sample.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.comb import best_comb
from bridge.sound.analysis.contour import CLEAR, Contour
from bridge.sound.analysis.spectrum import Floats, peaks, spectrum
from bridge.sound.listening.voice.follow import follow_voice, frame_s
from bridge.sound.listening.voice.vibrato import Centre, centre_of

#: Notes of a voice hold at least so much of the power.
VOICE_POWER = 0.6
#: Share of the peaks' power that one voice accounts for.
DOMINANT = 0.9
#: … with its partials where the track says, within this.
SAME_CENTS = 12.0
#: The pitch of a voice moves by at least so much, root mean square; a string's that settles does not …
MOVES_CENTS = 5.0
#: … and a string fades: a steady voice is as loud, within this, in its last third as in its first.
HOLDS_DB = 4.0
#: A note ends where the pitch, its vibrato smoothed away, leaves its middle by so many cents for longer than `GAP_S`.
LEAVES_CENTS = 70.0
GAP_S = 0.05
LEAST_NOTE_S = 0.12
#: What strays further than this, and is over so soon, is a slide between notes.
SLIDES_CENTS, SLIDES_S = 60.0, 0.25
#: A mean over this leaves less than half of a vibrato of 4 Hz, next to nothing of a quicker one.
SMOOTH_S = 0.16
#: Scoops into a note and falls out of it are no part of its pitch: this share at either end, at most so long.
EDGE_SHARE, EDGE_S = 0.1, 0.09
#: The middle that a note is measured against rests on its last so many frames.
RECENT_FRAMES = 24


@dataclass(frozen=True)
class SungNote:
    """One note of a voice."""

    start_s: float
    end_s: float
    # Its centre, over whole cycles of its vibrato, and the standard deviation of that.
    hz: float
    cents_sd: float
    steadiness_cents: float  # how far the pitch strays, its vibrato aside: root mean square
    # Rate, and width to either side; 0 where there is none.
    vibrato_hz: float
    vibrato_cents: float
    first_hz: float  # mean over the first 80 ms
    holds_db: float  # level of its last third against its first

    @property
    def moves_cents(self) -> float:
        """How far the pitch moves in all, root mean square."""
        return float(np.hypot(self.steadiness_cents, self.vibrato_cents / np.sqrt(2)))


def voice_notes(
    samples: NDArray[np.floating], sample_rate: float, track: Contour | None = None
) -> list[SungNote]:
    """The notes of a single voice, in order; empty where the sound is none.

    Parameters
    ----------
    samples : ndarray, shape (n,)
    track : Contour, optional
        What `follow_voice` found in the same sound, where that is known.
    """
    track = follow_voice(samples, sample_rate) if track is None else track
    kept = [note for note in cut_notes(track) if _one_voice(samples, sample_rate, track, note)]
    if not kept:
        return []
    moves = float(np.median([note.moves_cents for note in kept])) >= MOVES_CENTS
    holds = float(np.median([note.holds_db for note in kept])) >= -HOLDS_DB
    if not (moves or holds):
        return []
    # A voice is most of what sounds; a chord may leave one string over at its end, pulled by the others.
    inside = np.zeros(track.t.size, dtype=bool)
    for note in kept:
        inside |= (track.t >= note.start_s) & (track.t <= note.end_s)
    power = track.level**2
    return kept if float(np.sum(power[inside])) >= VOICE_POWER * float(np.sum(power)) else []


def _one_voice(samples: NDArray[np.floating], sample_rate: float, track: Contour, note: SungNote) -> bool:
    """Does the note's own spectrum, early, midway and late, show one voice at the track's pitch there?"""
    half = min(0.1, 0.5 * (note.end_s - note.start_s))
    good = 0
    for looks, middle in enumerate(np.linspace(note.start_s + half, note.end_s - half, 3)):
        if looks - good >= 2 or good >= 2:
            break
        look, hz = _straightened(samples, sample_rate, track, middle - half, middle + half)
        if hz == 0.0:
            continue
        comb = best_comb(peaks(spectrum(look, sample_rate, top_hz=4000.0), range_db=40.0))
        if comb is None or comb.explained < DOMINANT:
            continue
        # Two strings may share a fundamental that neither has; a voice has its own, or all the rest.
        own = 1 in comb.numbers or {2, 3, 5, 7} <= set(comb.numbers.tolist())
        good += own and abs(1200 * float(np.log2(hz / comb.first_hz))) < SAME_CENTS
    return good >= 2


def _straightened(
    samples: NDArray[np.floating], sample_rate: float, track: Contour, start_s: float, end_s: float
) -> tuple[Floats, float]:
    """A stretch of sound with the voice's pitch made steady, and that pitch; 0 where there is none.

    Time is stretched as the pitch goes, so that the partials of a vibrato become lines again.
    """
    first, last = max(0, round(start_s * sample_rate)), min(samples.size, round(end_s * sample_rate))
    look = np.asarray(samples[first:last], dtype=np.float64)
    here = slice(*np.searchsorted(track.t, (start_s - 0.05, end_s + 0.05)))
    near = (track.hz[here] > 0) & (track.clarity[here] >= CLEAR)
    if look.size < 64 or int(near.sum()) < 3:
        return look, 0.0
    t = np.arange(first, last) / sample_rate
    hz = np.interp(t, track.t[here][near], track.hz[here][near])
    middle = float(np.exp(np.mean(np.log(hz))))
    turned = np.cumsum(hz / middle)
    even = np.arange(np.ceil(turned[0]), turned[-1])
    return np.interp(even, turned, look), middle


def cut_notes(track: Contour) -> list[SungNote]:
    """Stretches of a track in which the pitch stays with one note, in order."""
    if track.t.size < 3:
        return []
    loud = track.level > 0.01 * float(track.level.max())
    voiced = np.flatnonzero((track.clarity >= CLEAR) & (track.hz > 0) & loud)
    if voiced.size < 3:
        return []
    step = float(track.t[1] - track.t[0])
    gap = max(1, round(GAP_S / step))
    out: list[SungNote] = []
    for stretch in np.split(voiced, np.flatnonzero(np.diff(voiced) > gap) + 1):
        cents = 1200 * np.log2(track.hz[stretch])
        smooth = _smoothed(cents, max(1, round(0.5 * SMOOTH_S / step)))
        for first, last in _cuts(smooth, gap):
            out += _note(track, stretch[first:last], cents[first:last])
    return out


def _smoothed(values: Floats, half: int) -> Floats:
    """Mean over `half` frames to either side, as far as there are any."""
    running = np.cumsum(np.concatenate([[0.0], values]))
    at = np.arange(values.size)
    first, last = np.maximum(at - half, 0), np.minimum(at + half + 1, values.size)
    return np.asarray((running[last] - running[first]) / (last - first), dtype=np.float64)


def _cuts(smooth: Floats, gap: int) -> list[tuple[int, int]]:
    """First frame and the one after the last of each note."""
    out: list[tuple[int, int]] = []
    first = 0
    for k in range(1, smooth.size):
        middle = float(np.median(smooth[max(first, k - RECENT_FRAMES) : k]))
        if abs(smooth[k] - middle) <= LEAVES_CENTS:
            continue
        ahead = smooth[k : k + gap + 1]
        if abs(float(np.median(ahead)) - middle) > LEAVES_CENTS:
            out.append((first, k))
            first = k
    return [*out, (first, smooth.size)]


def _note(track: Contour, frames: NDArray[np.intp], cents: Floats) -> list[SungNote]:
    t = track.t[frames]
    if frames.size < 4 or float(t[-1] - t[0]) < LEAST_NOTE_S:
        return []
    step = float(t[-1] - t[0]) / (frames.size - 1)
    edge = max(1, min(round(EDGE_SHARE * frames.size), round(EDGE_S / step))) if frames.size > 12 else 0
    body = slice(edge, frames.size - edge)
    hz = float(2 ** (np.median(cents[body]) / 1200))
    centre: Centre = centre_of(t[body], cents[body], frame_s(hz))
    if centre.steadiness_cents > SLIDES_CENTS and float(t[-1] - t[0]) < SLIDES_S:
        return []
    third = max(1, frames.size // 3)
    level = track.level[frames] + 1e-12
    holds = 20 * float(np.log10(np.mean(level[-third:]) / np.mean(level[:third])))
    return [
        SungNote(
            start_s=float(t[0]),
            end_s=float(t[-1]),
            hz=float(2 ** (centre.cents / 1200)),
            cents_sd=centre.sd_cents,
            steadiness_cents=centre.steadiness_cents,
            vibrato_hz=centre.vibrato_hz,
            vibrato_cents=centre.vibrato_cents,
            first_hz=float(2 ** (np.mean(cents[t <= t[0] + 0.08]) / 1200)),
            holds_db=holds,
        )
    ]
