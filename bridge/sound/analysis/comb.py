"""A first guess at the pitch of one string: which comb of stiff partials do the spectral peaks make?

Every strong peak, taken as the first, second … partial, proposes a fundamental; every proposal is tried with several
stiffnesses. A proposal is good when its partials account for most of what sounds (too high a fundamental leaves
every second peak over) and when few of its partials are missing (too low a fundamental has empty places). The
fundamental itself may be weak or absent, as on a recorded guitar body.

Sources: the two-way idea is R. C. Maher and J. W. Beauchamp, "Fundamental frequency estimation of musical signals
using a two-way mismatch procedure" (J. Acoust. Soc. Am. 95, 1994); the partials of a stiff string are H. Fletcher's
(J. Acoust. Soc. Am. 36, 1964).

Conventions: frequencies in Hz; stiffness is B in ``n * f0 * sqrt(1 + B * n**2)``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.sound.analysis.spectrum import Floats, Peaks

LOW_HZ = 36.0
HIGH_HZ = 1500.0
MOST_PARTIALS = 24
#: Stiffnesses tried; neighbours shift the twelfth partial by less than half the allowed mismatch.
STIFFNESSES = (0.0, 4e-5, 1e-4, 2e-4, 4e-4, 8e-4)


def partial_hz(f0_hz: float, stiffness: float, n: NDArray[np.int_] | Floats) -> Floats:
    """Frequencies of partials `n` of a stiff string (Fletcher 1964)."""
    numbers = np.asarray(n, dtype=np.float64)
    return np.asarray(numbers * f0_hz * np.sqrt(1.0 + stiffness * numbers * numbers), dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Comb:
    """One string as the peaks suggest it."""

    # Fitted to the matched peaks.
    f0_hz: float
    stiffness: float
    # Partial numbers with the frequency and amplitude of their peaks; shape (matched,).
    numbers: NDArray[np.int_]
    hz: Floats
    amplitude: Floats
    explained: float  # share (0 to 1) of the peaks' power that the comb accounts for
    filled: float  # share (0 to 1) of its places, weighted by what would be expected there, that hold a peak
    # Partials, below the highest strong one, where nothing stands out though something should.
    missing: tuple[int, ...]
    score: float

    @property
    def first_hz(self) -> float:
        """The first partial as it sounds."""
        return self.f0_hz * float(np.sqrt(1.0 + self.stiffness))

    @property
    def agreed_hz(self) -> float:
        """The first partial as most partials have it: one that swings away from the others counts less."""
        numbers = self.numbers.astype(np.float64)
        loud = np.sqrt(self.amplitude / self.amplitude.max())
        f0, stiffness = _fit(numbers, self.hz, loud)
        for _ in range(2):
            off = np.abs(np.log2(self.hz / partial_hz(f0, stiffness, numbers))) * 1200
            usual = 3.0 * float(np.median(off)) + 2.0
            f0, stiffness = _fit(numbers, self.hz, loud / (1 + (off / usual) ** 2))
        return f0 * float(np.sqrt(1.0 + stiffness))


def best_comb(found: Peaks, low_hz: float = LOW_HZ, high_hz: float = HIGH_HZ) -> Comb | None:
    """Return the string of `low_hz` to `high_hz` that explains the peaks best, or None where no peak allows one."""
    combs = ranked_combs(found, low_hz, high_hz, most=2)
    return combs[0] if combs else None


def ranked_combs(found: Peaks, low_hz: float = LOW_HZ, high_hz: float = HIGH_HZ, most: int = 3) -> list[Comb]:
    """The best few proposals for `found`, best first."""
    if len(found) == 0:
        return []
    f0, stiffness = _proposals(found, low_hz, high_hz)
    if f0.size == 0:
        return []
    weight = _weights(found)
    score = _scores(found, weight, f0, stiffness)
    out: list[Comb] = []
    for index in np.argsort(score)[::-1]:
        hz = float(f0[index])
        if any(abs(np.log2(hz / other.f0_hz)) < 0.02 for other in out):
            continue
        comb = _settle(found, weight, hz, float(stiffness[index]))
        if comb is not None and all(abs(np.log2(comb.f0_hz / other.f0_hz)) > 0.02 for other in out):
            out.append(comb)
        if len(out) == most:
            break
    return sorted(out, key=lambda comb: -comb.score)


def _weights(found: Peaks) -> Floats:
    """Peaks count by the root of their amplitude, so that partials matter and the loudest does not decide alone.

    Whatever hardly stands out of the noise counts little.
    """
    loud = np.sqrt(found.amplitude / found.amplitude.max())
    clear = np.clip(20 * np.log10(found.amplitude / found.floor) / 30.0, 0.0, 1.0)
    return np.asarray(loud * clear, dtype=np.float64)


def _proposals(found: Peaks, low_hz: float, high_hz: float) -> tuple[Floats, Floats]:
    strongest = np.argsort(found.amplitude)[::-1][:8]
    lowest = np.flatnonzero(found.amplitude > 0.05 * found.amplitude.max())[:3]
    base = found.hz[np.unique(np.concatenate([strongest, lowest]))]
    numbers = np.arange(1, 11)
    bs = np.asarray(STIFFNESSES)
    f0 = base[:, None, None] / (numbers[None, :, None] * np.sqrt(1 + bs * numbers[None, :, None] ** 2))
    b = np.broadcast_to(bs, f0.shape)
    keep = (f0 >= low_hz) & (f0 <= high_hz)
    return np.asarray(f0[keep]), np.asarray(b[keep])


def _match(found: Peaks, places: Floats, spacing: Floats) -> tuple[NDArray[np.intp], NDArray[np.bool_]]:
    """Nearest peak to each place, and whether it is near enough to be that partial."""
    right = np.clip(np.searchsorted(found.hz, places), 0, len(found) - 1)
    left = np.maximum(right - 1, 0)
    nearest = np.where(np.abs(found.hz[left] - places) < np.abs(found.hz[right] - places), left, right)
    off = np.abs(found.hz[nearest] - places)
    allowed = np.minimum(0.012 * places + 0.25 * found.width_hz, 0.22 * spacing)
    return nearest, off <= allowed


def _scores(found: Peaks, weight: Floats, f0: Floats, stiffness: Floats) -> Floats:
    numbers = np.arange(1, MOST_PARTIALS + 1)
    places = numbers * f0[:, None] * np.sqrt(1 + stiffness[:, None] * numbers**2)
    nearest, hit = _match(found, places, f0[:, None])
    got = np.where(hit, weight[nearest], 0.0)
    explained = _sum_distinct(nearest, hit, weight) / weight.sum()
    filled = _filled(found, got, places)
    return np.asarray(explained * filled * (1 + 0.02 * np.log2(f0 / 40.0)), dtype=np.float64)


def _sum_distinct(nearest: NDArray[np.intp], hit: NDArray[np.bool_], weight: Floats) -> Floats:
    """Weight of the distinct peaks hit by each proposal."""
    rows = nearest.shape[0]
    taken = np.zeros((rows, weight.size), dtype=bool)
    row, column = np.nonzero(hit)
    taken[row, nearest[row, column]] = True
    return np.asarray(taken @ weight, dtype=np.float64)


def _filled(found: Peaks, got: Floats, places: Floats) -> Floats:
    """Share of the places that hold a peak, each place counting as its neighbours suggest.

    A place is expected to hold about what its filled neighbours on either side hold, never more than twice the
    typical place; past the highest filled one nothing is expected.
    """
    top = found.hz[-1] + 0.5 * places[:, :1]
    inside = places <= top
    padded = np.pad(got, ((0, 0), (3, 3)))
    around = np.maximum.reduce([padded[:, 3 + k : padded.shape[1] - 3 + k] for k in (-3, -2, -1, 1, 2, 3)])
    expected = np.where(inside, np.maximum(got, 0.6 * around), 0.0)
    total = expected.sum(axis=1)
    return np.asarray(got.sum(axis=1) / np.where(total > 0, total, 1.0), dtype=np.float64)


def _settle(found: Peaks, weight: Floats, f0: float, stiffness: float) -> Comb | None:
    """Fit f0 and B to the peaks that a proposal hits, and hit again."""
    numbers = np.arange(1, MOST_PARTIALS + 1)
    for _ in range(3):
        places = partial_hz(f0, stiffness, numbers)
        nearest, hit = _match(found, places, np.full(numbers.size, f0))
        if not hit.any():
            return None
        n = numbers[hit].astype(np.float64)
        peak = nearest[hit]
        f0, stiffness = _fit(n, found.hz[peak], weight[peak])
        if not LOW_HZ * 0.9 <= f0 <= HIGH_HZ * 1.1:
            return None
    got = np.where(hit, weight[nearest], 0.0)[None, :]
    filled = float(_filled(found, got, places[None, :])[0])
    # A partial that beats with itself makes two peaks: both are the string's.
    own = np.min(np.abs(found.hz[:, None] - partial_hz(f0, stiffness, numbers)), axis=1) < found.width_hz
    own[peak] = True
    power = float(np.sum(found.amplitude[own] ** 2))
    score = float(_scores(found, weight, np.array([f0]), np.array([stiffness]))[0])
    return Comb(
        f0_hz=f0,
        stiffness=stiffness,
        numbers=numbers[hit],
        hz=found.hz[peak],
        amplitude=found.amplitude[peak],
        explained=power / found.power,
        filled=filled,
        missing=_missing(numbers, hit, places, found, nearest),
        score=score,
    )


def _fit(n: Floats, hz: Floats, weight: Floats) -> tuple[float, float]:
    """Weighted fit of ``(hz / n)**2 = f0**2 + f0**2 B n**2``, with B kept within what strings have."""
    y = (hz / n) ** 2
    w = weight * n * n
    if n.size < 3:
        return float(np.sqrt(np.sum(w * y) / np.sum(w))), 0.0
    x = n * n
    mean_x, mean_y = np.sum(w * x) / np.sum(w), np.sum(w * y) / np.sum(w)
    spread = np.sum(w * (x - mean_x) ** 2)
    slope = np.sum(w * (x - mean_x) * (y - mean_y)) / spread if spread > 0 else 0.0
    base = mean_y - slope * mean_x
    b = slope / base if base > 0 else 0.0
    b = float(np.clip(b, 0.0, 2e-3))
    return float(np.sqrt(np.sum(w * y / (1 + b * x)) / np.sum(w))), b


def _missing(
    numbers: NDArray[np.int_], hit: NDArray[np.bool_], places: Floats, found: Peaks, nearest: NDArray[np.intp]
) -> tuple[int, ...]:
    """Places, below the highest strong partial, that are empty though both neighbours rise well out of the floor."""
    amplitude = np.where(hit, found.amplitude[nearest], 0.0)
    clear = np.where(hit, amplitude / found.floor[nearest], 0.0)
    strong = np.flatnonzero(hit & (amplitude > 0.03 * amplitude.max()) & (clear > 10.0))
    if strong.size == 0:
        return ()
    last = int(strong[-1])
    return tuple(int(numbers[i]) for i in range(last) if not hit[i])
