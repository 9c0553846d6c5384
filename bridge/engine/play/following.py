"""Following the harmony while somebody plays: an engine that chooses variants in front of the engine that sends them.

Every stroke asks `bridge.harmony.choice.on_the_spot` which variant its note takes; what that changes goes to the
engine behind as a change of table, before the note itself, so that it serves every method. Nothing is delayed. A note
that has only just begun may be corrected while its chord arrives; a synth whose sounding notes do not move gets the
choice at the stroke alone. Drums pass by, and pedals hold notes as keys do.

A chart that is known limits the notes of each chord to what was found for it beforehand. A drone that follows it plays
on channels of its own; it has the chart's pitches whether the keyboard follows or not, and what it holds stays.

Index
-----
`FollowingEngine` · `palette_from`
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any

from bridge.engine.lifetimes import ENDING, Sounding
from bridge.engine.play.follow_plan import Choices
from bridge.engine.protocols import Due, LiveEngine, OnChange
from bridge.engine.rhythm import RhythmTracker
from bridge.errors import MethodProblem
from bridge.harmony.choice.on_the_spot import WINDOW_S, OnTheSpot
from bridge.harmony.choice.variants import Palette, Variant
from bridge.tuning.notes import KEYS
from bridge.tuning.ratios import cents_to_ratio
from bridge.tuning.scales import Interval
from bridge.wire.resets import reset_kind


class FollowingEngine:
    """A `LiveEngine` that follows the harmony through another.

    Parameters
    ----------
    engine : LiveEngine
        What retunes the synth.
    table_hz : sequence of 128 float
        The table that `engine` was made with.
    palette_of : callable
        Returns what there is to choose from under a table of 128 frequencies; None where it cannot be followed. Where
        it returns the same object for a new table, that table is the old one moved as a whole: all choices stay.
    window_s : float
        How long a note may still be corrected; 0 for never, and where sounding notes do not move.
    moves : str, or callable that returns it
        ``few``, ``some`` or ``many``, under the table that holds.
    on : bool
        Whether it follows from the start.
    limits_of : callable
        Returns the one choice that classes have under the chord of a chart that is now, by pitch class.
    drone : collection of int
        Channels from 1 of a drone that follows the chart.
    keyboard : callable, optional
        Returns whether what is played follows under the table that holds; otherwise the drone alone does.
    offered : bool
        Whether a musician may switch it on; otherwise it serves the drone alone.
    whole : bool
        Whether each change is a whole table: then the first note of a chord brings those of all its notes.
    """

    def __init__(
        self,
        engine: LiveEngine,
        table_hz: Sequence[float],
        palette_of: Callable[[Sequence[float]], Palette | None],
        window_s: float = WINDOW_S,
        moves: str | Callable[[], str] = "some",
        on: bool = True,
        limits_of: Callable[[], Mapping[int, int]] = dict,
        drone: Collection[int] = (),
        keyboard: Callable[[], bool] | None = None,
        offered: bool = True,
        whole: bool = False,
    ) -> None:
        self.engine = engine
        self.on = on
        self.offered, self._whole = offered, whole
        self._limits_of = limits_of
        self._keyboard = keyboard
        self._drone = frozenset(channel - 1 for channel in drone)
        self._palette_of = palette_of
        self._window_s, self._moves = window_s, moves
        self._rhythm = RhythmTracker()
        self._sounding: list[Sounding[int]] = [Sounding() for _ in range(16)]
        self._home = [float(hz) for hz in table_hz]
        self._hz = list(self._home)
        self._offsets = [0.0] * 12  # of each class above the table, in cents
        self._palette: Palette | None = None
        self._chooser = self._made()

    # ---- what a display asks

    @property
    def offsets_cents(self) -> tuple[float, ...]:
        """How far each pitch class lies above the table, from C to B."""
        return tuple(self._offsets)

    @property
    def can_follow(self) -> bool:
        """Whether what is played has variants to choose from under the table in force."""
        return self._chooser is not None and (self._keyboard is None or self._keyboard())

    @property
    def _follows(self) -> bool:
        """Whether what is played follows now."""
        return self.on and (self._keyboard is None or self._keyboard())

    # ---- what the driver calls

    def start(self, now_s: float) -> list[Due]:
        """Return what makes the synth ready, the table included."""
        return self.engine.start(now_s)

    def feed(self, data: bytes, now_s: float) -> list[Due]:
        """Take one whole message; return what is to be sent for it."""
        if not data:
            return self.engine.feed(data, now_s)
        kind = data[0] & 0xF0
        if kind == 0x90 and len(data) == 3 and data[2]:
            return self._strike(data, now_s)
        if kind in (0x80, 0x90):
            self._release(data, now_s)
        elif kind == 0xB0:
            self._control(data, now_s)
        elif kind == 0xC0:
            self._rhythm.feed(data)
        elif data[0] == 0xF0:
            self._rhythm.feed(data)
            if reset_kind(data) is not None:
                self._forget(now_s)
        elif data[0] == 0xFF:
            self._forget(now_s)
        return self.engine.feed(data, now_s)

    def change(
        self, table_hz: Sequence[float], now_s: float, mode: OnChange = "now", glide_s: float = 0.5
    ) -> list[Due]:
        """Take a new table (see `LiveEngine.change`); what sounds is chosen for anew, above it.

        MethodProblem if the method cannot express the table; nothing has changed.
        """
        palette = self._palette_of(table_hz)
        if palette is not None and palette is self._palette:
            hz = [
                value * cents_to_ratio(self._offsets[key % 12]) if self._offsets[key % 12] else float(value)
                for key, value in enumerate(table_hz)
            ]
            due = self.engine.change(hz, now_s, mode, glide_s)
            self._home, self._hz = [float(value) for value in table_hz], hz
            return due
        due = self.engine.change(table_hz, now_s, mode, glide_s)
        self._home = [float(hz) for hz in table_hz]
        self._hz = list(self._home)
        self._offsets = [0.0] * 12
        self._chooser = self._made()
        if self._chooser is not None:
            wanted: dict[int, float] = {}
            for channel, keys in enumerate(self._sounding):
                for key, _ in keys if self._follows or channel in self._drone else ():
                    self._chosen(wanted, key, now_s, 0)
            due += self._turned(wanted, now_s, mode, glide_s)
        return due

    def follow(self, on: bool, now_s: float) -> list[Due]:
        """Switch following on or off. Sounding notes stay where they are; the next strokes have the table."""
        if on == self.on:
            return []
        self.on = on
        self._chooser = self._made()
        held = set()
        if self._chooser is not None:
            for channel, keys in enumerate(self._sounding):
                for key, _ in keys if self._follows or channel in self._drone else ():
                    self._chooser.hold(key, self._offsets[key % 12])
                    held.add(key % 12)
        return [] if on else self._turned({one: 0.0 for one in range(12) if one not in held}, now_s, "next")

    def chord(self, now_s: float) -> list[Due]:
        """Another chord of the chart begins: what has only just been struck goes with it, all else stays."""
        if self._chooser is None:
            return []
        moved = self._chooser.limit(self._limits_of(), now_s)
        return self._turned({one.pitch_class: one.offset_cents for one in moved}, now_s)

    def new_section(self) -> None:
        """Forget how chords sounded: another part of the piece begins."""
        if self._chooser is not None:
            self._chooser.new_section()

    def wake(self, now_s: float) -> list[Due]:
        """Do what is due by now."""
        return self.engine.wake(now_s)

    @property
    def next_wake_s(self) -> float | None:
        """When `wake` wants to be called; None if nothing is pending."""
        return self.engine.next_wake_s

    def stop(self, now_s: float) -> list[Due]:
        """Return what leaves the synth silent and as it was before `start`."""
        self._forget(now_s)
        return self.engine.stop(now_s)

    def silence(self, now_s: float) -> list[Due]:
        """Return what ends all sound at once."""
        self._forget(now_s)
        silence: Any = getattr(self.engine, "silence", self.engine.stop)
        due: list[Due] = silence(now_s)
        return due

    def set_tonic(self, pitch_class: int) -> None:
        """Tell the engine behind which tonic holds, if it wants to know."""
        tell: Any = getattr(self.engine, "set_tonic", None)
        if tell is not None:
            tell(pitch_class)

    @property
    def crowded(self) -> int:
        """Notes that had to give way, behind."""
        return int(getattr(self.engine, "crowded", 0))

    @property
    def clipped(self) -> int:
        """Bends that were cut, behind."""
        return int(getattr(self.engine, "clipped", 0))

    @property
    def at_rest(self) -> bool:
        """Whether no note sounds and none is owed its end."""
        return self.engine.at_rest

    def sounding(self) -> Sequence[tuple[int, int, int, float]]:
        """Return what sounds (see `LiveEngine.sounding`)."""
        return self.engine.sounding()

    # ---- inside

    def _made(self) -> OnTheSpot | None:
        palette = self._palette = self._palette_of(self._home)
        if palette is None:
            return None
        chooser = OnTheSpot(
            palette, self._window_s, self._moves if isinstance(self._moves, str) else self._moves()
        )
        chooser.limit(self._limits_of(), 0.0)
        return chooser

    def _strike(self, data: bytes, now_s: float) -> list[Due]:
        channel, key = data[0] & 0x0F, data[1] & 0x7F
        if self._rhythm.is_drums(channel + 1):
            return self.engine.feed(data, now_s)
        self._sounding[channel].strike(key, key)
        if self._chooser is None:
            return self.engine.feed(data, now_s)
        wanted: dict[int, float] = {}
        if self._follows or channel in self._drone:
            self._chosen(wanted, key, now_s, channel)
            if self._whole and self._palette is not None:
                sounding = self._chooser.sounding()
                for one, index in self._limits_of().items():
                    if one not in sounding:
                        wanted[one] = self._palette.classes[one][index].offset_cents
        elif self._offsets[key % 12] and key % 12 not in self._chooser.sounding():
            wanted[key % 12] = 0.0  # a drone moved it, and holds it no longer
        due = self._turned(wanted, now_s)
        due += self.engine.feed(data, now_s)
        return due

    def _chosen(self, wanted: dict[int, float], key: int, now_s: float, part: int) -> None:
        """Ask for a note's variant; note what that changes."""
        assert self._chooser is not None
        choice = self._chooser.note_on(now_s, key, part)
        wanted[key % 12] = choice.variant.offset_cents
        for one in choice.corrections:
            wanted[one.pitch_class] = one.offset_cents

    def _turned(
        self, wanted: dict[int, float], now_s: float, mode: OnChange = "now", glide_s: float = 0.5
    ) -> list[Due]:
        """Bring classes to their offsets; return what is to be sent."""
        turned = [one for one, cents in wanted.items() if cents != self._offsets[one]]
        if not turned:
            return []
        before = list(self._offsets), list(self._hz)
        for one in turned:
            self._offsets[one] = wanted[one]
            ratio = cents_to_ratio(wanted[one])
            for key in range(one, KEYS, 12):
                self._hz[key] = self._home[key] * ratio
        try:
            return self.engine.change(self._hz, now_s, mode, glide_s)
        except MethodProblem:  # the method cannot say this one pitch: it stays, and the playing goes on
            self._offsets, self._hz = before
            return []

    def _release(self, data: bytes, now_s: float) -> None:
        sounding, key = self._sounding[data[0] & 0x0F], data[1] & 0x7F
        note = sounding.release(key)
        if note is not None and not sounding.hold(key, note):
            self._ended([note], now_s)

    def _control(self, data: bytes, now_s: float) -> None:
        if data[1] == 0:
            self._rhythm.feed(data)
        elif data[1] in ENDING:
            self._ended(self._sounding[data[0] & 0x0F].control(data[1], data[2]), now_s)

    def _forget(self, now_s: float) -> None:
        """A reset: nothing sounds any more."""
        for sounding in self._sounding:
            self._ended(sounding.reset(), now_s)

    def _ended(self, keys: Sequence[int], now_s: float) -> None:
        if self._chooser is not None:
            for key in keys:
                self._chooser.note_off(now_s, key)


def palette_from(choices: Choices) -> Palette:
    """Return what there is to choose from, from how a plan says it."""
    classes = tuple(
        tuple(
            Variant(
                Interval.of_cents(one.cents) if one.ratio is None else Interval.of_ratio(one.ratio),
                one.offset_cents,
            )
            for one in variants
        )
        for variants in choices.classes
    )
    return Palette(choices.tonic, classes, choices.base_cents, natural_sevenths=choices.natural_sevenths)
