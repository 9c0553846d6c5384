"""A performance: an engine, the tables to choose from, and the musician's controls, as one thing that is fed messages.

`Performance` decides everything that happens between what comes in and what goes out, and nothing else: it has no
clock, port or thread. Messages from the keyboard go through the controls (`bridge.engine.play.controls`); messages of a
backing track go to the engine as they are, but for their loudness. Hostile bytes come to nothing and are counted.

Index: `Performance`, `quieting`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from bridge.engine.channel_state import PARAMETER_CONTROLLERS
from bridge.engine.lifetimes import ALL_NOTES_OFF, ALL_SOUND_OFF, PEDALS
from bridge.engine.mts.own_parameters import OwnParameters
from bridge.engine.play.chart_walk import ChartWalk
from bridge.engine.play.controls import TRACK_ACTIONS, Action, ControlReader
from bridge.engine.play.keyboards import Hands, Keyboard, KeyboardReader
from bridge.engine.play.tables import PlayTable, TableSwitch
from bridge.engine.protocols import Due, LiveEngine, OnChange
from bridge.errors import MethodProblem
from bridge.wire.resets import reset_kind
from bridge.wire.stream import is_whole

_QUIETING = (*PEDALS, ALL_SOUND_OFF, ALL_NOTES_OFF)
"""Controllers that silence a channel: pedals up, all sound off, all notes off."""


_IN_CHART = {"next-chord": 1, "previous-chord": -1, "first-chord": 0}


class Performance:
    """Keyboard and backing track in, messages for the synth out.

    Parameters
    ----------
    engine : LiveEngine
        Made with the table that `switch` holds.
    on_change : {"now", "next", "glide"}
        What becomes of sounding notes when the table changes (`bridge.engine.protocols`).
    most_sysex_bytes : int
        Longest SysEx message that is passed on.
    keyboards : sequence of Keyboard
        What plays, where it is more than one keyboard as it comes.
    """

    def __init__(
        self,
        engine: LiveEngine,
        switch: TableSwitch,
        controls: ControlReader,
        on_change: OnChange = "now",
        glide_s: float = 0.5,
        most_sysex_bytes: int = 15000,
        keyboards: Sequence[Keyboard] = (),
    ) -> None:
        self.engine = engine
        self.switch = switch
        self.on_change: OnChange = on_change
        self.glide_s = glide_s
        self.version = 0  # goes up whenever a table is chosen, trimmed or refused, so that a display notices
        self.dropped = 0  # messages that came in and were no messages, or too long
        self.notices: list[str] = []  # what the musician should know; the caller may empty it
        self.asked: list[str] = []  # what a foot asked for that others do: ``listen``, ``undo``; the same
        # Whether the drone is on, where there is one; and whether it is to be silent all the same.
        self.drone = self.hushed = False
        self.walk: ChartWalk | None = None  # the chart that is known, where there is one
        # How loud the drone is meant to be, in hundredths; None where there is none.
        self.drone_volume: int | None = None
        # Actions that concern something else that plays here: what carries each out, given its number and the time. It
        # returns messages as `feed_backing` takes them.
        self.others: Mapping[str, Callable[[float, float], Sequence[bytes]]] = {}
        # How often another table was sent, and how often all of them were renewed.
        self.changes = self.renewals = 0
        self._controls = controls
        self._readers: list[KeyboardReader | ControlReader] = [controls]
        if keyboards:
            self._readers = [KeyboardReader(keyboard, controls.controls) for keyboard in keyboards]
        self._plain = all(reader.plain for reader in self._readers)
        self._hands = Hands(len(keyboards)) if len(keyboards) > 1 else None
        self._most_bytes = most_sysex_bytes
        self._feed = engine.feed
        self._parameters = OwnParameters()
        self._held: dict[int, int] = {}
        self._pedals: set[tuple[int, int]] = set()

    # ---- what comes in

    def feed(self, data: bytes, now_s: float, source: int = 0) -> list[Due]:
        """Take one message from a keyboard, counted from 0; return what is to be sent for it."""
        if not is_whole(data, self._most_bytes):
            self.dropped += 1
            return []
        if data[0] >= 0xF0:
            if (data[0] == 0xFF or (data[0] == 0xF0 and reset_kind(data) is not None)) and self.own:
                self._parameters.clear()
            return self._feed(data, now_s)
        if not self._plain:
            action, music = self._readers[source].take(data)
            if action is not None:
                return self.act(action, now_s)
            if music is None:
                return []
            data = music
        if data[0] & 0xF0 == 0xB0 and data[1] in PARAMETER_CONTROLLERS:
            self._parameters.take(data)
        if self._hands is not None:
            return self._feed_all(self._hands.feed(source, data), now_s)
        status = data[0]
        if status < 0xA0:
            place = (status & 0x0F) << 7 | data[1]
            if status >= 0x90 and data[2]:
                self._held[place] = self._held.get(place, 0) + 1
            elif place in self._held:
                if self._held[place] > 1:
                    self._held[place] -= 1
                else:
                    del self._held[place]
        elif status & 0xF0 == 0xB0 and data[1] in PEDALS:
            (self._pedals.add if data[2] else self._pedals.discard)((status & 0x0F, data[1]))
        return self._feed(data, now_s)

    @property
    def own(self) -> tuple[bytes, ...]:
        """What sets the player's own bend range, tuning and zones once more."""
        return tuple(self._parameters.again())

    def go_on_with(self, own: Sequence[bytes], now_s: float) -> None:
        """Begin where the player has set parameters before (see `own`); the synth has them with `start`."""
        for data in own:
            self._parameters.take(data)
            self._feed(data, now_s)

    def feed_backing(self, data: bytes, now_s: float) -> list[Due]:
        """Take one message of a backing track or a drone: it plays, but it controls nothing."""
        if not is_whole(data, self._most_bytes):
            self.dropped += 1
            return []
        return self._feed(self._controls.soften(data), now_s)

    def _feed_all(self, messages: Sequence[bytes], now_s: float) -> list[Due]:
        if len(messages) == 1:
            return self._feed(messages[0], now_s)
        return [due for data in messages for due in self._feed(data, now_s)]

    def release_keyboard(self, now_s: float, source: int | None = None) -> list[Due]:
        """Let go of the keys and pedals of a keyboard, for it is gone; None: of all keyboards."""
        if self._hands is not None:
            gone = range(len(self._readers)) if source is None else [source]
            return self._feed_all([data for one in gone for data in self._hands.release(one)], now_s)
        held, self._held = self._held, {}
        pedals, self._pedals = self._pedals, set()
        due: list[Due] = []
        for place, count in held.items():
            for _ in range(count):
                due += self._feed(bytes((0x80 | place >> 7, place & 0x7F, 64)), now_s)
        for nibble, pedal in sorted(pedals):
            due += self._feed(bytes((0xB0 | nibble, pedal, 0)), now_s)
        return due

    # ---- what the musician chooses

    def act(self, action: Action, now_s: float) -> list[Due]:
        """Carry out an action; return what is to be sent for it."""
        if action.name == "panic":
            return self.panic(now_s)
        if action.name in ("drone", "hush", "unhush"):
            if action.name == "drone":
                self.drone = not self.drone
            else:
                self.hushed = action.name == "hush"
            self.version += 1
            return []
        if action.name == "drone-volume":
            self._drone_volume(action.number)
            return []
        if (do := self.others.get(action.name)) is not None:
            self.version += 1
            return [due for data in do(action.number, now_s) for due in self.feed_backing(data, now_s)]
        if action.name in TRACK_ACTIONS:
            self.version += 1
            self.notices.append("there is no track to pause, to take back or to mute")
            return []
        if action.name in ("listen", "undo"):
            self.asked.append(action.name)
            self.version += 1
            return []
        if action.name == "follow":
            return self._follow(now_s)
        if action.name in _IN_CHART:
            return self._go(_IN_CHART[action.name], now_s)
        switch = self.switch
        kept = switch.keep()
        done = self._choose(action)
        self.version += 1
        if not done:
            self.notices.append(_refusal(action, switch))
            return []
        if switch.keep() == kept:
            return []
        try:
            due = self.engine.change(
                switch.table(), now_s, "now" if action.name == "trim" else self.on_change, self.glide_s
            )
        except MethodProblem as problem:
            switch.put(kept)
            self.notices.append(f"not changed: {problem.message}")
            return []
        self.changes += 1
        self._tell_tonic()
        return due

    def _go(self, by: int, now_s: float) -> list[Due]:
        """Go on in the chart, or back."""
        self.version += 1
        walk = self.walk
        if walk is None or walk.chart is None or not walk.chart.named:
            self.notices.append("there is no chart here: name one with --chart, or in the session")
            return []
        if walk.chart.starts_s:
            self.notices.append("the bars of the track lead through the chart")
            return []
        section = walk.section
        walk.go(by)
        return self._chord(section, now_s)

    def at_bar(self, position_s: float, now_s: float) -> list[Due]:
        """Go to the chord at a time of the track; return what is to be sent for it."""
        walk = self.walk
        if walk is None:
            return []
        section, before = walk.section, walk.step
        if not walk.at(position_s):
            return []
        if before is None or walk.step is None or before[:2] != walk.step[:2]:
            self.version += 1
        return self._chord(section, now_s)

    def _chord(self, section: str, now_s: float) -> list[Due]:
        """Tell the engine that another chord is now."""
        engine: Any = self.engine
        if self.walk is None or not hasattr(engine, "chord"):
            return []
        if self.walk.section != section:
            engine.new_section()
        due: list[Due] = engine.chord(now_s)
        return due

    def _drone_volume(self, by: float) -> None:
        """Make the drone louder or softer; whoever plays it goes there without a click."""
        self.version += 1
        if self.drone_volume is None:
            self.notices.append("there is no drone here")
            return
        wanted = min(max(round(self.drone_volume + by), 0), 100)
        if wanted == self.drone_volume:
            self.notices.append(
                "the drone is as loud as it goes" if by > 0 else "the drone is as soft as it goes"
            )
        self.drone_volume = wanted

    def _follow(self, now_s: float) -> list[Due]:
        """Follow the harmony, or no longer; sounding notes stay where they are."""
        self.version += 1
        engine: Any = self.engine
        if not getattr(engine, "offered", False):
            self.notices.append("the harmony is followed only where playing began with --follow-harmony")
            return []
        due: list[Due] = engine.follow(not engine.on, now_s)
        if not engine.on:
            self.notices.append("the harmony is followed no longer: notes are as the table has them")
        elif engine.can_follow:
            self.notices.append("the harmony is followed")
        else:
            why = "equal temperament has no commas" if self.switch.equal else "this table is played as it is"
            self.notices.append(f"the harmony will be followed from the next table on: {why}")
        return due

    def _choose(self, action: Action) -> bool:
        """Do what an action does to the tables; tell whether it could be done."""
        switch, number = self.switch, action.number
        match action.name:
            case "table":
                return switch.select(int(number))
            case "next":
                return switch.step(1)
            case "previous":
                return switch.step(-1)
            case "piece":
                return switch.select_piece(int(number))
            case "next-piece":
                return switch.step_piece(1)
            case "previous-piece":
                return switch.step_piece(-1)
            case "tonic":
                return switch.select_tonic(int(number))
            case "equal":
                return switch.toggle_equal()
            case _:
                return switch.trim(number)

    def renew(self, tables: Sequence[PlayTable], tonics: Sequence[PlayTable], now_s: float) -> list[Due]:
        """Put other tables in the place of all, for the reference is another; what sounds moves at once where it can.

        MethodProblem if the method cannot express the table that holds now; then everything stays as it was.
        """
        kept = self.switch.tables, self.switch.tonics, self.switch.trim_cents
        self.switch.renew(tables, tonics)
        try:
            due = self.engine.change(self.switch.table(), now_s, "now", self.glide_s)
        except MethodProblem:
            self.switch.renew(kept[0], kept[1])
            self.switch.trim_cents = kept[2]
            raise
        self.version += 1
        self.changes += 1
        self.renewals += 1
        self._tell_tonic()
        return due

    def panic(self, now_s: float) -> list[Due]:
        """End all sound whatever it is, the drone's too, and set the synth up again."""
        self.version += 1
        self.drone = False
        self._forget()
        quiet = getattr(self.engine, "silence", self.engine.stop)(now_s)
        return [*quiet, *[(now_s, message) for message in quieting()], *self.engine.start(now_s)]

    # ---- beginning and end

    def start(self, now_s: float) -> list[Due]:
        """Return what silences a synth that may still be sounding, and gives it the table."""
        self._tell_tonic()
        return [*[(now_s, message) for message in quieting()], *self.engine.start(now_s)]

    def restart(self, now_s: float) -> list[Due]:
        """The synth was away and is back: whatever it sounded is forgotten, and it is set up again."""
        self._forget()
        self.engine.stop(now_s)
        return self.start(now_s)

    def stop(self, now_s: float) -> list[Due]:
        """Return what leaves the synth silent and as it was."""
        self._forget()
        return self.engine.stop(now_s)

    def _forget(self) -> None:
        """All sound was ended: nobody holds anything."""
        self._held.clear()
        self._pedals.clear()
        if self._hands is not None:
            self._hands.clear()

    def wake(self, now_s: float) -> list[Due]:
        """Do what is due by now."""
        return self.engine.wake(now_s)

    @property
    def next_wake_s(self) -> float | None:
        """When `wake` wants to be called; None if nothing is pending."""
        return self.engine.next_wake_s

    def _tell_tonic(self) -> None:
        tell: Any = getattr(self.engine, "set_tonic", None)
        if tell is not None:
            tell(self.switch.chosen.tonic)


def quieting() -> list[bytes]:
    """Return what silences every channel of a synth: pedals up, all sound off, all notes off, bends centred."""
    return [
        message
        for nibble in range(16)
        for message in (
            *(bytes((0xB0 | nibble, controller, 0)) for controller in _QUIETING),
            bytes((0xE0 | nibble, 0, 0x40)),
        )
    ]


def _refusal(action: Action, switch: TableSwitch) -> str:
    if action.name == "table":
        what = "section" if switch.starts else "table"
        return f"there is no {what} {action.number:g}: there are {len(switch.tables)}"
    if action.name == "piece":
        return f"there is no piece {action.number:g}: there are {len(switch.starts or switch.tables)}"
    if action.name in ("next", "next-piece"):
        return "that was the last one"
    if action.name in ("previous", "previous-piece"):
        return "that was the first one"
    if action.name == "trim":
        return f"the trim stays at {switch.trim_cents:+g} cents: tune the guitar, or name another reference"
    return "tonics cannot be chosen here"
