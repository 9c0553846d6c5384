"""A second reading of a stream retuned by bends: what every note sounds like, beside what it should.

It shares nothing with the package. Two receivers on paper follow the source and the output message by message, in
step: after each event of the source and what was sent in its place, every note that sounds is looked at. Compared
are

- notes: each goes out once, with its key and velocity, and its end on the channel where it began;
- pitch: the bend of the channel it sounds on, at the range that was sent there, against the table at its key plus the
  bend and the fine tuning of the source;
- the rest as heard: program and bank when it starts, controllers and pressure for as long as it lasts.

Conventions: channels are 0 to 15 in here; cents; a stream is a list of ``(anchor, message)`` for the output, and of
``(time_s, message)`` for the source, whose indices are the anchors (empty messages stand for nothing).

Index: `check`, `Findings`, `NoteFinding`.

Sources: *MIDI 1.0 Detailed Specification*; RP-015 (Response to Reset All Controllers); *General MIDI 2* for the values
of controllers that nobody set; *MIDI Polyphonic Expression* (2018) for zones.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

POWER_UP = {7: 100, 8: 64, 10: 64, 11: 127, 91: 40} | dict.fromkeys(range(70, 80), 64)
NOT_HEARD = {0, 32, 6, 38, 96, 97, 98, 99, 100, 101}


class Channel:
    """What a receiver holds for one channel."""

    def __init__(self) -> None:
        self.cc: dict[int, int] = {}
        self.program = 0
        self.bank = (0, 0)
        self.pressure = 0
        self.key_pressure: dict[int, int] = {}
        self.bend = 8192
        self.parameter: tuple[str, int, int] | None = None
        self.numbers: dict[str, list[int]] = {"rpn": [127, 127], "nrpn": [127, 127]}
        self.values: dict[tuple[str, int, int], list[int]] = {}
        self.mono = False

    def heard(self) -> dict[int, int]:
        """Controllers, with those never set at their power-up value, zeros left out."""
        values = {**POWER_UP, **self.cc}
        return {number: value for number, value in values.items() if value and number not in NOT_HEARD}

    def heard_parameters(self) -> dict[tuple[str, int, int], list[int]]:
        """Parameters but for bend range, fine tuning and zones; those at their power-up value are left out."""
        managed = {("rpn", 0, 0), ("rpn", 0, 1), ("rpn", 0, 6)}
        power_up = {("rpn", 0, 2): [64, 0], ("rpn", 0, 5): [0, 64]}
        return {
            which: value
            for which, value in self.values.items()
            if which not in managed and value != power_up.get(which, [0, 0])
        }

    @property
    def range_cents(self) -> float:
        semitones, cents = self.values.get(("rpn", 0, 0), [2, 0])
        return semitones * 100.0 + cents

    @property
    def bend_cents(self) -> float:
        return (self.bend - 8192) / 8192 * self.range_cents

    @property
    def fine_cents(self) -> float:
        msb, lsb = self.values.get(("rpn", 0, 1), [64, 0])
        return (msb * 128 + lsb - 8192) / 8192 * 100.0


class Receiver:
    """Sixteen channels that obey messages."""

    def __init__(self) -> None:
        self.channels = [Channel() for _ in range(16)]
        self.kits = [number == 9 for number in range(16)]
        self.zones: dict[int, int] = {}
        self.entry_lsb: dict[int, int] = {}
        self.resets = 0

    def feed(self, data: bytes) -> None:
        if data[0] == 0xF0:
            self.sysex(data)
        if data[0] >= 0xF0:
            return
        kind, number = data[0] >> 4, data[0] & 15
        channel = self.channels[number]
        if kind == 0xA:
            channel.key_pressure[data[1]] = data[2]
        elif kind == 0xB:
            self.control(channel, number, data[1] & 127, data[2] & 127)
        elif kind == 0xC:
            channel.program = data[1]
            channel.bank = (channel.cc.get(0, 0), channel.cc.get(32, 0))
            self.kits[number] = number == 9 or channel.bank[0] in (120, 127)
        elif kind == 0xD:
            channel.pressure = data[1]
        elif kind == 0xE:
            channel.bend = (data[1] & 127) + 128 * (data[2] & 127)

    def control(self, channel: Channel, number: int, controller: int, value: int) -> None:
        if controller in (98, 99, 100, 101):
            kind = "rpn" if controller >= 100 else "nrpn"
            pair = channel.numbers[kind]
            pair[0 if controller % 2 else 1] = value
            self.entry_lsb[number] = 0
            channel.parameter = None if pair == [127, 127] else (kind, pair[0], pair[1])
        elif controller in (6, 38) and channel.parameter is not None:
            untouched = {("rpn", 0, 0): [2, 0], ("rpn", 0, 1): [64, 0]}.get(channel.parameter, [0, 0])
            entry = channel.values.setdefault(channel.parameter, untouched)
            entry[0 if controller == 6 else 1] = value
            if controller == 6:  # a new value starts with the LSB seen since the parameter was selected
                entry[1] = self.entry_lsb.get(number, 0)
            else:
                self.entry_lsb[number] = value
            if controller == 6 and channel.parameter == ("rpn", 0, 6) and number in (0, 15):
                self.zones[number] = value
                members = range(1, value + 1) if number == 0 else range(15 - value, 15)
                for each in (number, *members):
                    semitones = 2 if each == number else 48
                    self.channels[each].values["rpn", 0, 0] = [semitones, 0]
        elif controller == 121:
            for each in (1, 64, 65, 66, 67, 68, 69):
                channel.cc[each] = 0
            channel.cc[11] = 127
            channel.pressure, channel.bend, channel.parameter = 0, 8192, None
            channel.key_pressure.clear()
            channel.numbers = {"rpn": [127, 127], "nrpn": [127, 127]}
        elif controller in (126, 127):
            channel.mono = controller == 126
        elif controller < 120:
            channel.cc[controller] = value

    def sysex(self, data: bytes) -> None:
        gm = data[1:2] == b"\x7e" and data[3:4] == b"\x09"
        gs = data[1:2] == b"\x41" and data[5:8] in (b"\x40\x00\x7f", b"\x00\x00\x7f")
        xg = data[1:2] == b"\x43" and data[4:7] in (b"\x00\x00\x7e", b"\x00\x00\x7f")
        if gm or gs or xg:
            resets = self.resets + 1
            self.__init__()  # type: ignore[misc]
            self.resets = resets
        elif data[1:2] == b"\x41" and data[3:6] == b"\x42\x12\x40" and data[6] >> 4 == 1 and data[7] == 0x15:
            block = data[6] & 15
            if block:
                self.kits[block - 1 if block < 10 else block] = data[8] != 0
        elif data[1:2] == b"\x43" and data[3:5] == b"\x4c\x08" and data[6:7] == b"\x07" and data[5] < 16:
            self.kits[data[5]] = data[5] == 9 or data[7] != 0  # XG: part mode, 0 is normal

    def manager(self, number: int) -> int:
        """The channel whose controllers a note on `number` obeys."""
        if 0 in self.zones and 1 <= number <= self.zones[0]:
            return 0
        if 15 in self.zones and 15 - self.zones[15] <= number <= 14:
            return 15
        return number


@dataclass
class NoteFinding:
    """One pitched note: where it started and sounded, and how far it was off at worst."""

    anchor: int
    source: int
    key: int
    channel: int
    worst_cents: float = 0.0
    half_step_cents: float = 0.0
    down: bool = True
    sounding: bool = True
    captured: bool = False
    cut: bool = False
    """In mono mode another one came after it on its channel, which ended it."""


@dataclass
class Findings:
    """What was found: all notes in order of starting, and everything that is wrong, in words."""

    notes: list[NoteFinding] = field(default_factory=list)
    problems: list[str] = field(default_factory=list)
    channels: set[int] = field(default_factory=set)

    @property
    def off(self) -> list[NoteFinding]:
        """Notes that were off by more than half a step at some time."""
        return [note for note in self.notes if note.worst_cents > note.half_step_cents + 1e-6]

    @property
    def worst_cents(self) -> float:
        return max((note.worst_cents for note in self.notes), default=0.0)


def check(
    source: Sequence[tuple[float, bytes]],
    outputs: Iterable[tuple[int, bytes]],
    table_hz: Sequence[float],
    changes: Mapping[int, Sequence[float]] | None = None,
    *,
    plain: bool = False,
    skip: Iterable[int] = (),
) -> Findings:
    """Compare an output with its source (see the module's text).

    Parameters
    ----------
    source : sequence of (float, bytes)
    outputs : iterable of (int, bytes)
        Anchors must not run backwards.
    table_hz : sequence of 128 float
    changes : mapping of int to sequence of 128 float
        Tables that hold from an anchor on.
    plain : bool
        Modulation, chorus and celeste are expected at 0.
    skip : iterable of int
        Source channels (0 to 15) that are left out.
    """
    return _Check(table_hz, changes or {}, plain, set(skip)).run(source, outputs)


class _Check:
    def __init__(
        self, table_hz: Sequence[float], changes: Mapping[int, Sequence[float]], plain: bool, skip: set[int]
    ) -> None:
        self.table_hz, self.changes, self.plain, self.skip = table_hz, changes, plain, skip
        self.source, self.output = Receiver(), Receiver()
        self.found = Findings()
        self.alive: list[NoteFinding] = []
        self.owed: dict[tuple[int, int], int] = {}
        self.drums: dict[
            tuple[int, int], list[int]
        ] = {}  # anchors of drums that lack their note-off, by channel and key
        self.solo: set[tuple[int, int]] = set()  # source and channel where notes came one by one

    def say(self, anchor: int, text: str) -> None:
        if len(self.found.problems) < 20:
            self.found.problems.append(f"at {anchor}: {text}")

    def run(self, source: Sequence[tuple[float, bytes]], outputs: Iterable[tuple[int, bytes]]) -> Findings:
        sent: dict[int, list[bytes]] = {}
        last = 0
        for anchor, data in outputs:
            assert anchor >= last, "anchors run backwards"
            last = anchor
            sent.setdefault(anchor, []).append(data)
        for anchor, (_, data) in enumerate(source):
            if anchor in self.changes:
                self.table_hz = self.changes[anchor]
            self.step(anchor, data, sent.get(anchor, []))
        for (channel, key), count in self.owed.items():
            wanted = sum(
                note.down and (note.channel, note.key) == (channel, key) for note in self.found.notes
            )
            if count > wanted:
                self.say(len(source), f"key {key} hangs on channel {channel + 1}")
        return self.found

    def step(self, anchor: int, data: bytes, sent: list[bytes]) -> None:
        kind = data[0] >> 4 if data else 0
        number = data[0] & 15 if data else 0
        is_on = kind == 9 and data[2] > 0
        is_off = kind == 8 or (kind == 9 and data[2] == 0)
        # What was struck before its channel became drums, or ceased to be, ends where it began, the oldest first.
        drums = self.drums.get((number, data[1]), []) if is_on or is_off else []
        strokes = [
            note.anchor
            for note in self.alive
            if is_off and note.down and (note.source, note.key) == (number, data[1])
        ]
        ends_pitched = bool(strokes) and (not drums or strokes[0] < drums[0])
        ends_drum = is_off and bool(drums) and not ends_pitched
        if is_on and self.source.kits[number]:
            self.drums.setdefault((number, data[1]), []).append(anchor)
        elif ends_drum:
            del drums[0]
        passes = bool(data) and (
            data[0] >= 0xF0
            or ends_drum
            or (self.source.kits[number] and (is_on or is_off) and not ends_pitched)
        )
        skipped = bool(data) and data[0] < 0xF0 and number in self.skip
        if passes and data not in sent:
            self.say(anchor, f"{data.hex(' ')} did not pass")
        started: list[int] = []
        ended: list[int] = []
        for message in sent:
            status = message[0]
            if status < 0xF0 and not (passes and message is data):
                if status >> 4 == 9 and message[2]:
                    if message[1:] != data[1:] or not is_on:
                        self.say(anchor, f"a note was added: {message.hex(' ')}")
                    started.append(status & 15)
                    self.owed[status & 15, message[1]] = self.owed.get((status & 15, message[1]), 0) + 1
                elif status >> 4 in (8, 9):
                    ended.append(status & 15)
                    self.owed[status & 15, message[1]] = self.owed.get((status & 15, message[1]), 0) - 1
            self.output.feed(message)
        if data:
            before_kit, resets = self.source.kits[number], self.source.resets
            self.source.feed(data)
            if kind == 0xB and data[1] in (120, 123):
                self.drums = {place: drums for place, drums in self.drums.items() if place[0] != number}
            if self.source.resets != resets:  # silent now; the ends of what sounded may still come
                self.drums = {}
                for note in self.alive:
                    note.down = note.sounding = False
                self.alive = []
            if not skipped and not ends_drum and (ends_pitched or not (before_kit and (is_on or is_off))):
                self.notes(anchor, data, is_on, is_off, number, started, ended)
        self.look(anchor)
        if data and kind in (9, 0xA, 0xB, 0xD, 0xC):
            for note in self.alive:
                if note.source == number and not self.source.kits[number]:
                    self.compare_sound(anchor, note, new=is_on and note.anchor == anchor)

    def notes(
        self,
        anchor: int,
        data: bytes,
        is_on: bool,
        is_off: bool,
        number: int,
        started: list[int],
        ended: list[int],
    ) -> None:
        if is_on:
            if len(started) != 1:
                self.say(anchor, f"key {data[1]} was struck {len(started)} times")
                return
            note = NoteFinding(anchor, number, data[1], started[0])
            self.found.notes.append(note)
            self.found.channels.add(started[0])
            self.alive.append(note)
            if self.source.channels[number].mono:
                self.solo.add((number, started[0]))
            if (
                self.output.channels[self.output.manager(started[0])].mono
                != self.source.channels[number].mono
            ):
                self.say(anchor, "mono mode was not kept")
            return
        if is_off:
            strokes = [
                note for note in self.alive if note.down and note.source == number and note.key == data[1]
            ]
            if strokes:
                strokes[0].down = False
                if ended != [strokes[0].channel]:
                    self.say(anchor, f"key {data[1]} ended on {ended}, began on {strokes[0].channel}")
        elif data[0] >> 4 == 0xB and data[1] in (
            120,
            123,
        ):  # receivers differ in 124 to 127: the notes may sound on
            for note in self.alive:
                if note.source == number:
                    note.down = False
                    note.sounding = note.sounding and data[1] != 120
        elif data[0] >> 4 == 0xB and data[1] == 66:
            for note in self.alive:
                if note.source == number:
                    note.captured = data[2] >= 64 and (note.captured or note.down)
        self.alive = [note for note in self.alive if self.still(note)]

    def still(self, note: NoteFinding) -> bool:
        cc = self.source.channels[note.source].cc
        pedal = cc.get(64, 0) > 0 or cc.get(69, 0) >= 64 or (note.captured and cc.get(66, 0) >= 64)
        note.sounding = note.sounding and (note.down or pedal)
        return note.sounding

    def look(self, anchor: int) -> None:
        latest = {(note.source, note.channel): note for note in self.alive}
        for note in self.alive:
            source, output = self.source.channels[note.source], self.output.channels[note.channel]
            place = (note.source, note.channel)
            if not source.mono and place in self.solo:  # poly mode is back: what was ended stays so
                self.solo.discard(place)
                for other in self.alive:
                    other.cut |= (other.source, other.channel) == place and other is not latest[place]
            if note.cut or (source.mono and latest[place] is not note):
                continue
            hz = self.table_hz[note.key]
            wanted = (
                1200 * math.log2(hz / 440) - 100 * (note.key - 69) + source.bend_cents + source.fine_cents
            )
            off = abs(output.bend_cents + output.fine_cents - wanted)
            note.worst_cents = max(note.worst_cents, off)
            note.half_step_cents = max(note.half_step_cents, output.range_cents / 16384)
            manager = self.output.manager(note.channel)
            if manager != note.channel and self.output.channels[manager].bend != 8192:
                self.say(anchor, "a zone was bent through its manager")

    def compare_sound(self, anchor: int, note: NoteFinding, new: bool) -> None:
        source = self.source.channels[note.source]
        member = self.output.channels[note.channel]
        output = self.output.channels[self.output.manager(note.channel)]
        wanted = source.heard()
        if self.plain:
            wanted = {number: value for number, value in wanted.items() if number not in (1, 93, 94)}
        if output.heard() != wanted:
            differ = {
                n: (wanted.get(n), output.heard().get(n)) for n in wanted.keys() ^ output.heard().keys()
            }
            differ |= {n: (v, output.heard()[n]) for n, v in wanted.items() if output.heard().get(n, v) != v}
            self.say(anchor, f"controllers of key {note.key} from channel {note.source + 1}: {differ}")
        if new and (output.program, output.bank) != (source.program, source.bank):
            self.say(anchor, f"program {output.program} {output.bank}, wanted {source.program} {source.bank}")
        if output is member and output.pressure != source.pressure:
            self.say(anchor, f"pressure {output.pressure}, wanted {source.pressure}")
        pressed = source.key_pressure.get(note.key, 0)
        if output is member and output.key_pressure.get(note.key, 0) != pressed:
            self.say(anchor, f"key pressure {output.key_pressure.get(note.key, 0)}, wanted {pressed}")
        if output.heard_parameters() != source.heard_parameters():
            self.say(anchor, f"parameters {output.heard_parameters()}, wanted {source.heard_parameters()}")
