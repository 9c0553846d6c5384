"""Straight lines through the phases of a string's partials, once their common drift is taken out.

Each partial's phase against its carrier is a straight line whose slope is the rest of its frequency, plus the
string's drift of pitch (`drift`), which bends all phases in proportion. Amplitudes give the weights.

Conventions: `t` in seconds, shape ``(blocks,)``; phases in radians, shape ``(blocks, partials)``; slopes in radians a
second; `factor` is ``n * sqrt(1 + B * n**2)``, shape ``(partials,)``.

Index
-----
`Lines`         the lines, the drift, the envelopes, and their variances
`first_lines`   mean frequency of each partial against its carrier, and which can be followed
`fit_lines`     the fit
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.blocks import Blocks, Complex
from bridge.sound.analysis.drift import Drift, Shape, candidates
from bridge.sound.analysis.spectrum import Floats

#: A curve of drift is believed when it takes this much off the squared residuals, in units of their own variance …
DRIFT_GAIN = 16.0
#: … and at least this share of them.
DRIFT_SHARE = 0.04
MOST_SHAPES = 3


@dataclass(frozen=True, eq=False)
class Lines:
    """Every partial's phase as a straight line plus the common drift, relative to its carrier."""

    # Phase at t = 0, slope, and the variance of the slope with the drift held; shape (partials,).
    phase: Floats
    slope: Floats
    slope_var: Floats
    drift: Drift
    # Covariance of the drift's strengths, and how much slope (at factor 1) a unit of each takes from the
    # lines.
    drift_cov: Floats
    tilt: Floats
    # The exponential ``exp(log_amplitude - decay * t)`` nearest to each envelope; shape (partials,).
    log_amplitude: Floats
    decay: Floats
    amplitude: Floats  # smooth envelope; shape (blocks, partials)
    wobble: float  # root mean square of what is left of the common pitch, in Hz at factor 1


def first_lines(blocks: Blocks) -> tuple[Floats, NDArray[np.bool_]]:
    """Mean slope of each partial against its carrier, and which partials can be followed at all."""
    y = blocks.y
    together = np.sum(y[1:] * np.conj(y[:-1]), axis=0)
    squares = np.abs(y) ** 2
    power = squares.sum(axis=0)
    # Noise alone gives an agreement of about 1 / sqrt(blocks); a partial gives nearly 1 while it sounds.
    # Each block against the next by both their powers, lest a partial that dies away quickly be taken for noise.
    held = np.abs(together) / np.sqrt(np.maximum(squares[1:].sum(axis=0) * squares[:-1].sum(axis=0), 1e-60))
    slope = np.angle(together) / blocks.hop_s
    # A neighbour's skirt shows as a slope far from where the law puts the partial.
    clear = (held > np.clip(3.0 / np.sqrt(blocks.t.size), 0.35, 0.7)) & (power > 1e-6 * power.max())
    clear &= np.abs(slope) < 0.3 * np.pi / blocks.hop_s
    return slope, clear


def fit_lines(
    blocks: Blocks, factor: Floats, before: Lines | None, span_s: float, trust: Floats | None = None
) -> Lines:
    """Fit phase lines with a common drift, and envelopes, to the partials' blocks.

    Parameters
    ----------
    factor : ndarray, shape (partials,)
    before : Lines or None
        The last fit, whose slopes have gone into the carriers; None at first, when the phases are unwrapped along the
        string's own common track.
    span_s : float
        Length of the stretch.
    trust : ndarray, shape (partials,), optional
        How far each partial may tell of the drift: 1 in full (the default), less where another tone sounds near it.
    """
    t, y = blocks.t, blocks.y
    trust = np.ones(factor.size) if trust is None else trust
    if before is None:
        total, amplitude = _unwrapped(y, factor)
        line = _straighten(t, total, amplitude**2 + 1e-30, factor, None, span_s, trust)
    else:
        known = before.phase + np.outer(before.drift.phase(t), factor)
        total = known + np.angle(y * np.exp(-1j * known))
        line = _straighten(t, total, before.amplitude**2 + 1e-30, factor, before.drift.shapes, span_s, trust)
    # The first time twice, so that weights and phases settle; the drift is chosen anew at the end of each fit.
    for last in (False, True) if before is None else (True,):
        theta = line.phase + line.slope * t[:, None] + np.outer(line.drift.phase(t), factor)
        aligned = y * np.exp(-1j * theta)
        amplitude, log_amplitude, decay = _envelope(t, aligned)
        weight = amplitude**2 + 1e-30
        turn = np.angle(aligned)
        # Where a block is mostly noise, its quadrature is a better-behaved measure than its angle.
        turn = np.where(np.abs(turn) < 1.0, turn, np.clip(aligned.imag / np.sqrt(weight), -1.0, 1.0))
        keep = line.drift.shapes if line.drift or not last else None
        line = _straighten(t, theta + turn, weight, factor, keep, span_s, trust)
    slope_var, covariance, tilt = _variances(t, weight, line.rest, factor, line.drift)
    wobble = _wobble(t, weight, line.rest, factor)
    return Lines(
        line.phase,
        line.slope,
        slope_var,
        line.drift,
        covariance,
        tilt,
        log_amplitude,
        decay,
        amplitude,
        wobble,
    )


def _unwrapped(y: Complex, factor: Floats) -> tuple[Floats, Floats]:
    """Phases without jumps: along the common track first, then each partial's own drift."""
    amplitude = np.abs(y)
    step = y[1:] * np.conj(y[:-1])
    weight = amplitude[1:] * amplitude[:-1]
    scale = np.maximum(weight @ factor**2, 1e-30)
    common = ((weight * np.angle(step)) @ factor) / scale
    track = np.outer(np.concatenate([[0.0], np.cumsum(common)]), factor)
    return track + np.unwrap(np.angle(y * np.exp(-1j * track)), axis=0), amplitude


@dataclass(frozen=True, eq=False)
class _Straight:
    phase: Floats
    slope: Floats
    drift: Drift
    rest: Floats


def _straighten(
    t: Floats,
    total: Floats,
    weight: Floats,
    factor: Floats,
    shapes: tuple[Shape, ...] | None,
    span_s: float,
    trust: Floats,
) -> _Straight:
    """Weighted straight lines through the phases, with the curves of drift given, or (None) those believed."""
    sum_w = np.sum(weight, axis=0)
    mean_t = (t @ weight) / sum_w
    centred = t[:, None] - mean_t
    heavy = weight * centred
    spread = np.sum(heavy * centred, axis=0)

    def residual(values: Floats) -> tuple[Floats, Floats, Floats]:
        mean = np.sum(weight * values, axis=0) / sum_w
        slope = np.sum(heavy * values, axis=0) / spread
        return mean - slope * mean_t, slope, values - mean - slope * centred

    phase, slope, rest = residual(total)
    telling = weight * trust
    plain = float(np.sum(telling * rest**2))
    pool = candidates(span_s) if shapes is None else shapes
    if not pool or plain <= 0:
        return _Straight(phase, slope, Drift(), rest)
    # One common curve in each partial, the line that it takes with it removed; shape (curves, blocks, partials).
    curves = np.array([shape.phase(t) for shape in pool])
    mean, tilt = curves @ weight / sum_w, curves @ heavy / spread
    bent = (curves[:, :, None] - mean[:, None, :] - tilt[:, None, :] * centred) * factor
    even = (bent * np.sqrt(telling)).reshape(len(pool), -1)
    gram = even @ even.T
    right = even @ (np.sqrt(telling) * rest).ravel()
    if shapes:
        chosen = list(range(len(pool)))
    else:
        effective = float(np.sum(np.max(weight / weight.max(axis=0), axis=1) > 1e-3))
        chosen = _choose(gram, right, plain, effective * factor.size, 2.0 * factor.size, telling, rest, bent)
    if not chosen:
        return _Straight(phase, slope, Drift(), rest)
    strength = _solve(gram, right, chosen)
    drift = Drift(tuple(pool[k] for k in chosen), tuple(float(s) for s in strength))
    phase, slope, rest = residual(total - np.outer(drift.phase(t), factor))
    return _Straight(phase, slope, drift, rest)


def _solve(gram: Floats, right: Floats, chosen: list[int]) -> Floats:
    square = gram[np.ix_(chosen, chosen)]
    ridge = 1e-9 * np.diag(np.diag(square))
    return np.asarray(np.linalg.solve(square + ridge, right[chosen]), dtype=np.float64)


def _choose(
    gram: Floats,
    right: Floats,
    plain: float,
    data: float,
    lines: float,
    weight: Floats,
    rest: Floats,
    bent: Floats,
) -> list[int]:
    """Curves, best first, as long as each takes a believable amount off the squared residuals."""
    # All curves together take off at least what any choice of them does.
    together = float(right @ np.linalg.lstsq(gram, right, rcond=1e-8)[0])
    if together < DRIFT_SHARE * plain:
        return []
    chosen: list[int] = []
    now = plain
    while len(chosen) < MOST_SHAPES:
        best: tuple[float, int] | None = None
        for k in range(bent.shape[0]):
            if k in chosen or gram[k, k] <= 0:
                continue
            trial = [*chosen, k]
            if np.linalg.cond(gram[np.ix_(trial, trial)]) > 1e6:
                continue
            after = plain - float(right[trial] @ _solve(gram, right, trial))
            if best is None or after < best[0]:
                best = (after, k)
        if best is None:
            break
        after, k = best
        if now - after < DRIFT_SHARE * plain:
            break
        trial = [*chosen, k]
        strength = _solve(gram, right, trial)
        left = rest - np.tensordot(strength, bent[trial], 1)
        # What is left of a real string's phases moves slowly too: neighbouring blocks are no independent evidence.
        freedom = max(3.0, (data - lines) / _stickiness(weight, left))
        if now - after < DRIFT_GAIN * max(after, 1e-30) / freedom:
            break
        chosen = trial
        now = after
    return chosen


def _stickiness(weight: Floats, rest: Floats) -> float:
    """By what factor neighbouring blocks' agreement lessens the number of independent ones (1 = none)."""
    even = np.sqrt(weight) * rest
    energy = float(np.sum(even**2))
    if energy <= 0:
        return 1.0
    lag = min(max(float(np.sum(even[1:] * even[:-1])) / energy, 0.0), 0.95)
    return (1 + lag) / (1 - lag)


def _variances(
    t: Floats, weight: Floats, rest: Floats, factor: Floats, drift: Drift
) -> tuple[Floats, Floats, Floats]:
    """Variance of every slope, covariance of the drift, and how much slope a unit of drift takes (at factor 1)."""
    sum_w = np.sum(weight, axis=0)
    centred = t[:, None] - (t @ weight) / sum_w
    spread = np.sum(weight * centred**2, axis=0)
    # Blocks that hold next to nothing still tell what the noise is: each counts.
    count = np.maximum(np.sum(weight / weight.max(axis=0) > 1e-8, axis=0) - 2.0, 1.0)
    noise = np.sum(weight * rest**2, axis=0) / count
    root = np.sqrt(weight) * rest
    lag = np.sum(root[1:] * root[:-1], axis=0) / np.maximum(np.sum(root**2, axis=0), 1e-300)
    lag = np.clip(lag, 0.0, 0.95)
    inflated = np.maximum(noise * (1 + lag) / (1 - lag), 1e-300)
    variance = inflated / spread
    if not drift:
        return variance, np.zeros((0, 0)), np.zeros(0)
    left, tilts = [], []
    for shape in drift.shapes:
        curve = np.broadcast_to(shape.phase(t)[:, None], rest.shape)
        curve = curve - np.sum(weight * curve, axis=0) / sum_w
        tilt = np.sum(weight * centred * curve, axis=0) / spread
        left.append((curve - tilt * centred) * factor)
        tilts.append(float(np.sum(tilt * factor**2 / variance) / np.sum(factor**2 / variance)))
    information = np.array([[float(np.sum(weight / inflated * a * b)) for b in left] for a in left])
    information += 1e-9 * np.diag(np.diag(information)) + 1e-300 * np.eye(len(left))
    return variance, np.linalg.inv(information), np.asarray(tilts)


def _envelope(t: Floats, aligned: Complex) -> tuple[Floats, Floats, Floats]:
    """Amplitude of every partial in every block: a smooth local mean, and the exponential that fits it.

    Returns ``(amplitude, log_amplitude, decay)``; `amplitude` of shape (blocks, partials) is never negative.
    """
    real = np.maximum(aligned.real, 0.0)
    logs = 0.5 * np.log(np.maximum(np.abs(aligned) ** 2, 1e-30))
    log_amplitude, decay = _log_line(t, logs, real**2 + 1e-30)
    log_amplitude, decay = np.clip(log_amplitude, *_LOGS), np.clip(decay, -5.0, 400.0)
    for _ in range(3):
        model = _exponential(t, log_amplitude, decay)
        off = np.clip(aligned.real / model - 1.0, -0.8, 0.8)
        shift, tilt = _log_line(t, off, model**2)
        log_amplitude, decay = np.clip(log_amplitude + shift, *_LOGS), np.clip(decay + tilt, -5.0, 400.0)
    model = _exponential(t, log_amplitude, decay)
    # Real strings beat with their own second polarisation: follow that, but not the noise.
    ratio = aligned.real / model
    width = 5 if t.size >= 15 else 3
    padded = np.pad(ratio, ((width // 2, width // 2), (0, 0)), mode="edge")
    running = np.cumsum(np.vstack([np.zeros((1, ratio.shape[1])), padded]), axis=0)
    smooth = (running[width:] - running[:-width]) / width
    power = np.sum(model**2, axis=0)
    off_rms = np.sqrt(np.sum(model**2 * (smooth - 1.0) ** 2, axis=0) / power)
    noise = np.sqrt(np.sum(model**2 * (ratio - smooth) ** 2, axis=0) / power / width)
    plain = off_rms < 2.0 * noise + 1e-3
    return np.where(plain, model, model * np.clip(smooth, 0.0, 3.0)), log_amplitude, decay


#: Logarithms of amplitudes, full scale 1: nothing is softer or louder than this.
_LOGS = (-60.0, 6.0)


def _exponential(t: Floats, log_amplitude: Floats, decay: Floats) -> Floats:
    return np.asarray(np.exp(np.clip(log_amplitude - decay * t[:, None], *_LOGS)), dtype=np.float64)


def _log_line(t: Floats, values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Weighted line ``a - d * t`` through `values`, column by column."""
    sum_w = np.sum(weight, axis=0)
    mean_t = (t @ weight) / sum_w
    heavy = weight * (t[:, None] - mean_t)
    slope = np.sum(heavy * values, axis=0) / np.maximum(np.sum(heavy * (t[:, None] - mean_t), axis=0), 1e-300)
    return np.sum(weight * values, axis=0) / sum_w - slope * mean_t, -slope


def _wobble(t: Floats, weight: Floats, rest: Floats, factor: Floats) -> float:
    """Root mean square, in Hz at factor 1, of what wavers in all partials together beyond the drift."""
    if t.size < 6:
        return 0.0
    scale = weight @ factor**2
    common = ((weight * rest) @ factor) / np.maximum(scale, 1e-300)
    smooth = np.convolve(np.pad(common, 1, mode="edge"), np.array([0.25, 0.5, 0.25]), "valid")
    hz = np.diff(smooth) / np.diff(t) / (2 * np.pi)
    load = np.minimum(scale[1:], scale[:-1])
    return float(np.sqrt(np.sum(load * hz**2) / max(float(np.sum(load)), 1e-300)))
