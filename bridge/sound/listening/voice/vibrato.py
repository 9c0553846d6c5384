"""The centre of a wavering pitch: over whole cycles of the vibrato, whose width and rate are told apart.

The pitch of a sung note, in cents against time, is fitted by a constant and one wave of 3.5 to 8.5 Hz. The constant is
the centre: unlike a mean it does not care where in its cycle the note begins and ends.

Sources: singers' vibrato lies between 4.5 and 7 Hz, mostly within 100 cents to either side, and its centre is what is
heard (J. Sundberg, "The science of the singing voice", 1987; from memory). The fit is least squares over a grid of
rates, as in J. D. Scargle (Astrophys. J. 263, 1982).

Conventions: times in seconds, pitches in cents above any fixed frequency.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from bridge.sound.analysis.spectrum import Floats

#: Rates of vibrato looked for, in Hz.
SLOWEST_HZ, FASTEST_HZ, STEP_HZ = 3.5, 8.5, 0.1
#: A wave is a vibrato from this width (to either side) …
LEAST_CENTS = 6.0
#: … if it is at least this share of all that the pitch moves (in squares) …
LEAST_SHARE = 0.5
#: … was seen for so many cycles …
LEAST_CYCLES = 1.5
#: … and is no wider than this: what moves further is a slide.
MOST_CENTS = 150.0
#: What lies further out than this many times the usual is a slip, and does not count.
SLIP = 4.0
#: … and, where there is no vibrato, what lies so far from the middle.
SLIDE_CENTS = 120.0


@dataclass(frozen=True)
class Centre:
    """Where a sung note lies."""

    # Its centre, and the standard deviation of that.
    cents: float
    sd_cents: float
    steadiness_cents: float  # how far the pitch strays, its vibrato aside: root mean square
    # Rate, and width to either side; 0 where there is none.
    vibrato_hz: float
    vibrato_cents: float


def centre_of(t: Floats, cents: Floats, frame_s: float) -> Centre:
    """Find the centre of a note.

    Parameters
    ----------
    t, cents : ndarray, shape (frames,)
        At least one frame.
    frame_s : float
        Length of the frames that the pitches are means of: it narrows the vibrato that is seen.
    """
    base = float(np.median(cents))
    off = cents - base
    keep = np.ones(off.size, dtype=bool)
    for _ in range(2):
        fit = _fit(t[keep], off[keep])
        left = off - fit.wave(t)
        scale = max(1.0, 1.48 * float(np.median(np.abs(left[keep]))))
        keep = np.abs(left) <= SLIP * scale
        if keep.all():
            break
    if fit.rate_hz == 0.0:
        # A slide has no usual distance from its middle: only what is a semitone away and more is left out.
        keep = np.abs(off) <= max(SLIDE_CENTS, float(np.abs(off).min()))
        fit = replace(fit, constant=float(np.mean(off[keep])))
        left = off - fit.constant
        keep &= np.abs(left) <= SLIP * max(1.0, 1.48 * float(np.median(np.abs(left[keep]))))
        fit = replace(fit, constant=float(np.mean(off[keep])))
        left = off - fit.constant
    steadiness = float(np.sqrt(np.mean(left[keep] ** 2)))
    seconds = max(float(t[-1] - t[0]), 0.05)
    # Neighbouring frames overlap and a voice strays slowly: about five independent looks a second.
    sd = float(np.hypot(0.3, steadiness / np.sqrt(max(1.0, 5.0 * seconds))))
    if fit.rate_hz == 0.0:
        # A part of a cycle may be hidden in what seems no vibrato.
        sd = float(np.hypot(sd, steadiness / (2 * max(0.5, 5.5 * seconds))))
    seen = _narrowed(fit.rate_hz, frame_s)
    return Centre(base + fit.constant, sd, steadiness, fit.rate_hz, fit.width / seen)


@dataclass(frozen=True)
class _Fit:
    constant: float
    cosine: float
    sine: float
    rate_hz: float
    start_s: float

    @property
    def width(self) -> float:
        return float(np.hypot(self.cosine, self.sine))

    def wave(self, t: Floats) -> Floats:
        turn = 2 * np.pi * self.rate_hz * (t - self.start_s)
        return np.asarray(self.constant + self.cosine * np.cos(turn) + self.sine * np.sin(turn))


def _fit(t: Floats, off: Floats) -> _Fit:
    plain = _Fit(float(np.mean(off)), 0.0, 0.0, 0.0, 0.0)
    seconds = float(t[-1] - t[0])
    slowest = max(SLOWEST_HZ, LEAST_CYCLES / max(seconds, 1e-3))
    power = float(np.sum((off - plain.constant) ** 2))
    if slowest >= FASTEST_HZ or t.size < 8 or power <= t.size * (0.5 * LEAST_CENTS) ** 2:
        return plain
    start = float(t[0])
    rates = np.arange(slowest, FASTEST_HZ, STEP_HZ)
    left = np.array([_solve(t - start, off, float(rate))[1] for rate in rates])
    best = int(np.argmin(left))
    rate = float(rates[best])
    if 0 < best < rates.size - 1:
        a, b, c = left[best - 1 : best + 2]
        curve = a - 2 * b + c
        rate += float(np.clip(0.5 * (a - c) / curve, -0.5, 0.5)) * STEP_HZ if curve > 0 else 0.0
    (constant, cosine, sine), after = _solve(t - start, off, rate)
    found = _Fit(float(constant), float(cosine), float(sine), rate, start)
    # A slide over part of a cycle looks like a wave whose centre the note never saw.
    inside = float(off.min()) - 1.0 <= found.constant <= float(off.max()) + 1.0
    inside = inside and best > 0 and found.width <= MOST_CENTS
    real = found.width >= LEAST_CENTS and power - after >= LEAST_SHARE * power and inside
    return found if real else plain


def _solve(t: Floats, off: Floats, rate_hz: float) -> tuple[Floats, float]:
    turn = 2 * np.pi * rate_hz * t
    basis = np.column_stack([np.ones(t.size), np.cos(turn), np.sin(turn)])
    gram = basis.T @ basis
    solved = np.linalg.solve(gram + 1e-9 * t.size * np.eye(3), basis.T @ off)
    return solved, float(np.sum((off - basis @ solved) ** 2))


def _narrowed(rate_hz: float, frame_s: float) -> float:
    """What a mean over a frame leaves of a wave."""
    return float(np.sinc(rate_hz * frame_s))
