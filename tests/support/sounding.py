"""How far from where it settles a recorded string sounds at first, by a tracker that shares nothing with the project.

A plucked string starts sharp, since its swing stretches it (N. H. Fletcher and T. D. Rossing, *The Physics of Musical
Instruments*, on tension modulation), and a finger moves it. So an early reading is to be held against what the string
sounds then, as well as against where it settles.

Each partial's frequency is the step of its phase between two Hann windows a little apart (J. L. Flanagan and R. M.
Golden, "Phase vocoder", Bell Syst. Tech. J. 45, 1966). It is held against the same partial's own median from a quarter
of a second to one and a quarter after the pluck, so that stiffness and the body's pull fall out. What most partials
say counts: single ones swing by tens of cents in the first moments. Imports nothing of the project.
"""

from __future__ import annotations

import numpy as np

MOST_PARTIALS, TOP_HZ = 12, 7000.0
APART_S = 0.006
WINDOW_S = 0.06
LATE_S = np.arange(0.28, 1.24, 0.04)


def sharp_at_first_cents(sound: np.ndarray, rate: int, settled_hz: float, until_s: float) -> float:
    """Mean pitch from the pluck, at sample 0, to `until_s`, in cents above where the note settles.

    Parameters
    ----------
    sound : ndarray, shape (n,)
        At least 1.3 seconds of the note, from its pluck on.
    settled_hz : float
        Its pitch, right to some cents.
    """
    early, loudness = [], []
    for number, hz in _partials(sound, rate, settled_hz):
        late = [_frequency(sound, rate, hz, at - WINDOW_S / 2, WINDOW_S)[0] for at in LATE_S]
        off = 1200 * np.log2(np.asarray(late) / np.median(late))
        then_hz, amplitude = _frequency(sound, rate, hz, 0.0, until_s)
        early.append(1200 * np.log2(then_hz / np.median(late)))
        # A partial that does not hold still later on is a poor witness.
        loudness.append(np.sqrt(amplitude * number) / (1 + np.median(np.abs(off))))
    order = np.argsort(early)
    heaped = np.cumsum(np.asarray(loudness)[order])
    return float(np.asarray(early)[order][np.searchsorted(heaped, heaped[-1] / 2)])


def _partials(sound: np.ndarray, rate: int, settled_hz: float) -> list[tuple[int, float]]:
    """Number and frequency of the partials that stand alone in a long spectrum, the stiffness learnt on the way."""
    late = sound[round(0.25 * rate) : round(1.25 * rate)]
    size = 8 * late.size
    level = np.abs(np.fft.rfft(late * np.hanning(late.size), size))
    found, stiffness = [], 0.0
    for number in range(1, MOST_PARTIALS + 1):
        hz = number * settled_hz * np.sqrt((1 + stiffness * number**2) / (1 + stiffness))
        if hz > min(TOP_HZ, 0.4 * rate):
            break
        low, high = (round(hz * 2 ** (side / 48) * size / rate) for side in (-1, 1))
        top = low + int(np.argmax(level[low:high]))
        if not low < top < high - 1:
            continue
        left, here, right = np.log(level[top - 1 : top + 2])
        hz = (top + 0.5 * (left - right) / (left - 2 * here + right)) * rate / size
        found.append((number, float(hz)))
        if number >= 4:
            now = ((hz / number / settled_hz) ** 2 - 1) / (number**2 - 1)
            stiffness = float(np.clip((stiffness + now) / 2 if stiffness else now, 0.0, 1e-3))
    return found


def _frequency(sound: np.ndarray, rate: int, hz: float, start_s: float, span_s: float) -> tuple[float, float]:
    """Frequency near `hz` over a stretch, and its amplitude."""
    step = round(APART_S * rate)
    length = round(span_s * rate) - step
    first = round(start_s * rate)
    time_s = np.arange(first, first + length + step) / rate
    turned = sound[first : first + length + step] * np.exp(-2j * np.pi * hz * time_s)
    window = np.hanning(length)
    one, other = np.sum(turned[:length] * window), np.sum(turned[step:] * window)
    return float(hz + np.angle(other * np.conj(one)) * rate / (2 * np.pi * step)), float(abs(one))
