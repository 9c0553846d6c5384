"""Where each message of the source goes when its notes are spread over channels.

`Router` takes the source's messages one by one and lets `BendChannels` send what follows from them:

======================================  =====================================================================
message                                 goes to
======================================  =====================================================================
pitched note                            the channel that its placer names
drum note (see `rhythm`)                its own channel, untouched, as everything on that channel
controller, program, pressure           every channel that serves the source channel
pitch bend, RPN 00 00 and 00 01         folded into the bends of those channels; not passed on
other parameters (RPN, NRPN)            every channel that serves; selected again there if something came between
MPE configuration (RPN 00 06)           nowhere: zones of the source mean nothing on the channels of the output; but the
                                        wheels of its members reach 48 semitones from then on, as the standard has it
local control (CC 122)                  its own channel: it concerns the keyboard, not the notes
reset all controllers (CC 121)          every channel that serves, then their bends again
SysEx, system messages                  through as they are
GM, GM2, GS, XG reset                   through; all set-ups are sent again before the next notes
======================================  =====================================================================

In an MPE zone all of this goes to the manager channel, but for notes, bends, and the pressure of single keys,
which becomes the channel pressure of the member that sounds the key.
"""

from __future__ import annotations

from typing import Protocol

from bridge.engine.bend.bend_channels import BendChannels
from bridge.engine.bend.channels import Out, Source
from bridge.engine.bend.keyboard_zones import KeyboardZones
from bridge.engine.channel_state import (
    PARAMETER_CONTROLLERS,
    PLAIN_CONTROLLERS,
    Which,
    select_messages,
    set_up,
)
from bridge.engine.lifetimes import ALL_NOTES_OFF, ENDING, LOCAL_CONTROL, MONO, RESET_CONTROLLERS
from bridge.engine.offsets import own_bend_cents
from bridge.engine.rhythm import RhythmTracker
from bridge.wire.bend import CENTRE
from bridge.wire.mpe import MpeReceiver
from bridge.wire.resets import reset_kind
from bridge.wire.rpn import BEND_RANGE, FINE_TUNING, MPE_CONFIGURATION, RpnReader, fine_tuning_cents

_UNKNOWN: Which = (False, (-1, -1))


class Ranges(Protocol):
    """Decides how far channels can be bent, where that is not known from the start."""

    def follow(self, source: Source) -> None:
        """Take notice of a source's bend wheel, bend range or fine tuning, before it is followed."""
        ...


class Router:
    """Feeds messages to channels.

    Parameters
    ----------
    channels : BendChannels
        With its zones, if there are any.
    reset_gap_s : float
        How long after a reset the synth takes set-ups again; a note does not wait for it.
    ranges : Ranges, optional
        What widens bend ranges; None: they were planned.
    """

    def __init__(self, channels: BendChannels, reset_gap_s: float, ranges: Ranges | None = None) -> None:
        self.channels = channels
        self.resync_s = 0.0 if channels.zones else None  # when zones are to be set up (again)
        self._rhythm = RhythmTracker()
        self._reader = RpnReader()
        self._source_zones = MpeReceiver()  # what the source plays in
        self._keyboard_zones = KeyboardZones(channels)
        self._reset_gap_s = reset_gap_s
        self._ranges = ranges

    # ---- messages

    def feed(self, now_s: float, data: bytes) -> None:
        """Take one whole message of the source; what follows from it is in `sink` afterwards."""
        status = data[0]
        if status >= 0xF0:
            self._system(now_s, data)
            return
        kind = status & 0xF0
        channels = self.channels
        source = channels.sources[status & 0x0F]
        if self.resync_s is not None and (now_s >= self.resync_s or (kind == 0x90 and data[2])):
            self.resync()
        if kind == 0x90 and data[2]:
            if source.kit:
                channels.strike_drum(source, data)
            else:
                channels.strike(source, data, now_s)
        elif kind <= 0x90:
            channels.release(source, data, now_s)
        elif kind == 0xB0:
            self._control(source, data, now_s)
        elif kind == 0xE0:
            self._wheel(source, data, now_s)
        else:
            self._other(source, kind, data, now_s)
        if source.guests and kind > 0xA0:
            self._for_guests(source, kind, data, now_s)

    def _forward(self, source: Source, data: bytes, now_s: float) -> list[Out]:
        """Send a channel message wherever its source channel is served; return those channels."""
        source.version += 1
        version = source.version
        channels = self.channels
        serving, sink = channels.served(source, now_s), channels.sink
        if source.raw and source.host is None:
            sink.append(data)
        for out in serving:
            sink.append(data if data[0] & 0x0F == out.nibble else channels.copy(data, out))
            out.version = version
        return serving

    def _control(self, source: Source, data: bytes, now_s: float) -> None:
        controller, value = data[1] & 0x7F, data[2] & 0x7F
        if controller in PARAMETER_CONTROLLERS:
            self._parameter(source, controller, value, data, now_s)
            return
        if self.channels.plain and controller in PLAIN_CONTROLLERS and not source.kit:
            return
        if controller == LOCAL_CONTROL:
            self.channels.sink.append(data)
            return
        if controller == 0:
            self._rhythm.feed(data)
        if controller < 120:
            source.cc[controller] = value
            for out in self._forward(source, data, now_s):
                out.cc[controller] = value
            if controller not in ENDING:
                return
        else:
            self._mode(source, controller, value, data, now_s)
        ended = source.sounding.control(controller, value)
        if ended:
            self.channels.end(ended, now_s)
        if controller == RESET_CONTROLLERS:
            self._tune_own(source, now_s)

    def _for_guests(self, source: Source, kind: int, data: bytes, now_s: float) -> None:
        """Let the members of an MPE keyboard's zone do what its manager does: pedals, sounds, the wheel."""
        if kind == 0xE0:
            for guest in source.guests:
                guest.zone_cents = own_bend_cents(source.wheel, source.range_cents)
                self._tune_own(guest, now_s)
        elif source.manager is not None:  # the synth has a zone too, whose manager was told
            if kind == 0xB0 and data[1] in ENDING:
                for guest in source.guests:
                    ended = guest.sounding.control(data[1], data[2])
                    if ended:
                        self.channels.end(ended, now_s)
        elif kind != 0xB0 or (data[1] not in PARAMETER_CONTROLLERS and data[1] != LOCAL_CONTROL):
            for guest in source.guests:
                copy = bytes((kind | guest.index,)) + data[1:]
                if kind == 0xB0:
                    self._control(guest, copy, now_s)
                else:
                    self._other(guest, kind, copy, now_s)

    def _mode(self, source: Source, controller: int, value: int, data: bytes, now_s: float) -> None:
        """Controllers 120 to 127: those that end notes or change how a channel plays."""
        served = self._forward(source, data, now_s)
        if controller == RESET_CONTROLLERS:
            source.reset_controllers()
            self._reader.feed_message(data)
            source.wheel = CENTRE
            for out in served:
                out.reset_controllers()
                out.value = CENTRE if out.value >= 0 else out.value
            if source.raw and source.home.value >= 0:
                source.home.value = CENTRE
            if source.manager is not None:
                for out in source.pool:
                    out.value = -1
        elif controller > ALL_NOTES_OFF:
            source.mode = (controller, value)
            for out in served:
                out.mode = source.mode
            if controller >= MONO:
                if source.mono and controller != MONO:
                    self.channels.leave_mono(source)
                source.mono = controller == MONO

    def _parameter(self, source: Source, controller: int, value: int, data: bytes, now_s: float) -> None:
        """Parameter numbers and data entry."""
        reader = self._reader
        before = source.selected
        change = reader.feed(source.number, controller, value)
        number = reader.selected(source.number)
        which = None if number is None else (reader.selected_is_registered(source.number), number)
        if controller >= 98:
            source.selected = which
            for out in self._forward(source, data, now_s):
                out.selected = which if out.selected == before else _UNKNOWN
            return
        if source.raw and source.host is None and which != (True, MPE_CONFIGURATION):
            self.channels.sink.append(data)
        if change is not None and change.registered:
            if change.number == MPE_CONFIGURATION:
                self._configure(source, change.msb, now_s)
                return
            if change.number in (BEND_RANGE, FINE_TUNING):
                self._own_tuning(source, change.number == BEND_RANGE, change.value, data, now_s)
                return
        source.version += 1
        for out in self.channels.served(source, now_s):
            if out.selected != which:
                self.channels.sink += select_messages(which, 0xB0 | out.nibble)
                out.selected = which
            self.channels.sink.append(self.channels.copy(data, out))
            if change is not None and which is not None:
                out.params[which] = change.value
            out.version = source.version
        if change is not None and which is not None:
            source.params[which] = change.value

    def _configure(self, source: Source, members: int, now_s: float) -> None:
        """The source announces an MPE zone, or ends one: its wheels reach as far as the standard has it."""
        reach = self._source_zones.reach_after(source.number, members)
        if self._ranges is not None:  # in a file nothing may be held longer than was planned
            self._keyboard_zones.follow(self._source_zones, self._is_drums, now_s)
        for number, semitones in reach.items():
            other = self.channels.sources[number - 1]
            if other.range_cents != 100.0 * semitones and not other.passive:
                other.range_cents = 100.0 * semitones
                self._tune_own(other, now_s)

    def _is_drums(self, source: Source) -> bool:
        """Tell whether a channel plays drums; one that belongs to an MPE keyboard's zone never does."""
        return source.host is None and self._rhythm.is_drums(source.number)

    def _own_tuning(self, source: Source, is_range: bool, value: int, data: bytes, now_s: float) -> None:
        """The source sets its own bend range or fine tuning: that is heard through our bends."""
        if is_range:
            source.range_cents = (value >> 7) * 100.0 + (value & 0x7F)
        else:
            source.fine_cents = fine_tuning_cents(value)
        if source.passive:
            for out in source.serving:
                self.channels.sink.append(self.channels.copy(data, out))
                if is_range:
                    out.forget_range()
                else:
                    out.fine_tuned = source.fine_cents != 0.0
            return
        self._tune_own(source, now_s)

    def _wheel(self, source: Source, data: bytes, now_s: float) -> None:
        value = data[1] & 0x7F | (data[2] & 0x7F) << 7
        source.wheel = value
        if source.raw and source.host is None:
            self.channels.sink.append(data)
            if source.home.nibble == source.index:
                source.home.value = value
        if source.passive:
            for out in source.serving:
                self.channels.sink.append(data)
                out.value = value
            return
        self._tune_own(source, now_s)

    def _other(self, source: Source, kind: int, data: bytes, now_s: float) -> None:
        """Program changes and pressures."""
        value = data[1] & 0x7F
        if kind == 0xC0:
            source.take_program(value)
            self._rhythm.feed(data)
            if source.kit != self._is_drums(source):
                self._turn(source)
            for out in self._forward(source, data, now_s):
                out.take_program(value)
        elif kind == 0xD0:
            source.pressure = value
            for out in self._forward(source, data, now_s):
                out.pressure = value
        elif source.manager is not None:
            last = source.last_out[value]
            if last is not None and value in last.owed:
                self.channels.sink.append(bytes((0xD0 | last.nibble, data[2] & 0x7F)))
        else:
            source.poly[value] = data[2] & 0x7F
            for out in self._forward(source, data, now_s):
                out.poly[value] = data[2] & 0x7F

    def _tune_own(self, source: Source, now_s: float) -> None:
        if self._ranges is not None:
            self._ranges.follow(source)
        self.channels.tune_own(source, now_s)

    # ---- drums and resets

    def _system(self, now_s: float, data: bytes) -> None:
        self.channels.sink.append(data)
        if data[0] == 0xF0:
            self.hear_sysex(now_s, data)

    def hear_sysex(self, now_s: float, data: bytes) -> None:
        """Take notice of a SysEx message that has gone out, in one piece or in several."""
        self._rhythm.feed(data)
        if reset_kind(data) is not None:
            self.reset(now_s)
        for source in self.channels.sources:
            if source.kit != self._is_drums(source):
                self._turn(source)

    def _turn(self, source: Source) -> None:
        """A channel has just become a drum kit, or has ceased to be one."""
        source.kit = not source.kit
        if source.raw or not source.kit:
            return
        self._leave_zones(source)
        if source.manager is not None:  # which speaks for the zone still, and is never bent
            return
        home = source.home
        if home.source is not None and home in home.source.serving:
            home.source.serving.remove(home)
        self.channels.reserve(source)
        self.channels.sink += set_up(source, home, home.nibble)
        if home.range_semitones:
            self.channels.send_range(home, max(1, round(source.range_cents / 100.0)))
        if home.value not in (-1, CENTRE):
            self.channels.sink.append(bytes((0xE0 | home.nibble, 0, 0x40)))
        home.value = CENTRE
        home.source = None

    def _leave_zones(self, source: Source) -> None:
        """No zone of the synth's plays pitched notes any more where there are drums, if it has another member."""
        own = self.channels.outs[source.index]
        for part in self.channels.sources:
            if part.manager is not None and own in part.pool and len(part.pool) > 1:
                part.pool.remove(own)

    def reset(self, now_s: float) -> None:
        """The synth has forgotten everything and is silent, and so are we; note-offs still to come pass."""
        channels = self.channels
        self._reader.clear()
        self._source_zones.clear()
        self._keyboard_zones.follow(self._source_zones, self._is_drums, now_s)
        for source in channels.sources:
            source.clear()
            source.untune()
            source.version += 1
            channels.keep_plain(source)
            channels.end(source.sounding.reset(), now_s)
        for out in channels.outs:
            out.clear()
            out.forget_range()
            out.fine_tuned = False
            out.value = CENTRE
            out.version = out.source.version if out.source is not None else 0
        if channels.zones:
            self.resync_s = now_s + self._reset_gap_s

    def resync(self) -> None:
        """Set up the zones, at the start and when a reset has wiped them."""
        self.resync_s = None
        self.channels.set_up_zones()
