"""The state of one MIDI channel of the tone generator, and of the notes that sound on it.

Conventions: channels are 1 to 16, keys and controllers 0 to 127; pitches are in semitones above key 0 of equal
temperament at A4 = 440 Hz.

Sources: MIDI 1.0 Detailed Specification; *General MIDI System Level 1* (what a channel begins with); RP-015,
"Response to Reset All Controllers".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

BEND_CENTRE = 8192
DEFAULT_BEND_RANGE_SEMITONES = 2.0
PEDAL_DOWN = 64
"""A pedal is down from this value on."""


@dataclass(slots=True, eq=False)
class Note:
    """A note that sounds."""

    # As the note-on said; channel 1 to 16.
    channel: int
    key: int
    velocity: int
    program: int  # MIDI program of the channel when the note began
    drums: bool  # whether it is a stroke on the drum kit, which has no pitch to tune
    base_semitones: float  # pitch of the key by the tuning, without bends
    hz: float = 0.0  # frequency as it sounds now
    down: bool = True  # whether the key is down
    sostenuto: bool = False  # whether the sostenuto pedal caught it
    releasing: bool = False  # whether it has been let go and only dies away
    soft: bool = False  # whether the soft pedal was down when it began


@dataclass(slots=True, eq=False)
class Channel:
    """What a channel was told."""

    number: int
    pitches: list[float]  # the tuning that the channel follows
    tuning_bank: int = 0  # what the next choice of a tuning program (RPN 00 03) adds to it
    program: int = 0
    volume: int = 100
    expression: int = 127
    pan: int = 64
    sustain: bool = False
    sostenuto: bool = False
    soft: bool = False
    bend: int = BEND_CENTRE
    bend_range_semitones: float = DEFAULT_BEND_RANGE_SEMITONES
    fine_semitones: float = 0.0
    coarse_semitones: int = 0
    # What sounds, in the order in which it began; notes that only die away are among them.
    notes: list[Note] = field(default_factory=list)

    @property
    def bend_semitones(self) -> float:
        """What the pitch bend adds."""
        return (self.bend - BEND_CENTRE) * self.bend_range_semitones / BEND_CENTRE

    @property
    def gain(self) -> float:
        """Loudness by volume and expression, 0 to 1 (each 40·log10 of its share, as General MIDI recommends)."""
        return (self.volume / 127) ** 2 * (self.expression / 127) ** 2

    @property
    def sides(self) -> tuple[float, float]:
        """Gains of left and right by pan; their squares add up to 1. Pan 0 and 1 are both hard left."""
        angle = (max(self.pan, 1) - 1) / 126 * math.pi / 2
        return math.cos(angle), math.sin(angle)

    def reset_controllers(self) -> None:
        """Do what "reset all controllers" says: not volume, pan, program, bank or anything set by RPN."""
        self.expression = 127
        self.sustain = self.sostenuto = self.soft = False
        self.bend = BEND_CENTRE
