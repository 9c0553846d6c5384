"""Fits all partials of one plucked string together: pitch, stiffness, glide, decay, and how sure it is.

The string is followed through short overlapping blocks (`blocks`). In each block every partial gives one complex
number, its amplitude and its phase against a carrier. A string's phases all bend in the same way, so one drift of
pitch is fitted to them together (`drift`, `lines`); what remains is a straight line for each partial, whose slope is
that partial's frequency. The model of all partials is then subtracted from the sound and what is left measured
again, which takes out what the partials and their mirror images leak into each other. Last, the frequencies are
fitted by ``n * f0 * sqrt(1 + B * n**2)`` (`law`).

Why this comes near the bound: white noise in the samples stays white over blocks and partials; amplitude and decay
do not trade against phase and frequency in the Fisher matrix; damped partials many line widths apart do not trade
with each other. So weighted straight lines through the phases, then a weighted fit over partials, lose only what the
first half block holds.

Sources: H. Fletcher, "Normal vibration frequencies of a stiff piano string" (J. Acoust. Soc. Am. 36, 1964);
D. C. Rife and R. R. Boorstyn (IEEE Trans. Inform. Theory 20, 1974) for the bound.

Conventions: samples float64 of shape ``(n,)``; times in seconds from the start of the stretch. The *settled* pitch is
the mean over the last 60 per cent of the stretch, but not beyond where the string is still clearly heard.

Index
-----
`Partial`       one partial as fitted
`StringFit`     the whole string
`fit_string`    does the work
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.blocks import Blocks, demodulate, synthesize
from bridge.sound.analysis.comb import partial_hz
from bridge.sound.analysis.lines import Lines, first_lines, fit_lines
from bridge.sound.analysis.spectrum import Floats
from bridge.sound.analysis.stiff_string import fit_law

CENTS = 1200.0 / float(np.log(2.0))
TOP_HZ = 8000.0
MOST_PARTIALS = 16
#: The attack pitch is the mean over so many seconds after the pluck.
ATTACK_S = 0.08
#: The settled pitch is the mean from this share of the stretch on …
SETTLED_FROM = 0.4
#: … to where the string has faded to this share of its loudest.
SETTLED_LEVEL = 0.01
#: Share of the drift that may be a rival's doing, where there are rivals.
RIVAL_DRIFT = 0.8
#: A tone so near to a partial bends its phase, and from this share of its amplitude on more than noise does.
RIVAL_HZ, RIVAL_SHARE = 8.0, 0.1
#: A pitch that moves by a larger share than this (about 170 cents) is no string's glide.
MOST_DRIFT = 0.1


@dataclass(frozen=True)
class Partial:
    """One partial as fitted."""

    number: int
    # Its settled frequency and that figure's standard deviation.
    hz: float
    sd_hz: float
    amplitude: float  # at the start of the stretch, full scale 1
    decay_rate: float  # nepers a second: it falls by a factor e in ``1 / decay_rate`` seconds
    off_cents: float  # how far it lies from the stiff string's law
    used: bool  # False where it lies so far off that it was left out


@dataclass(frozen=True)
class StringFit:
    """A string as fitted to a stretch of sound."""

    # First partial as it sounds, settled: ``f0_hz * sqrt(1 + stiffness)``; where a real string's partials
    # scatter round the law, with a part of the first one's own deviation.
    hz: float
    cents_sd: float  # standard deviation of `hz`, in cents
    # The law's.
    f0_hz: float
    stiffness: float
    attack_hz: float  # mean pitch over the first 80 ms
    # Root mean square of the pitch's wavering, common to all partials, that no drift explains.
    wobble_cents: float
    scatter_cents: float  # how much the strongest partials scatter round the law beyond their own uncertainty
    partials: tuple[Partial, ...]
    explained: float  # share (0 to 1) of the stretch's power that the partials hold
    residual: Floats = field(repr=False)  # the stretch without the partials; shape (n,)


def fit_string(
    samples: Floats,
    sample_rate: float,
    f0_hz: float,
    stiffness: float = 0.0,
    rivals: tuple[Floats, Floats] | None = None,
    passes: int = 2,
    only: NDArray[np.int_] | None = None,
    block_s: float = 0.0,
) -> StringFit | None:
    """Fit one string to a stretch of sound that begins with (or after) its pluck.

    Parameters
    ----------
    samples : ndarray, shape (n,)
        The stretch; other strings that were still sounding already subtracted.
    f0_hz, stiffness : float
        First guess, right to about a per cent (see `comb`).
    rivals : (ndarray, ndarray), optional
        Frequency and amplitude of what was subtracted: partials near one of these count less.
    passes : int
        How often the model is subtracted and the rest measured again.
    only : ndarray of int, optional
        Partials to use; all others are left alone.
    block_s : float
        Blocks at least so long, where sounds of others lie between the partials.

    Returns
    -------
    StringFit or None
        None where no partial is clear enough to follow.
    """
    numbers = np.arange(1, MOST_PARTIALS + 1) if only is None else only
    hz = partial_hz(f0_hz, stiffness, numbers)
    inside = hz < min(TOP_HZ, 0.45 * sample_rate)
    inside |= numbers == 1
    if not inside.any():
        return None
    numbers, hz = numbers[inside], hz[inside]
    length = round(max(4.0 / f0_hz, 0.025, block_s) * sample_rate)
    if samples.size < 2 * length:
        length = max(samples.size // 3, round(2.5 / f0_hz * sample_rate))
    if samples.size < 1.5 * length:
        return None
    span_s = samples.size / sample_rate
    blocks = demodulate(samples, sample_rate, hz, length)
    slope, clear = first_lines(blocks)
    if not clear.any():
        return None
    numbers, slope = numbers[clear], slope[clear]
    factor = numbers * np.sqrt(1 + stiffness * numbers**2)
    carriers = hz[clear] + slope / (2 * np.pi)
    turned = blocks.y[:, clear] * np.exp(-1j * blocks.t[:, None] * slope)
    trust = _trust(carriers, np.sqrt(np.mean(np.abs(turned) ** 2, axis=0)), rivals)
    lines = fit_lines(Blocks(blocks.t, turned, length, blocks.hop_s), factor, None, span_s, trust)
    residual = samples
    for _ in range(passes):
        carriers = carriers + lines.slope / (2 * np.pi)
        residual, blocks = _subtract(samples, sample_rate, carriers, factor, lines, length)
        lines = fit_lines(blocks, factor, lines, span_s, trust)
    final = carriers + lines.slope / (2 * np.pi)
    extra = _rival_sd(final, lines, rivals, span_s)
    return _combine(samples, residual, blocks.t, numbers, final, lines, extra)


def _subtract(
    samples: Floats, sample_rate: float, carriers: Floats, factor: Floats, lines: Lines, length: int
) -> tuple[Floats, Blocks]:
    """Take the modelled partials out of the sound.

    Returns the residual, and its blocks at the new carriers with each partial's own share put back.
    """
    rate = -lines.decay + 2j * np.pi * carriers
    start = np.exp(lines.log_amplitude) * np.exp(1j * lines.phase)
    bend = (factor, lines.drift.phase) if lines.drift else None
    residual = samples - synthesize(samples.size, sample_rate, rate, start, length, bend)
    blocks = demodulate(residual, sample_rate, carriers, length)
    own = start * np.exp(-lines.decay * blocks.t[:, None])
    if lines.drift:
        own = own * np.exp(1j * np.outer(lines.drift.phase(blocks.t), factor))
    return residual, Blocks(blocks.t, blocks.y + own, length, blocks.hop_s)


def _trust(hz: Floats, amplitude: Floats, rivals: tuple[Floats, Floats] | None) -> Floats:
    """How far each partial may tell of the string's drift: what is left of a rival beats with it, as if it moved."""
    if rivals is None or rivals[0].size == 0:
        return np.ones(hz.size)
    near = np.abs(hz[:, None] - rivals[0]) < RIVAL_HZ
    rival = np.sqrt(np.sum(np.where(near, rivals[1], 0.0) ** 2, axis=1))
    return np.asarray(1.0 / (1.0 + (rival / (RIVAL_SHARE * np.maximum(amplitude, 1e-12))) ** 2))


def _rival_sd(hz: Floats, lines: Lines, rivals: tuple[Floats, Floats] | None, span_s: float) -> Floats:
    """Uncertainty in Hz that what was subtracted leaves behind in each partial.

    Of a tone that was extrapolated and subtracted a third may remain. A remainder of relative amplitude r, d Hz
    away, bends the phase by r radians at most, which tilts the line by about ``r * min(d, 0.5 / span)`` Hz; far off
    (several turns in the span) it averages out.
    """
    if rivals is None or rivals[0].size == 0:
        return np.zeros(hz.size)
    away = np.abs(hz[:, None] - rivals[0])
    own = np.sqrt(np.mean(lines.amplitude**2, axis=0))[:, None]
    left = np.minimum(0.3 * rivals[1] / np.maximum(own, 1e-12), 1.0)
    tilt = left * np.minimum(away, 0.5 / span_s) / np.maximum(away * span_s / 3.0, 1.0) ** 2
    return np.asarray(np.sqrt(np.sum(tilt**2, axis=1)), dtype=np.float64)


def _settled(t: Floats, lines: Lines) -> tuple[float, float, float]:
    """Where the drift settles to, at factor 1 in radians a second, with its variance, and the attack's pitch."""
    if not lines.drift:
        return 0.0, 0.0, 0.0
    loud = np.sqrt(np.sum(lines.amplitude**2, axis=1))
    heard = np.flatnonzero(loud > SETTLED_LEVEL * loud.max())
    end = float(t[heard[-1]])
    late = np.linspace(SETTLED_FROM * end, end, 64)
    curve = lines.drift.pitch(late)
    pull = np.array([float(np.mean(shape.pitch(late))) for shape in lines.drift.shapes]) - lines.tilt
    variance = float(pull @ lines.drift_cov @ pull) + 0.25 * float(np.var(curve))
    early = lines.drift.pitch(np.linspace(0.0, min(ATTACK_S, end), 16))
    return float(np.mean(curve)), variance, float(np.mean(early))


def _combine(
    samples: Floats,
    residual: Floats,
    t: Floats,
    numbers: NDArray[np.int_],
    hz: Floats,
    lines: Lines,
    extra_sd_hz: Floats,
) -> StringFit | None:
    """Fit the stiff string's law to the partials' frequencies and gather everything."""
    sd_hz = np.sqrt(lines.slope_var / (4 * np.pi**2) + extra_sd_hz**2)
    energy = np.sum(lines.amplitude**2, axis=0)
    good = np.isfinite(hz) & (hz > 0) & np.isfinite(sd_hz) & (sd_hz < 0.02 * hz) & (energy > 0)
    if not good.any():
        return None
    numbers, hz, sd_hz, energy = numbers[good], hz[good], sd_hz[good], energy[good]
    law = fit_law(numbers, np.log(hz), np.maximum((sd_hz / hz) ** 2, 1e-16), energy)
    plain = float(np.exp(law.log_first))
    settled, settled_var, attack = (
        v / (2 * np.pi) ** p for v, p in zip(_settled(t, lines), (1, 2, 1), strict=True)
    )
    if max(abs(settled), abs(attack)) > MOST_DRIFT * plain:
        return None
    first = plain + settled
    scale = first / plain
    variance = law.variance + settled_var / plain**2
    if extra_sd_hz.any():
        # What is left of a rival beats with the string, which may pass for a drift of its pitch.
        variance += (RIVAL_DRIFT * settled / plain) ** 2
    amplitude, decay = np.exp(np.minimum(lines.log_amplitude[good], 5.0)), lines.decay[good]
    found = tuple(
        Partial(
            number=int(numbers[k]),
            hz=float(hz[k] * scale),
            sd_hz=float(sd_hz[k]),
            amplitude=float(amplitude[k]),
            decay_rate=float(decay[k]),
            off_cents=float(law.off[k] * CENTS),
            used=bool(law.used[k]),
        )
        for k in range(numbers.size)
    )
    power = float(np.sum(samples**2))
    return StringFit(
        hz=first,
        cents_sd=float(np.sqrt(variance)) * CENTS,
        f0_hz=float(np.exp(law.log_f0)) * scale,
        stiffness=law.stiffness,
        attack_hz=plain + attack,
        wobble_cents=lines.wobble / first * CENTS,
        scatter_cents=law.scatter * CENTS,
        partials=found,
        explained=max(0.0, 1.0 - float(np.sum(residual**2)) / max(power, 1e-30)),
        residual=residual,
    )
