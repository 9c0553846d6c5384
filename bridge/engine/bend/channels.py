"""The channels that the bend engine works with: those of the source, and those that the synth receives.

Conventions: `nibble` and `index` are 0 to 15, `number` is 1 to 16; cents, semitones and seconds as the names say.
"""

from __future__ import annotations

import math

from bridge.engine.channel_state import ChannelState
from bridge.engine.lifetimes import Sounding
from bridge.engine.offsets import DEFAULT_RANGE_CENTS
from bridge.wire.bend import CENTRE


class Note:
    """A note that sounds: its key, the offset it needs, where it sounds, and what it counts in a compromise.

    `number` is its place in the record of residuals, -1 where none is kept.
    """

    __slots__ = ("key", "number", "offset", "out", "weight")

    def __init__(self, key: int, offset: float, out: Out, number: int, weight: float) -> None:
        self.key = key
        self.offset = offset
        self.out = out
        self.number = number
        self.weight = weight


class Out(ChannelState):
    """A channel of the output: what the synth holds there, and what sounds."""

    __slots__ = (
        "claimed",
        "cut",
        "fine_tuned",
        "glide",
        "mixed",
        "nibble",
        "notes",
        "number",
        "offset",
        "owed",
        "range_semitones",
        "reluctance",
        "residual_cents",
        "scale",
        "silent_s",
        "solo",
        "source",
        "step_cents",
        "value",
        "version",
    )

    def __init__(self, nibble: int) -> None:
        super().__init__()
        self.nibble = nibble
        self.number = nibble + 1
        self.source: Source | None = None  # the source channel whose set-up it has, or had last
        self.version = 0  # the source's `version` that it was brought to
        self.value = -1  # bend value last sent; -1 if none was
        self.offset = 0.0  # what its notes are bent by, without the source's own bend, in cents
        self.residual_cents = 0.0  # how far the bend last sent is off, in cents, without its sign
        self.notes: dict[Note, None] = {}  # what sounds, in order of striking
        self.silent_s = -math.inf  # since when nothing sounds; minus infinity if nothing ever did
        self.claimed = False  # set up for a note that is about to start
        # A part without notes has shifted it by fine tuning, which nobody who plays there may hear.
        self.fine_tuned = False
        self.owed: dict[int, int] = {}  # for each key, how many note-ons still lack their note-off
        # How much rather another source's channel is left alone: 0 nothing happens there, 1 it has messages,
        # 2 notes.
        self.reluctance = 0
        self.mixed = False  # its notes need different offsets, so most of them are off
        self.solo = False  # a note was struck here in mono mode, which ended those before it
        self.cut: dict[Note, None] = {}  # what was ended so, and has its note-off still to come
        # Start and end in seconds, and the offset at either (live only).
        self.glide: tuple[float, float, float, float] | None = None
        self.forget_range()

    def forget_range(self) -> None:
        """The bend range is unknown."""
        self.range_semitones = 0  # bend range last sent; 0 if unknown
        self.scale = 0.0
        self.step_cents = 0.0

    def set_range(self, semitones: int) -> None:
        """The bend range has been sent."""
        self.range_semitones = semitones
        self.scale = CENTRE / (100.0 * semitones)
        self.step_cents = 100.0 * semitones / CENTRE


class Source(ChannelState):
    """A channel of the source, and where it is served."""

    __slots__ = (
        "clips",
        "fine_cents",
        "guests",
        "home",
        "host",
        "index",
        "kit",
        "last_out",
        "manager",
        "mono",
        "number",
        "own_cents",
        "passive",
        "pool",
        "range_cents",
        "range_out_semitones",
        "raw",
        "serving",
        "settled_offs",
        "sounding",
        "version",
        "wheel",
        "zone_cents",
    )

    def __init__(self, index: int, home: Out) -> None:
        super().__init__()
        self.index = index
        self.number = index + 1
        self.home = home  # the channel of its own number
        # In an MPE zone, the channel for everything that concerns the whole zone.
        self.manager: Out | None = None
        self.serving: list[Out] = []  # channels that get what happens on this one, in order
        self.pool: list[Out] = []  # channels that its notes may use
        self.sounding: Sounding[Note] = Sounding()  # its notes
        self.range_out_semitones = 2  # the bend range of the channels that serve it
        self.kit = False  # it plays drums now: its notes pass untouched
        self.raw = False  # all its messages but pitched notes also pass untouched on its own number
        self.passive = False  # it plays no notes at all: its bends and ranges pass as they are
        self.version = 0  # counts the changes of its state
        # Where each key was struck last (list of 128 Out or None).
        self.last_out: list[Out | None] = [None] * 128
        self.settled_offs: dict[int, int] = {}  # note-offs sent ahead of time, to be swallowed when they come
        self.clips = 0  # bends that were cut short
        # Where the source is an MPE keyboard (see `keyboard_zones`): the channel that manages this one; the channels
        # that this one manages; and by how much the manager's wheel bends this one besides its own.
        self.host: Source | None = None
        self.guests: list[Source] = []
        self.zone_cents = 0.0
        self.untune()

    def untune(self) -> None:
        """Its own bend, bend range, fine tuning and mode are those of power-up."""
        self.wheel = CENTRE  # its own bend, 0 to 16383
        self.fine_cents = 0.0
        self.own_cents = 0.0  # its own bend and fine tuning together
        self.range_cents = DEFAULT_RANGE_CENTS
        self.mono = False  # it is in mono mode: a note ends the one before it
