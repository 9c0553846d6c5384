"""The channels that the bend engine works with: those of the source, and those that the synth receives.

Conventions: `nibble` and `index` are 0 to 15, `number` is 1 to 16; cents, semitones and seconds as the names say.

Index: `Note`, `Out`, `Source`.
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
    """A channel of the output: what the synth holds there, and what sounds.

    Attributes
    ----------
    source : Source or None
        The source channel whose set-up it has, or had last.
    version : int
        The source's `version` that it was brought to.
    value : int
        Bend value last sent; -1 if none was.
    range_semitones : int
        Bend range last sent; 0 if unknown.
    fine_tuned : bool
        A part without notes has shifted it by fine tuning, which nobody who plays there may hear.
    offset : float
        What its notes are bent by, without the source's own bend, in cents.
    residual_cents : float
        How far the bend last sent is off, in cents, without its sign.
    notes : dict of Note to None
        What sounds, in order of striking.
    silent_s : float
        Since when nothing sounds; minus infinity if nothing ever did.
    claimed : bool
        Set up for a note that is about to start.
    owed : dict of int to int
        For each key, how many note-ons still lack their note-off.
    reluctance : int
        How much rather another source's channel is left alone: 0 nothing happens there, 1 it has messages, 2 notes.
    mixed : bool
        Its notes need different offsets, so most of them are off.
    glide : tuple or None
        Start and end in seconds, and the offset at either (live only).
    """

    __slots__ = (
        "claimed",
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
        "source",
        "step_cents",
        "value",
        "version",
    )

    def __init__(self, nibble: int) -> None:
        super().__init__()
        self.nibble = nibble
        self.number = nibble + 1
        self.source: Source | None = None
        self.version = 0
        self.value = -1
        self.offset = 0.0
        self.residual_cents = 0.0
        self.notes: dict[Note, None] = {}
        self.silent_s = -math.inf
        self.claimed = False
        self.fine_tuned = False
        self.owed: dict[int, int] = {}
        self.reluctance = 0
        self.mixed = False
        self.glide: tuple[float, float, float, float] | None = None
        self.forget_range()

    def forget_range(self) -> None:
        """The bend range is unknown."""
        self.range_semitones = 0
        self.scale = 0.0
        self.step_cents = 0.0

    def set_range(self, semitones: int) -> None:
        """The bend range has been sent."""
        self.range_semitones = semitones
        self.scale = CENTRE / (100.0 * semitones)
        self.step_cents = 100.0 * semitones / CENTRE


class Source(ChannelState):
    """A channel of the source, and where it is served.

    Attributes
    ----------
    serving : list of Out
        Channels that get what happens on this one, in order.
    pool : list of Out
        Channels that its notes may use.
    home : Out
        The channel of its own number.
    manager : Out or None
        In an MPE zone, the channel for everything that concerns the whole zone.
    sounding : Sounding
        Its notes.
    wheel : int
        Its own bend, 0 to 16383.
    own_cents : float
        Its own bend and fine tuning together.
    range_cents : float
        Its own bend range.
    range_out_semitones : int
        The bend range of the channels that serve it.
    kit : bool
        It plays drums now: its notes pass untouched.
    raw : bool
        All its messages but pitched notes also pass untouched on its own number.
    passive : bool
        It plays no notes at all: its bends and ranges pass as they are.
    mono : bool
        It is in mono mode: a note ends the one before it.
    version : int
        Counts the changes of its state.
    last_out : list of 128 Out or None
        Where each key was struck last.
    settled_offs : dict of int to int
        Note-offs sent ahead of time, to be swallowed when they come.
    clips : int
        Bends that were cut short.
    """

    __slots__ = (
        "clips",
        "fine_cents",
        "home",
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
    )

    def __init__(self, index: int, home: Out) -> None:
        super().__init__()
        self.index = index
        self.number = index + 1
        self.home = home
        self.manager: Out | None = None
        self.serving: list[Out] = []
        self.pool: list[Out] = []
        self.sounding: Sounding[Note] = Sounding()
        self.range_out_semitones = 2
        self.kit = False
        self.raw = False
        self.passive = False
        self.version = 0
        self.last_out: list[Out | None] = [None] * 128
        self.settled_offs: dict[int, int] = {}
        self.clips = 0
        self.untune()

    def untune(self) -> None:
        """Its own bend, bend range, fine tuning and mode are those of power-up."""
        self.wheel = CENTRE
        self.fine_cents = 0.0
        self.own_cents = 0.0
        self.range_cents = DEFAULT_RANGE_CENTS
        self.mono = False
