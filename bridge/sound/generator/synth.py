"""The built-in tone generator: MIDI bytes in, stereo samples out.

`Generator` joins a `Receiver` (what sounds, and at what frequency) to `Oscillators` and the drum kit (how it sounds).
Bytes take effect at a sample, exactly: between two samples nothing is rounded to a block, so a file sounds the same
whatever the sizes of the blocks it is asked for in.

- Pitch: every note sounds within 0.001 cents of what the bytes decode to; a change of pitch keeps the phase.
- Loudness: one note at full velocity and volume has a root mean square of `LEVEL`; about thirty such notes would
  reach full scale. For live use a limiter keeps the sound below a ceiling; files are scaled as a whole instead (see
  `bridge.sound.render`).
- At most `MAX_NOTES` notes sound; then those that were let go first end first.

Threads: one thread at a time. `feed` and `block` may be called from different threads only if the caller keeps them
apart; `bridge.sound.device.output` does that with a queue.
"""

from __future__ import annotations

import heapq
import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bridge.errors import ValueProblem
from bridge.sound.generator import drums
from bridge.sound.generator.channels import Note
from bridge.sound.generator.limiter import Limiter
from bridge.sound.generator.oscillators import Oscillators, Row
from bridge.sound.generator.receiver import Receiver
from bridge.sound.generator.voices import Layer, decay_s, layer_amplitudes, velocity_gain, voice_for
from bridge.sound.generator.wavetables import WaveBank, partial_count

LEVEL = 0.09
"""Root mean square of one note at full velocity and volume, full scale being 1."""

DRUM_LEVEL = 0.35
"""Peak of a drum of gain 1 at full velocity and volume."""

MAX_NOTES = 128
CUT_S = 0.012
"""Time to fall by 60 dB when a note is cut."""

SOFT_PEDAL_GAIN = 0.7
SAMPLE_RATES = (8000, 192000)
_SEGMENT = 32768
_SWEEP = 128
"""Notes that have died away are looked for after a segment of so many samples, or several of four times as many."""

# Effort of an event, of a stroke on a drum in a segment (a segment is as much as ten), and of what follows the mix, for
# each sample: measured.
_EVENT_EFFORT, _STROKE_EFFORT, _MIX_EFFORT = 6000, 1500, 3


@dataclass(slots=True, eq=False)
class _Part:
    """A layer of a sounding note."""

    row: Row
    layer: Layer
    gain: float
    bin_key: int
    partials: int


@dataclass(slots=True, eq=False)
class _Stroke:
    """A drum that sounds."""

    channel: int
    key: int
    sound: NDArray[np.float32]
    gain: float
    sides: NDArray[np.float64]
    target: NDArray[np.float64]
    at: int = 0


@dataclass(slots=True, order=True)
class _Due:
    at: int
    number: int
    data: bytes = field(compare=False)


class Generator:
    """A tone generator of sixteen channels.

    ValueProblem if the sample rate is out of range.

    Parameters
    ----------
    sample_rate : int
        Samples a second, 8000 to 192000.
    device_id : int, optional
        Obey only SysEx for this device ID (and for all devices); None obeys every one.
    ceiling : float, optional
        Limit the sound to this, at the cost of `delay` samples; None leaves it as it is.
    """

    def __init__(
        self, sample_rate: int = 44100, *, device_id: int | None = None, ceiling: float | None = None
    ) -> None:
        low, high = SAMPLE_RATES
        if not low <= sample_rate <= high:
            raise ValueProblem(
                f"a sample rate of {sample_rate} per second is out of range", f"allowed: {low} to {high}"
            )
        self.sample_rate = sample_rate
        self.position = 0  # samples made so far: where the next block begins
        self.receiver = Receiver(self, device_id)  # what the channels were told
        self._bank = WaveBank()
        self._oscillators = Oscillators(sample_rate, self._bank)
        self._parts: dict[Note, list[_Part]] = {}
        self._strokes: list[_Stroke] = []
        self._due: list[_Due] = []
        self._fed = 0
        self.effort = 0  # what the sound has cost so far, in samples of one tone (see `render.MOST_EFFORT`)
        self._unswept = 0
        self._limiter = Limiter(sample_rate, ceiling) if ceiling is not None else None

    # -- what users call ----------------------------------------------------------------------------------------

    @property
    def delay(self) -> int:
        """Samples by which `block` lags behind the bytes: 0 without a ceiling."""
        return self._limiter.delay if self._limiter is not None else 0

    @property
    def reduction(self) -> float:
        """The limiter's gain now; 1 when it does nothing."""
        return self._limiter.reduction if self._limiter is not None else 1.0

    @property
    def note_count(self) -> int:
        """Notes that sound, those that die away included; drums not."""
        return len(self._parts)

    @property
    def silent(self) -> bool:
        """Whether nothing sounds and nothing is waiting to be played."""
        return not (self._parts or self._strokes or self._due)

    def feed(self, data: bytes, at_sample: int | None = None) -> None:
        """Take any MIDI bytes; pieces of a message are joined with what comes next.

        They take effect at `at_sample` of `position`; a time that has passed, or None, is the beginning of
        the next block.
        """
        at = self.position if at_sample is None else max(at_sample, self.position)
        heapq.heappush(self._due, _Due(at, self._fed, bytes(data)))
        self._fed += 1

    def replies(self) -> list[bytes]:
        """Return the answers to dump requests that have taken effect since the last call."""
        return self.receiver.replies()

    def block(self, frames: int) -> NDArray[np.float32]:
        """Return the next samples, left and right, shape (frames, 2).

        With a `ceiling` the sound comes `delay` samples later and stays below it; without, it may go beyond
        1.
        """
        out = np.zeros((2, frames), dtype=np.float32)
        done = 0
        due = self._due
        while True:
            while due and due[0].at <= self.position:
                self.receiver.feed(heapq.heappop(due).data)
                self.effort += _EVENT_EFFORT
            if done == frames:
                break
            size = min(frames - done, _SEGMENT)
            if due:
                size = min(size, due[0].at - self.position)
            size = min(size, self._oscillators.ramp_left or size)
            self._segment(out[:, done : done + size])
            done += size
            self.position += size
        sound = np.stack(list(out), axis=1)  # a copy of the transposed array takes five times as long
        return self._limiter.process(sound) if self._limiter is not None else sound

    # -- sound --------------------------------------------------------------------------------------------------

    def _segment(self, out: NDArray[np.float32]) -> None:
        frames = out.shape[1]
        tones, strokes = self._oscillators.count, len(self._strokes)
        if tones or strokes:
            tones *= 2 if frames < 256 else 1  # their envelopes are worked out for every sample
            self.effort += (tones + strokes + _MIX_EFFORT) * frames + (strokes + 10) * _STROKE_EFFORT
        ramp_left = self._oscillators.ramp_left
        for stroke in self._strokes:
            sound = stroke.sound[stroke.at : stroke.at + frames]
            stroke.at += len(sound)
            line = stroke.sides[:, None].astype(np.float32)
            if ramp_left:
                change = (stroke.target - stroke.sides) * (frames / ramp_left)
                line = line + (change[:, None] * np.arange(len(sound)) / frames).astype(np.float32)
                stroke.sides += change
            out[:, : len(sound)] += line * sound
        self._strokes = [stroke for stroke in self._strokes if stroke.at < len(stroke.sound)]
        self._oscillators.render(out)
        self._unswept += frames
        if frames < _SWEEP and self._unswept < 4 * _SWEEP:
            return
        self._unswept = 0
        if self._oscillators.drop_silent():
            for note, parts in list(self._parts.items()):
                parts[:] = [part for part in parts if part.row.at >= 0]
                if not parts:
                    self._end(note)

    def _end(self, note: Note) -> None:
        del self._parts[note]
        self.receiver.forget(note)

    def _sides(self, channel: int, gain: float) -> tuple[float, float]:
        state = self.receiver.channels[channel]
        left, right = state.sides
        loud = gain * state.gain * self.receiver.master_gain
        return left * loud, right * loud

    def _place(self, layer: Layer, bin_key: int, partials: int) -> int:
        name = (layer.name, bin_key, partials)
        place = self._bank.place(name)
        if place is None:
            place = self._bank.store(name, layer_amplitudes(layer, bin_key, partials))
        return place

    def _pitch(self, part: _Part, hz: float) -> tuple[float, int]:
        """Return step and cycle of a part at a frequency; silence where it is beyond half the sample rate."""
        half = 0.5 * self.sample_rate
        if hz >= half:
            return 0.0, WaveBank.SILENT
        partials = part.partials
        if partials * hz >= half or not partials:
            partials = _rung(partial_count(hz, self.sample_rate))
        return hz / self.sample_rate, self._place(part.layer, part.bin_key, partials)

    # -- what the receiver calls (`ToneMaker`) ---------------------------------------------------------------------

    def start(self, note: Note) -> None:
        """Begin a note, or strike a drum."""
        if note.drums:
            self._strike(note)
            return
        if len(self._parts) >= MAX_NOTES:
            self._make_room()
        bin_key = min(max(round(69 + 12 * math.log2(note.hz / 440.0)), 0), 127)
        parts = []
        for layer in voice_for(note.program).layers:
            gain = LEVEL * velocity_gain(layer, note.velocity)
            if note.soft:
                gain *= SOFT_PEDAL_GAIN
            part = _Part(Row(-1), layer, gain, bin_key, partial_count(note.hz, self.sample_rate))
            step, place = self._pitch(part, note.hz)
            part.row = self._oscillators.add(
                place, step, self._sides(note.channel, gain), layer.attack_s, decay_s(layer, note.hz)
            )
            parts.append(part)
        self._parts[note] = parts

    def _make_room(self) -> None:
        note = next((note for note in self._parts if note.releasing), next(iter(self._parts)))
        note.releasing = True
        for part in self._parts[note]:
            if not self._oscillators.discard_unheard(part.row):
                self._oscillators.fade(part.row, CUT_S)
        # Out of the books at once; the rows fade by themselves.
        self._end(note)

    def _strike(self, note: Note) -> None:
        for stroke in self._strokes:
            if stroke.channel == note.channel and drums.chokes(note.key, stroke.key):
                self._damp(stroke)
        gain = DRUM_LEVEL * (note.velocity / 127) ** 1.6
        sides = np.array(self._sides(note.channel, gain))
        sound = drums.stroke(note.key, self.sample_rate)
        if len(self._strokes) >= MAX_NOTES:
            self._damp(self._strokes[0])
            del self._strokes[:-MAX_NOTES]
        self._strokes.append(_Stroke(note.channel, note.key, sound, gain, sides, sides.copy()))

    def _damp(self, stroke: _Stroke) -> None:
        rest = stroke.sound[stroke.at : stroke.at + round(CUT_S * self.sample_rate)]
        stroke.sound = rest * np.linspace(1.0, 0.0, len(rest), dtype=np.float32)
        stroke.at = 0

    def release(self, note: Note) -> None:
        """Let a note die away."""
        for part in self._parts.get(note, ()):
            self._oscillators.fade(part.row, part.layer.release_s)

    def silence(self, channel: int) -> None:
        """Cut all sound of a channel."""
        for note, parts in self._parts.items():
            if note.channel == channel:
                for part in parts:
                    self._oscillators.fade(part.row, CUT_S)
        for stroke in self._strokes:
            if stroke.channel == channel:
                self._damp(stroke)

    def retune(self, note: Note) -> None:
        """Go on at the note's new frequency."""
        for part in self._parts.get(note, ()):
            step, place = self._pitch(part, note.hz)
            self._oscillators.tune(part.row, step, place)

    def change_gain(self, channel: int) -> None:
        """Follow the channel's volume, expression and pan."""
        for note, parts in self._parts.items():
            if note.channel == channel:
                for part in parts:
                    self._oscillators.set_gain(part.row, self._sides(channel, part.gain))
        for stroke in self._strokes:
            if stroke.channel == channel:
                stroke.target[:] = self._sides(channel, stroke.gain)
                self._oscillators.start_ramp()


def _rung(count: int) -> int:
    """Return the next lower number of partials worth a cycle of its own, so that a long glide needs few of them."""
    if count <= 12:
        return count
    step = 4 if count < 32 else 16
    return count // step * step
