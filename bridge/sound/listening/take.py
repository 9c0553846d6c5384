"""One pass over a take: every pluck measured as a string of its own, or refused.

What sounded before a pluck is followed, carried on and taken out before the new string is measured. A stretch is one
string if a comb of stiff partials accounts for what sounds, if its partials agree with the law, and if the comb's gaps
are such as one string may have.

Conventions: a take is a `Mono`, stretches of it are float64 of shape ``(n,)``; times in seconds from the first sample.

Index
-----
`Measured`      a pluck that was measured
`Unmeasured`    one that was not, with the reason
`measure_take`  the pass
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bridge.errors import InputProblem
from bridge.sound.analysis.comb import Comb, best_comb
from bridge.sound.analysis.onsets import Onset, find_onsets
from bridge.sound.analysis.partials import StringFit, fit_string
from bridge.sound.analysis.ringing import NO_TONES, Tones, follow_on, follow_tones, ring_on, still_ringing
from bridge.sound.analysis.spectrum import Floats, Peaks, peaks, spectrum
from bridge.sound.listening import refuse
from bridge.sound.listening.mono import Mono, peak

#: More strokes are no take of a few strings.
MOST_STROKES = 200
#: The shortest stretch for one note.
LEAST_NOTE_S = 0.1
#: At most so much of a note is measured: by then it has settled.
MOST_NOTE_S = 2.5
#: What sounds before the first pluck is listened to for so long, where it is loudest.
MOST_SWELL_S = 10.0
#: … if it is louder than this share of the take's loudest.
WORTH = 0.1
#: A pluck's own noise is left out.
SKIP_S = 0.012
#: Share of the peaks' power that one string must account for …
DOMINANT = 0.9
#: … where others rang on before and left their traces.
DOMINANT_OVER_RINGING = 0.6
#: A new string sounds at least so much of the power that rang before.
NEW_POWER = 0.1
#: A pluck that leaves less than this of the power before it is none.
FALLS_POWER = 0.25
#: A partial that was there before is new if it is so many times louder than it was.
NEW_OVER_OLD = 2.0
#: Tones so far apart are told apart, in Hz; blocks are made at most so long to do it, in seconds.
CLEAR_HZ, MOST_APART_S = 8.0, 0.12
#: Share of the sound's power, noise included, that the string must account for.
TONAL = 0.5
#: A pitch that wavers more than this (root mean square) is no settled string's.
WAVERS_CENTS = 6.0
#: … but over strings that ring on it may beat with what is left of them.
WAVERS_OVER_RINGING_CENTS = 9.0
#: Partials that scatter more than this round a string's law are no string's.
SCATTER_CENTS = 12.0
#: A pitch known no better than this is no measurement.
UNSURE_CENTS = 4.0


@dataclass(frozen=True, eq=False)
class Measured:
    """A pluck that was measured."""

    start_s: float
    end_s: float
    fit: StringFit


@dataclass(frozen=True)
class Unmeasured:
    """A stretch that was not measured; `reason` is one of `refuse`."""

    start_s: float
    end_s: float
    reason: str


def measure_take(take: Mono, sample_rate: float) -> tuple[list[Measured], list[Unmeasured]]:
    """Measure every pluck of a take as a string of its own; each list is in order of time, together at least one.

    InputProblem if there are more than `MOST_STROKES`.
    """
    length_s = take.sound.size / sample_rate
    clipped_s = take.clipped / sample_rate
    onsets = find_onsets(take.sound, sample_rate)
    if len(onsets) > MOST_STROKES:
        raise InputProblem(
            f"the sound has {len(onsets)} strokes; at most {MOST_STROKES} are listened to",
            "cut out the take with the strings",
        )
    results: list[Measured | Unmeasured] = []
    if not onsets or onsets[0].time_s > 0.15:
        end_s = onsets[0].time_s if onsets else length_s
        if not onsets or peak(take.sound[: round(end_s * sample_rate)]) > WORTH * take.peak:
            results.append(_swell(take, sample_rate, end_s, clipped_s))
    for k, onset in enumerate(onsets):
        before_s = onsets[k - 1].time_s if k else 0.0
        end_s = onsets[k + 1].time_s if k + 1 < len(onsets) else length_s
        results.append(_pluck(take, sample_rate, onset, before_s, end_s, clipped_s))
    measured = [r for r in results if isinstance(r, Measured)]
    return measured, [r for r in results if isinstance(r, Unmeasured)]


def _hits(clipped_s: Floats, start_s: float, end_s: float) -> bool:
    return bool(np.any((clipped_s >= start_s) & (clipped_s < end_s)))


def _swell(take: Mono, rate: float, end_s: float, clipped_s: Floats) -> Measured | Unmeasured:
    """What sounds before the first pluck: a note that swelled up."""
    if _hits(clipped_s, 0.0, end_s):
        return Unmeasured(0.0, end_s, refuse.CLIPPED)
    last = round(end_s * rate)
    first = 0
    if end_s > MOST_SWELL_S:
        step = round(0.25 * rate)
        loudest = max(range(0, last - step, step), key=lambda at: peak(take.sound[at : at + step]))
        first = min(max(0, loudest - round(0.25 * MOST_SWELL_S * rate)), last - round(MOST_SWELL_S * rate))
    stretch = take.cut(first, min(last, first + round(MOST_SWELL_S * rate)))
    return _string(stretch, rate, first / rate, first / rate + stretch.size / rate, NO_TONES, None)


def _pluck(
    take: Mono, rate: float, onset: Onset, before_s: float, end_s: float, clipped_s: Floats
) -> Measured | Unmeasured:
    start_s = onset.time_s
    if _hits(clipped_s, start_s, end_s):
        return Unmeasured(start_s, end_s, refuse.CLIPPED)
    if end_s - start_s < LEAST_NOTE_S:
        last = end_s >= take.sound.size / rate - 1e-6
        return Unmeasured(start_s, end_s, refuse.TOO_SHORT if last else refuse.TOGETHER)
    if onset.together:
        return _refused(take, rate, start_s, end_s, refuse.TOGETHER)
    tones, gap_s = _ringing(take, rate, before_s, start_s)
    first = round(start_s * rate)
    stretch = take.cut(first, min(round(end_s * rate), first + round(MOST_NOTE_S * rate)))
    if not len(tones):
        return _string(stretch, rate, start_s, end_s, NO_TONES, None)
    if _falls(take, rate, start_s):
        return _refused(take, rate, start_s, end_s, refuse.NO_STRING)
    now = tones.later(gap_s)
    return _string(stretch - ring_on(now, stretch.size, rate), rate, start_s, end_s, now, stretch)


def _refused(take: Mono, rate: float, start_s: float, end_s: float, reason: str) -> Unmeasured:
    """Refuse a stretch for `reason`, or, where no string can be made out at all, as noise."""
    why = _why_not(
        take.cut(round(start_s * rate), min(round(end_s * rate), round((start_s + 1.0) * rate))), rate
    )
    return Unmeasured(start_s, end_s, why if why == refuse.NOISE else reason)


def _falls(take: Mono, rate: float, start_s: float) -> bool:
    """Does the level fall here? Then strings were stopped, and what goes on was there before."""
    at, near, far = round(start_s * rate), round(0.01 * rate), round(0.07 * rate)
    before, after = take.cut(at - far, at - near), take.cut(at + near, at + far)
    return float(np.sum(after**2)) < FALLS_POWER * float(np.sum(before**2))


def _ringing(take: Mono, rate: float, before_s: float, start_s: float) -> tuple[Tones, float]:
    """Tones that sounded before the pluck, and how long before it they were last seen."""
    margin = 0.03
    last = round((start_s - margin) * rate)
    first = max(round((before_s + 0.03) * rate), last - round(1.5 * rate), 0)
    before = take.cut(first, max(last, first))
    if before.size == 0:
        return NO_TONES, 0.0
    at = round(start_s * rate)
    if float(np.sqrt(np.mean(before**2))) < 1e-3 * peak(take.sound[at : at + before.size]):
        return NO_TONES, 0.0
    return follow_tones(before, rate), margin


def _string(
    stretch: Floats, rate: float, start_s: float, end_s: float, tones: Tones, uncleared: Floats | None
) -> Measured | Unmeasured:
    """Measure a stretch as one string.

    `tones` were taken out of it and stand as at its start; `uncleared` is the stretch before that.
    """
    skip = round(SKIP_S * rate) if start_s > 0 or len(tones) else 0
    body = stretch[skip:]
    if _sounding_s(body if uncleared is None else uncleared[skip:], rate) < LEAST_NOTE_S:
        return Unmeasured(start_s, end_s, refuse.TOO_SHORT)
    comb = _guess(body, rate, tones, uncleared, skip)
    if comb is not None and uncleared is not None:
        tones = _really_ringing(uncleared, rate, tones, comb, skip)
        body = (uncleared - ring_on(tones, uncleared.size, rate))[skip:]
        comb = _guess(body, rate, tones, uncleared, skip) or comb
    if comb is None:
        return Unmeasured(start_s, end_s, _why_not(body, rate))
    rivals = (tones.hz, tones.amplitude) if len(tones) else None
    fit = fit_string(body, rate, comb.f0_hz, comb.stiffness, rivals, block_s=_apart_s(comb, tones))
    if fit is None or fit.explained < TONAL:
        return Unmeasured(start_s, end_s, _why_not(body, rate))
    if _mixed(comb, fit, tones):
        return Unmeasured(start_s, end_s, refuse.NO_STRING)
    most_cents = WAVERS_OVER_RINGING_CENTS if len(tones) else WAVERS_CENTS
    if fit.wobble_cents > most_cents or fit.cents_sd > UNSURE_CENTS:
        return Unmeasured(start_s, end_s, refuse.UNSTEADY)
    return Measured(start_s, min(end_s, start_s + _heard_s(fit, end_s - start_s)), fit)


def _sounding_s(body: Floats, rate: float) -> float:
    """How long a stretch sounds before it falls 34 dB below its loudest 10 ms."""
    step = max(1, round(0.01 * rate))
    count = body.size // step
    if count == 0 or not np.any(body):
        return 0.0
    level = np.sqrt(np.mean(body[: count * step].reshape(count, step) ** 2, axis=1))
    return float(np.flatnonzero(level >= 0.02 * level.max())[-1] + 1) * step / rate


def _really_ringing(uncleared: Floats, rate: float, tones: Tones, comb: Comb, skip: int) -> Tones:
    """The old tones as they go on under the new string: followed where they stand clear of it, else carried on."""
    goes_on = still_ringing(uncleared, rate, tones, comb.hz)
    carried = tones.pick(goes_on)
    body = (uncleared - ring_on(carried, uncleared.size, rate))[skip:]
    rivals = (carried.hz, carried.amplitude)
    fit = fit_string(body, rate, comb.f0_hz, comb.stiffness, rivals, block_s=_apart_s(comb, tones))
    if fit is None:
        return carried
    partials = np.array([partial.hz for partial in fit.partials])
    clear = np.all(np.abs(tones.hz[:, None] - partials) > CLEAR_HZ, axis=1)
    # What is left without the new string is the old ones, from after the pluck's own noise on.
    left = fit.residual + ring_on(carried, uncleared.size, rate)[skip:]
    late_s = skip / rate
    followed = follow_on(left, rate, tones.pick(clear).later(late_s)).later(-late_s)
    return followed.and_also(tones.pick(goes_on & ~clear))


def _apart_s(comb: Comb, tones: Tones) -> float:
    """Length of blocks that tell the string's partials from what rings between them, in seconds."""
    loud = tones.amplitude > 0.05 * float(comb.amplitude.max(initial=0.0))
    gaps = np.abs(tones.hz[loud][:, None] - comb.hz)
    gaps = gaps[gaps > CLEAR_HZ]
    return min(MOST_APART_S, 2.0 / float(gaps.min())) if gaps.size else 0.0


def _guess(body: Floats, rate: float, tones: Tones, uncleared: Floats | None, skip: int) -> Comb | None:
    size = round((0.5 if len(tones) else 1.0) * rate)
    look = body[:size]
    if look.size < 0.05 * rate:
        return None
    found = peaks(spectrum(look, rate))
    if uncleared is None or not len(tones):
        return best_comb(found)
    middle = tones.later((skip + 0.5 * look.size) / rate)
    found = _without(found, middle, spectrum(uncleared[skip:][:size], rate).at(middle.hz))
    comb = best_comb(found)
    for _ in range(3):
        if comb is None or not _holds_a_higher_one(comb, tones, found.width_hz):
            break
        comb = best_comb(found, 1.5 * comb.f0_hz)
    return comb


def _holds_a_higher_one(comb: Comb, tones: Tones, near_hz: float) -> bool:
    """Is what is new in a comb a string at a multiple of its fundamental, and the rest an old string that rings on?"""
    near = np.abs(comb.hz[:, None] - tones.hz) < near_hz
    old = np.max(np.where(near, tones.amplitude, 0.0), axis=1)
    new = (comb.amplitude > NEW_OVER_OLD * old) & (comb.amplitude > 0.02 * comb.amplitude.max())
    return any(
        bool(np.any(new & (comb.numbers % k == 0)) and not np.any(new & (comb.numbers % k != 0)))
        for k in (2, 3, 4, 5)
    )


def _without(found: Peaks, tones: Tones, now: Floats) -> Peaks:
    """The peaks less those that subtracting the old tones may have left.

    `now` is how loud it is where these ring: one that rings on as loud as foretold, though out of step, is none new.
    """
    if not len(found):
        return found
    near = np.abs(found.hz[:, None] - tones.hz) < found.width_hz
    leftover = found.amplitude[:, None] < 0.6 * tones.amplitude
    leftover |= np.abs(now - tones.amplitude) < 0.4 * tones.amplitude
    return found.pick(np.asarray(~np.any(near & leftover, axis=1), dtype=np.bool_))


def _mixed(comb: Comb, fit: StringFit, tones: Tones) -> bool:
    """Does more than one string sound in what should be one pluck?"""
    if fit.scatter_cents > SCATTER_CENTS:
        return True
    if not len(tones):
        return comb.explained < DOMINANT or _several(comb)
    power = sum(p.amplitude**2 for p in fit.partials)
    return comb.explained < DOMINANT_OVER_RINGING or power < NEW_POWER * float(np.sum(tones.amplitude**2))


def _several(comb: Comb) -> bool:
    """Do the gaps in a comb tell of several strings that share a fundamental nobody plays?

    A single string lacks at most the multiples of one number (it was plucked at that node), and its lowest partials
    where the microphone or the body does not carry them. Strings tuned to a pure chord fill a series in which the
    first partial and, higher up, others are empty.
    """
    return 1 in comb.missing and any(n > int(comb.numbers[0]) for n in comb.missing)


def _heard_s(fit: StringFit, seconds: float) -> float:
    """How long the note stands out: until its slowest strong partial is 40 dB below its start."""
    if seconds <= MOST_NOTE_S:
        return seconds
    slowest = max(fit.partials, key=lambda p: p.amplitude / max(p.decay_rate, 0.05))
    return max(MOST_NOTE_S, min(seconds, 4.6 / max(slowest.decay_rate, 1e-3)))


def _why_not(body: Floats, rate: float) -> str:
    """Why a stretch that no string accounts for cannot be measured."""
    look = body[: round(1.0 * rate)]
    found = peaks(spectrum(look, rate))
    comb = best_comb(found)
    if comb is None or 0.5 * found.power < 0.3 * float(np.mean(look**2)):
        return refuse.NOISE
    return refuse.NO_STRING if comb.explained < DOMINANT or _several(comb) else refuse.UNSTEADY
