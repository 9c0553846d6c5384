"""How a string's pitch moves through a note, as a few smooth shapes common to all its partials.

A plucked string starts sharp, since its swing stretches it, and falls as the swing dies (N. H. Fletcher and
T. D. Rossing, *The Physics of Musical Instruments*, on tension modulation); a finger or a peg adds a slow rise or
fall. Each shape is a curve of pitch; its integral bends the phases.

Conventions: t in seconds from the start of the stretch; coefficients are radians a second at partial factor 1 (the
factor of partial n is ``n * sqrt(1 + B * n**2)``).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bridge.sound.analysis.spectrum import Floats

#: Time constants tried for the fall after the pluck, in seconds.
FALL_TIMES_S = (0.04, 0.08, 0.16, 0.32, 0.64)


@dataclass(frozen=True)
class Shape:
    """A curve of pitch over time."""

    # "fall": ``exp(-t / time_s)``; "line": from -1 to 1 over `time_s`; "bow": a parabola, 1 at both ends and
    # -1/2 in the middle.
    kind: str
    time_s: float  # time constant of a fall, or length of the stretch

    def pitch(self, t: Floats) -> Floats:
        u = t / self.time_s
        if self.kind == "fall":
            return np.asarray(np.exp(-u), dtype=np.float64)
        if self.kind == "line":
            return np.asarray(2.0 * u - 1.0, dtype=np.float64)
        return np.asarray(1.5 * (2.0 * u - 1.0) ** 2 - 0.5, dtype=np.float64)

    def phase(self, t: Floats) -> Floats:
        """Integral of `pitch` from 0 to t."""
        u = t / self.time_s
        if self.kind == "fall":
            return np.asarray(self.time_s * (1.0 - np.exp(-u)), dtype=np.float64)
        if self.kind == "line":
            return np.asarray(self.time_s * (u * u - u), dtype=np.float64)
        return np.asarray(self.time_s * (2.0 * u**3 - 3.0 * u**2 + u), dtype=np.float64)


def candidates(span_s: float) -> tuple[Shape, ...]:
    """Curves to try on a stretch of `span_s` seconds."""
    falls = tuple(Shape("fall", tau) for tau in FALL_TIMES_S if tau < 0.4 * span_s)
    if span_s < 0.25:
        return falls
    return (*falls, Shape("line", span_s), Shape("bow", span_s))


@dataclass(frozen=True)
class Drift:
    """The curves that a string's pitch follows; empty for a steady one."""

    shapes: tuple[Shape, ...] = ()
    strength: tuple[float, ...] = ()

    def __bool__(self) -> bool:
        return bool(self.shapes)

    def pitch(self, t: Floats) -> Floats:
        """Radians a second at partial factor 1, shape of `t`."""
        out = np.zeros(np.shape(t))
        for shape, strength in zip(self.shapes, self.strength, strict=True):
            out = out + strength * shape.pitch(t)
        return out

    def phase(self, t: Floats) -> Floats:
        """Radians at partial factor 1, shape of `t`."""
        out = np.zeros(np.shape(t))
        for shape, strength in zip(self.shapes, self.strength, strict=True):
            out = out + strength * shape.phase(t)
        return out
