"""Listens to a take: finds each pluck or sung note, measures its pitch, names its string, refuses what it cannot.

A take of several strings may ring on: what sounded before a pluck is followed, carried on and taken out before the
new string is measured. Plucked and steadily bowed notes are measured by `partials`; notes whose pitch wavers (sung,
with vibrato, legato) by `track`, with a wider uncertainty. What cannot be measured is refused with the reason; no
wrong answer is given with confidence.

Conventions: samples of shape ``(n,)`` or ``(n, channels)``, full scale 1; times in seconds from the first sample;
`hz` is the first partial as it sounds, ``f0 * sqrt(1 + B)``, which is what a drone beats against.

Index
-----
`HeardNote`, `Refusal`, `Heard`     what was heard
`hear`                              notes and refusals of a take
`listen`                            the notes; raises where there is none
`heard_to_json`                     the contract that scripts rely on
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bridge.errors import InputProblem
from bridge.sound import refuse
from bridge.sound.comb import Comb, best_comb
from bridge.sound.onsets import Onset, find_onsets
from bridge.sound.partials import StringFit, fit_string
from bridge.sound.ringing import NO_TONES, Tones, follow_tones, ring_on, still_ringing
from bridge.sound.spectrum import Floats, Peaks, peaks, spectrum
from bridge.sound.track import Run, runs, track_pitch
from bridge.tuning.notes import hz_to_key, key_to_hz, note_name

#: The shortest take, and the shortest stretch for one note.
LEAST_TAKE_S, LEAST_NOTE_S = 0.1, 0.1
#: At most so much of a note is measured: by then it has settled.
MOST_NOTE_S = 2.5
#: A pluck's own noise is left out.
SKIP_S = 0.012
#: A string is named if its expected pitch is at most so far away.
STRING_CENTS = 250.0
#: Share of the new sound's peaks that one string must account for …
DOMINANT = 0.75
#: … and of its power, noise included.
TONAL = 0.5
#: A pitch that wavers more than this (root mean square) is followed frame by frame.
WAVERS_CENTS = 6.0
#: Partials that scatter more than this round a string's law are no string's.
SCATTER_CENTS = 12.0


@dataclass(frozen=True)
class HeardNote:
    """One note as heard.

    Attributes
    ----------
    start_s, end_s : float
    hz, cents_sd : float
        Settled pitch of the first partial as it sounds, and its standard deviation in cents.
    key, note : int, str
        Nearest MIDI key (in the table, where one is given) and its name.
    cents_from_equal : float
        From that key in equal temperament at A4 = 440.
    string : int or None
        Number of the string, where strings were given and one fits.
    cents_from_table : float or None
        From that key in the table, where one is given.
    stiffness : float
        B of the string; 0 for sung notes.
    attack_hz : float
        Mean pitch over the first 80 ms.
    """

    start_s: float
    end_s: float
    hz: float
    cents_sd: float
    key: int
    note: str
    cents_from_equal: float
    string: int | None
    cents_from_table: float | None
    stiffness: float
    attack_hz: float


@dataclass(frozen=True)
class Refusal:
    """A stretch that was not measured, and why, as a sentence for the player."""

    start_s: float
    end_s: float
    reason: str


@dataclass(frozen=True)
class Heard:
    """A take: its notes and what was refused, each in order of time."""

    notes: tuple[HeardNote, ...]
    refusals: tuple[Refusal, ...]


def listen(
    samples: NDArray[np.floating],
    sample_rate: float,
    strings: Sequence[tuple[int, float]] | None = None,
    table_hz: Sequence[float] | NDArray[np.float64] | None = None,
    tonic: str = "C",
) -> list[HeardNote]:
    """Measure the notes of a take.

    Parameters
    ----------
    samples : ndarray, shape (n,) or (n, channels)
        Full scale 1; channels are averaged.
    sample_rate : float
        Samples a second.
    strings : sequence of (number, hz), optional
        The guitar's strings with the pitch expected of each; notes are named by the nearest.
    table_hz : sequence of 128 floats, optional
        The table that notes are compared with.
    tonic : str
        Spells the notes' names.

    Returns
    -------
    list of HeardNote
        In order of time, at least one.

    Raises
    ------
    InputProblem
        Where no note could be measured, with the reason.
    """
    heard = hear(samples, sample_rate, strings, table_hz, tonic)
    if not heard.notes:
        reasons = list(dict.fromkeys(r.reason for r in heard.refusals)) or [refuse.NOISE]
        raise InputProblem("; ".join(reasons))
    return list(heard.notes)


def hear(
    samples: NDArray[np.floating],
    sample_rate: float,
    strings: Sequence[tuple[int, float]] | None = None,
    table_hz: Sequence[float] | NDArray[np.float64] | None = None,
    tonic: str = "C",
) -> Heard:
    """Measure the notes of a take and tell what was refused; parameters as for `listen`."""
    sound = _mono(samples)
    length_s = sound.size / sample_rate
    if refuse.is_silent(sound):
        return Heard((), (Refusal(0.0, length_s, refuse.SILENCE),))
    if length_s < LEAST_TAKE_S:
        return Heard((), (Refusal(0.0, length_s, refuse.TOO_SHORT),))
    take = _Take(sound, sample_rate, strings, table_hz, tonic, refuse.clipped_at(sound) / sample_rate)
    take.run()
    return Heard(tuple(take.notes), tuple(take.refusals))


def heard_to_json(notes: Sequence[HeardNote]) -> dict[str, object]:
    """The notes as ``stillbeat listen --json`` prints them (schema 1)."""
    return {
        "schema": 1,
        "notes": [
            {
                "start_s": round(n.start_s, 4),
                "end_s": round(n.end_s, 4),
                "hz": n.hz,
                "cents_sd": n.cents_sd,
                "note": n.note,
                "string": n.string,
                "cents_from_table": n.cents_from_table,
                "stiffness": n.stiffness,
                "attack_hz": n.attack_hz,
            }
            for n in notes
        ],
    }


def name_string(hz: float, strings: Sequence[tuple[int, float]]) -> int | None:
    """The string whose expected pitch is nearest to `hz`, or None where none is within `STRING_CENTS`.

    Parameters
    ----------
    hz : float
    strings : sequence of (number, hz)
    """
    distance, number = min((abs(1200 * np.log2(hz / expected)), number) for number, expected in strings)
    return number if distance <= STRING_CENTS else None


def _mono(samples: NDArray[np.floating]) -> Floats:
    sound = np.asarray(samples, dtype=np.float64)
    if sound.ndim == 2:
        sound = sound.mean(axis=1)
    if sound.ndim != 1:
        raise InputProblem(f"sound has shape {sound.shape}, expected (samples,) or (samples, channels)")
    if not np.all(np.isfinite(sound)):
        raise InputProblem("the sound holds values that are no numbers", "is the file damaged?")
    return sound - sound.mean() if sound.size else sound


class _Take:
    """One pass over a take; collects notes and refusals."""

    def __init__(
        self,
        sound: Floats,
        sample_rate: float,
        strings: Sequence[tuple[int, float]] | None,
        table_hz: Sequence[float] | NDArray[np.float64] | None,
        tonic: str,
        clipped_s: Floats,
    ) -> None:
        self.sound, self.rate = sound, sample_rate
        self.strings = list(strings) if strings else None
        self.table = None if table_hz is None else np.asarray(table_hz, dtype=np.float64)
        self.tonic, self.clipped_s = tonic, clipped_s
        self.notes: list[HeardNote] = []
        self.refusals: list[Refusal] = []

    def run(self) -> None:
        length_s = self.sound.size / self.rate
        onsets = find_onsets(self.sound, self.rate)
        if not onsets or onsets[0].time_s > 0.15:
            self._before_first(onsets[0].time_s if onsets else length_s)
        for k, onset in enumerate(onsets):
            end_s = onsets[k + 1].time_s if k + 1 < len(onsets) else length_s
            self._pluck(onset, onsets[k - 1].time_s if k else 0.0, end_s)
        if not self.notes and not self.refusals:
            self._refuse(0.0, length_s, refuse.NOISE)

    def _refuse(self, start_s: float, end_s: float, reason: str) -> None:
        self.refusals.append(Refusal(start_s, end_s, reason))

    def _clipped(self, start_s: float, end_s: float) -> bool:
        return bool(np.any((self.clipped_s >= start_s) & (self.clipped_s < end_s)))

    def _before_first(self, end_s: float) -> None:
        """What sounds before the first pluck: a note that swelled up, or nothing worth a word."""
        stretch = self.sound[: round(end_s * self.rate)]
        loudest = float(np.max(np.abs(self.sound)))
        if float(np.max(np.abs(stretch), initial=0.0)) < 0.1 * loudest:
            return
        if self._clipped(0.0, end_s):
            self._refuse(0.0, end_s, refuse.CLIPPED)
        elif not self._whole(stretch, 0.0, NO_TONES):
            self._wavering(stretch, 0.0)

    def _pluck(self, onset: Onset, before_s: float, end_s: float) -> None:
        start_s = onset.time_s
        if self._clipped(start_s, end_s):
            self._refuse(start_s, end_s, refuse.CLIPPED)
            return
        if end_s - start_s < LEAST_NOTE_S:
            last = end_s >= self.sound.size / self.rate - 1e-6
            self._refuse(start_s, end_s, refuse.TOO_SHORT if last else refuse.TOGETHER)
            return
        if onset.together:
            self._refuse(start_s, end_s, refuse.TOGETHER)
            return
        tones, gap_s = self._ringing(before_s, start_s)
        first = round(start_s * self.rate)
        stretch = self.sound[first : min(round(end_s * self.rate), first + round(MOST_NOTE_S * self.rate))]
        if len(tones):
            now = tones.later(gap_s)
            cleared = stretch - ring_on(now, stretch.size, self.rate)
            if self._whole(cleared, start_s, now, end_s=end_s, uncleared=stretch):
                return
        elif self._whole(stretch, start_s, NO_TONES, end_s=end_s):
            return
        self._wavering(self.sound[first : round(end_s * self.rate)], start_s)

    def _ringing(self, before_s: float, start_s: float) -> tuple[Tones, float]:
        """Tones that sounded before the pluck, and how long before it they were last seen."""
        margin = 0.03
        last = round((start_s - margin) * self.rate)
        first = max(round((before_s + 0.03) * self.rate), last - round(1.5 * self.rate), 0)
        before = self.sound[first : max(last, first)]
        if before.size == 0:
            return NO_TONES, 0.0
        after = self.sound[round(start_s * self.rate) :][: before.size]
        if float(np.sqrt(np.mean(before**2))) < 1e-3 * float(np.max(np.abs(after), initial=0.0)):
            return NO_TONES, 0.0
        return follow_tones(before, self.rate), margin

    def _whole(
        self,
        stretch: Floats,
        start_s: float,
        tones: Tones,
        end_s: float | None = None,
        uncleared: Floats | None = None,
    ) -> bool:
        """Measure a stretch as one string; True where that settled it, with a note or with a refusal."""
        skip = round(SKIP_S * self.rate) if start_s > 0 or len(tones) else 0
        body = stretch[skip:]
        comb = self._guess(body, tones)
        if comb is None:
            return False
        if uncleared is not None and len(tones):
            goes_on = still_ringing(uncleared, self.rate, tones, comb.hz)
            if not goes_on.all():
                tones = tones.pick(goes_on)
                body = (uncleared - ring_on(tones, uncleared.size, self.rate))[skip:]
                comb = self._guess(body, tones) or comb
        rivals = (tones.hz, tones.amplitude) if len(tones) else None
        fit = fit_string(body, self.rate, comb.f0_hz, comb.stiffness, rivals)
        if fit is None or fit.wobble_cents > WAVERS_CENTS or fit.explained < TONAL:
            return False
        if self._mixed(comb, fit, body, tones):
            self._refuse(start_s, end_s or start_s + stretch.size / self.rate, refuse.NO_STRING)
            return True
        heard_s = self._heard_until(fit, stretch.size / self.rate)
        self._note(start_s, min(start_s + heard_s, end_s or np.inf), fit)
        return True

    def _guess(self, body: Floats, tones: Tones) -> Comb | None:
        look = body[: round(1.0 * self.rate)]
        if look.size < 0.05 * self.rate:
            return None
        return best_comb(_without(peaks(spectrum(look, self.rate)), tones))

    def _mixed(self, comb: Comb, fit: StringFit, body: Floats, tones: Tones) -> bool:
        """Does more than one string sound in what should be one pluck?"""
        if comb.explained < DOMINANT or fit.scatter_cents > SCATTER_CENTS:
            return True
        return _several(comb)

    def _heard_until(self, fit: StringFit, seconds: float) -> float:
        """Until when the note stands out: its partials 40 dB below their start, or the stretch's end."""
        loud = max(fit.partials, key=lambda p: p.amplitude / max(p.decay_rate, 0.05))
        rate = max(loud.decay_rate, 1e-3)
        return seconds if seconds < MOST_NOTE_S else max(seconds, min(4.6 / rate, self.sound.size / self.rate))

    def _wavering(self, stretch: Floats, start_s: float) -> None:
        """Follow a moving pitch and take each stretch that holds a note."""
        found = runs(track_pitch(stretch, self.rate))
        kept = [run for run in found if self._one_voice(stretch, run)]
        for run in kept:
            self._sung(start_s, run)
        if not kept:
            end_s = start_s + stretch.size / self.rate
            self._refuse(start_s, end_s, self._why_not(stretch, bool(found)))

    def _one_voice(self, stretch: Floats, run: Run) -> bool:
        """Does the run's own spectrum show one voice at the run's pitch?"""
        middle = 0.5 * (run.start_s + run.end_s)
        half = min(0.15, 0.5 * (run.end_s - run.start_s))
        look = stretch[round((middle - half) * self.rate) : round((middle + half) * self.rate)]
        comb = best_comb(peaks(spectrum(look, self.rate, top_hz=4000.0)))
        if comb is None or comb.explained < DOMINANT or _several(comb):
            return False
        return abs(1200 * np.log2(comb.first_hz / run.hz)) < 80.0

    def _why_not(self, stretch: Floats, tonal: bool) -> str:
        found = peaks(spectrum(stretch[: round(1.0 * self.rate)], self.rate))
        comb = best_comb(found)
        power = float(np.mean(stretch[: round(1.0 * self.rate)] ** 2))
        if comb is None or 0.5 * found.power < 0.3 * power:
            return refuse.NOISE
        return refuse.NO_STRING if not tonal or comb.explained < DOMINANT or _several(comb) else refuse.UNSTEADY

    def _sung(self, start_s: float, run: Run) -> None:
        self._append(
            start_s + run.start_s, start_s + run.end_s, run.hz, max(run.cents_sd, 0.5), 0.0, run.first_hz
        )

    def _note(self, start_s: float, end_s: float, fit: StringFit) -> None:
        # A wavering that is left over limits how well the settled pitch is known.
        sd = float(np.hypot(fit.cents_sd, 0.1 * fit.wobble_cents if fit.wobble_cents > 1.0 else 0.0))
        self._append(start_s, end_s, fit.hz, sd, fit.stiffness, fit.attack_hz)

    def _append(
        self, start_s: float, end_s: float, hz: float, sd: float, stiffness: float, attack_hz: float
    ) -> None:
        if self.table is None:
            key = round(float(hz_to_key(hz)))
        else:
            key = int(np.argmin(np.abs(np.log(self.table / hz))))
        key = min(max(key, 0), 127)
        self.notes.append(
            HeardNote(
                start_s=float(start_s),
                end_s=float(end_s),
                hz=hz,
                cents_sd=sd,
                key=key,
                note=note_name(key, self.tonic),
                cents_from_equal=float(1200 * np.log2(hz / key_to_hz(key))),
                string=name_string(hz, self.strings) if self.strings else None,
                cents_from_table=None if self.table is None else float(1200 * np.log2(hz / self.table[key])),
                stiffness=stiffness,
                attack_hz=attack_hz,
            )
        )


def _without(found: Peaks, tones: Tones) -> Peaks:
    """The peaks less those that subtracting the old tones may have left."""
    if not len(tones) or not len(found):
        return found
    near = np.abs(found.hz[:, None] - tones.hz) < found.width_hz
    leftover = (near & (found.amplitude[:, None] < 0.5 * tones.amplitude)).any(axis=1)
    return found.pick(~leftover)


def _several(comb: Comb) -> bool:
    """Do the gaps in a comb tell of several strings that share a fundamental nobody plays?

    A single string lacks at most the multiples of one number (it was plucked at that node), and its lowest partials
    where the microphone or the body does not carry them. Strings tuned to a pure chord fill a series in which the
    first partial and, higher up, several primes are empty.
    """
    gaps = set(comb.missing)
    if 1 not in gaps:
        return False
    inner = [n for n in gaps if n > min(comb.numbers)]
    return len(inner) >= 1
