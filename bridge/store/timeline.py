"""Musical time in a MIDI file: seconds, bars and beats, key signatures.

Conventions
-----------
Ticks count from 0. Seconds count from the first tick. Bars count from 1, a pickup is bar 1; beats count from 1
inside the bar, in the unit of the time signature (6/8 has six), and may have fractions. A time signature always
begins a bar, even where that cuts the bar before it short; without one, bars are 4/4. In format 2 each track is
a piece with a timeline of its own: name the track.

Index
-----
`TempoMap` : ticks to seconds and back.
`BarMap` : bars and beats to ticks and back.
`KeySignature`, `key_signatures` : the key signatures of a file, with the doubt each deserves.

Source: *Standard MIDI Files 1.0* (MIDI Manufacturers Association, RP-001): meta events 51 (tempo), 58 (time
signature), 59 (key signature); default tempo 120 a minute, default signature 4/4. Departures: where tracks of a
format 1 file disagree at the same tick, the last tempo counts (as players have it) and the first signature
(the standard puts signatures into the first track).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from bridge.errors import ValueProblem
from bridge.store.smf import Event, MidiFile

DEFAULT_TEMPO_US = 500_000

_MAJOR = ("Cb", "Gb", "Db", "Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#")
_MINOR = ("Ab", "Eb", "Bb", "F", "C", "G", "D", "A", "E", "B", "F#", "C#", "G#", "D#", "A#")


def _metas(mf: MidiFile, kind: int, track: int | None) -> list[tuple[int, int, bytes]]:
    """Return ``(tick, track, payload)`` of one kind of meta event in playing order."""
    if track is None and mf.format == 2 and len(mf.tracks) > 1:
        raise ValueProblem(
            f"{mf.name or 'the file'} is of format 2: its tracks are pieces of their own",
            f"choose one of its {len(mf.tracks)} tracks",
        )
    chosen = range(len(mf.tracks)) if track is None else (track,)
    start = bytes((0xFF, kind))
    found = [
        (tick, number, data[2:])
        for number in chosen
        for tick, data in mf.tracks[number]
        if data[0] == 0xFF and data.startswith(start)
    ]
    found.sort(key=lambda one: one[:2])
    return found


class TempoMap:
    """Ticks to seconds and back, through any number of tempo changes or in SMPTE time.

    A format 2 file has one for each `track`, from 0.
    """

    def __init__(self, mf: MidiFile, track: int | None = None) -> None:
        self.ticks = [0]  # where each stretch of even tempo begins; the first begins at 0
        # Microseconds a quarter note in each stretch; of no meaning in SMPTE time.
        self.tempos_us = [DEFAULT_TEMPO_US]
        # A stretch starts at `_starts` units; a tick in it lasts `tempo` units; `_unit` units make a second.
        smpte = mf.ticks_per_second
        if smpte is not None:
            self._starts = [0]
            self._sizes = [smpte.denominator]
            self._unit = smpte.numerator
        else:
            for tick, _, payload in _metas(mf, 0x51, track):
                tempo = int.from_bytes(payload, "big")
                if len(payload) != 3 or tempo == 0 or tempo == self.tempos_us[-1]:
                    continue
                if tick == self.ticks[-1]:
                    self.tempos_us[-1] = tempo
                else:
                    self.ticks.append(tick)
                    self.tempos_us.append(tempo)
            self._unit = mf.division * 1_000_000
            self._sizes = self.tempos_us
            self._starts = [0]
            for index in range(1, len(self.ticks)):
                length = (self.ticks[index] - self.ticks[index - 1]) * self.tempos_us[index - 1]
                self._starts.append(self._starts[-1] + length)
        self._starts_s = [start / self._unit for start in self._starts]

    def seconds(self, tick: float) -> float:
        """Return the time of `tick` in seconds; exact to the last bit for whole ticks."""
        index = max(bisect_right(self.ticks, tick) - 1, 0)
        return (self._starts[index] + (tick - self.ticks[index]) * self._sizes[index]) / self._unit

    def tick(self, seconds: float) -> float:
        """Return the tick, with its fraction, at a time in seconds; the inverse of `seconds`."""
        index = max(bisect_right(self._starts_s, seconds) - 1, 0)
        return self.ticks[index] + (seconds - self._starts_s[index]) * self._unit / self._sizes[index]

    def times(self, events: list[Event]) -> Iterator[tuple[float, bytes]]:
        """Yield ``(seconds, data)`` of events whose ticks never run backwards; faster than `seconds` for each."""
        unit = self._unit
        index = 0
        start_tick, start, size = self.ticks[0], self._starts[0], self._sizes[0]
        bounds = [*self.ticks[1:], float("inf")]
        bound = bounds[0]
        last, now_s = 0, 0.0
        for tick, data in events:
            if tick != last:
                while tick >= bound:
                    index += 1
                    start_tick, start, size = self.ticks[index], self._starts[index], self._sizes[index]
                    bound = bounds[index]
                last = tick
                now_s = (start + (tick - start_tick) * size) / unit
            yield now_s, data


@dataclass(frozen=True)
class TimeSignature:
    """A stretch of equal bars: it begins at `tick`, with bar `bar`."""

    tick: int
    bar: int
    beats: int
    unit: int

    def __str__(self) -> str:
        return f"{self.beats}/{self.unit}"


class BarMap:
    """Bars and beats to ticks and back; a format 2 file has one for each `track`, from 0.

    ValueProblem if the file counts in SMPTE time, which has no bars.
    """

    def __init__(self, mf: MidiFile, track: int | None = None) -> None:
        quarter = mf.ticks_per_quarter
        if quarter is None:
            raise ValueProblem(
                f"{mf.name or 'the file'} counts in SMPTE time, hours to frames: it has no bars",
                "leave the bars out, or export the piece with a tempo and time signatures",
            )
        self._quarter = quarter
        # Stretches of equal bars in order; the first begins at tick 0 with bar 1.
        self.signatures = [TimeSignature(0, 1, 4, 4)]
        signed = -1
        for tick, _, payload in _metas(mf, 0x58, track):
            if len(payload) < 2 or payload[0] == 0 or payload[1] > 10 or tick == signed:
                continue
            signed = tick
            last = self.signatures[-1]
            if tick == last.tick:
                self.signatures[-1] = TimeSignature(tick, last.bar, payload[0], 2 ** payload[1])
            else:
                begun = -(-Fraction(tick - last.tick) // self._bar_ticks(last))
                self.signatures.append(TimeSignature(tick, last.bar + begun, payload[0], 2 ** payload[1]))
        chosen = mf.tracks if track is None else [mf.tracks[track]]
        end = max((events[-1][0] for events in chosen if events), default=0)
        # An end that falls on a bar line ends the bar before it.
        self.bars = self.bar_beat(max(end - 1, 0))[0]  # the bar in which the piece's last event falls

    def _beat_ticks(self, signature: TimeSignature) -> Fraction:
        return Fraction(4 * self._quarter, signature.unit)

    def _bar_ticks(self, signature: TimeSignature) -> Fraction:
        return signature.beats * self._beat_ticks(signature)

    def tick(self, bar: int, beat: float | Fraction = 1) -> int:
        """Return the tick nearest to a beat of a bar, both from 1; a beat may be any part of a bar.

        ValueProblem if the bar or beat does not exist.
        """
        if not 1 <= bar <= self.bars:
            raise ValueProblem(
                f"there is no bar {bar}: the piece has bars 1 to {self.bars}",
                "bars count from 1, pickup included",
            )
        index = bisect_right(self.signatures, bar, key=lambda one: one.bar) - 1
        signature = self.signatures[index]
        exact = Fraction(beat).limit_denominator(1_000_000)
        place = signature.tick + (bar - signature.bar) * self._bar_ticks(signature)
        place += (exact - 1) * self._beat_ticks(signature)
        if not 1 <= exact < signature.beats + 1:
            raise ValueProblem(
                f"there is no beat {float(exact):g} in bar {bar}, which is in {signature}",
                f"beats count from 1 to {signature.beats}",
            )
        if index + 1 < len(self.signatures) and place >= self.signatures[index + 1].tick:
            raise ValueProblem(
                f"there is no beat {float(exact):g} in bar {bar}: a new time signature cuts it short",
                f"bar {bar + 1} begins there, in {self.signatures[index + 1]}",
            )
        return round(place)

    def bar_beat(self, tick: int) -> tuple[int, Fraction]:
        """Return the bar and the beat, with its fraction, at `tick`."""
        index = max(bisect_right(self.signatures, tick, key=lambda one: one.tick) - 1, 0)
        signature = self.signatures[index]
        bars, rest = divmod(Fraction(tick - signature.tick), self._bar_ticks(signature))
        return signature.bar + int(bars), 1 + rest / self._beat_ticks(signature)


@dataclass(frozen=True)
class KeySignature:
    """A key signature, as far as it can be believed."""

    tick: int  # where it stands
    sharps: int  # number of sharps, negative for flats
    mode: Literal["major", "minor"] | None  # None where the file does not say
    doubted: str = ""  # why it may not be what the composer meant; empty if there is no reason

    @property
    def tonic(self) -> str:
        """The tonic: the minor one of a minor signature, the major one otherwise (``"Eb"``)."""
        sharps = self.sharps if -7 <= self.sharps <= 7 else (self.sharps + 6) % 12 - 6
        return (_MINOR if self.mode == "minor" else _MAJOR)[sharps + 7]

    def __str__(self) -> str:
        return f"{self.tonic} {self.mode or 'major or minor'}"


def key_signatures(mf: MidiFile, track: int | None = None) -> list[KeySignature]:
    """Return the key signatures of a file, or of a `track` (from 0) of a format 2 file, in playing order, one a tick.

    A signature is doubted when its mode is missing (255 is met in real files), when it has more than seven
    sharps or flats, when tracks disagree, and when it is the lone C major that programs write by default.
    """
    found: list[KeySignature] = []
    for tick, _, payload in _metas(mf, 0x59, track):
        if not payload:
            continue
        sharps = payload[0] - 256 if payload[0] > 127 else payload[0]
        byte = payload[1] if len(payload) > 1 else 255
        mode: Literal["major", "minor"] | None = "major" if byte == 0 else "minor" if byte == 1 else None
        doubted = ""
        if not -7 <= sharps <= 7:
            doubted = f"{abs(sharps)} {'sharps' if sharps > 0 else 'flats'} are more than seven"
        elif mode is None:
            doubted = "the file does not say whether it is major or minor"
        signature = KeySignature(tick, sharps, mode, doubted)
        if found and found[-1].tick == tick:
            first = found[-1]
            if (first.sharps, first.mode) != (sharps, mode) and not first.doubted:
                doubted = f"another track says {signature} at the same place"
                found[-1] = KeySignature(tick, first.sharps, first.mode, doubted)
            continue
        found.append(signature)
    if len(found) == 1 and found[0].tick == 0 and found[0].sharps == 0 and found[0].mode == "major":
        found[0] = KeySignature(0, 0, "major", "C major is what many programs write when no key was chosen")
    return found
