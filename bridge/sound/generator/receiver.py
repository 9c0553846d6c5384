"""A MIDI receiver that obeys every tuning method of this project: bytes in, notes with frequencies out.

The receiver holds what sixteen channels were told and decides which notes sound, at what frequency and how loud.
What makes the sound is handed in as a `bridge.sound.generator.tone_maker.ToneMaker`; without one the receiver is a pure
listener.

A note's frequency is::

    key's pitch by the channel's tuning + fine and coarse tuning + bend (+ bend of the zone's manager) + master tuning

**Tuning.** Every channel follows tuning program 0 of bank 0 until it is told otherwise by RPN 00 04 (bank, kept until
it is used) and 00 03 (program, at once, also for sounding notes), or by a scale/octave message, which gives the
channel a table of its own until RPN 00 03 chooses a program again. Real-time messages (7F) move the sounding notes
whose keys they name; non-real-time ones (7E) are for later notes only, and a dump is always that. Resets bring
everything back to equal temperament.

**MPE.** RPN 00 06 on channel 1 or 16 makes a zone. Member channels then have a bend range of 48 semitones, the
manager 2, until RPN 00 00 says otherwise (on any member for all of them). The manager's bend is added to its members';
its other controllers, programs and parameters are passed on to them. Channels that join or leave a zone let go of
their notes.

**Notes** are held and let go as `bridge.sound.generator.held` tells. Sustain (64), sostenuto (66) and soft pedal (67)
are switches at value 64. Controllers 120, and 123 to 127, silence or let go; 121 resets; 122 (local control) means
nothing here. Modulation, pressure and timbre controllers are left out on purpose: they would make vibrato and beats of
their own.

**Drums** are the channels that `bridge.engine.rhythm` calls drums, unless an MPE zone has taken them; no tuning
reaches them.

No bytes make it raise: what is not a message, or says what cannot be, is ignored.

Conventions: channels are 1 to 16; frequencies in hertz; a device ID of None obeys messages for any device.

Sources: MIDI 1.0 Detailed Specification; CA-020, CA-021 (tuning); CA-025 (master tuning); RP-015 (reset all
controllers); *General MIDI 2* (RP-024); *MIDI Polyphonic Expression* (2018).
"""

from __future__ import annotations

import math
from collections.abc import Callable

from bridge.engine.rhythm import RhythmTracker
from bridge.errors import WireError
from bridge.sound.generator.channels import (
    BEND_CENTRE,
    DEFAULT_BEND_RANGE_SEMITONES,
    PEDAL_DOWN,
    Channel,
    Note,
)
from bridge.sound.generator.held import Held
from bridge.sound.generator.tone_maker import Silent, ToneMaker
from bridge.sound.generator.tunings import TuningMemory, octave_pitches
from bridge.wire import mts, rpn
from bridge.wire.mpe import MpeReceiver
from bridge.wire.resets import reset_kind
from bridge.wire.stream import StreamSplitter

MPE_MEMBER_RANGE_SEMITONES = 48.0
_SYSTEM_RESET = 0xFF
_ALL_DEVICES = 0x7F
_RPN_CONTROLLERS = frozenset({6, 38, 96, 97, 98, 99, 100, 101})


class Receiver:
    """Sixteen channels, their notes, and the tuning programs; without a maker, notes that are let go end at once.

    SysEx messages for devices other than `device_id` are ignored; None obeys all, and 7F is always obeyed.
    """

    def __init__(self, maker: ToneMaker | None = None, device_id: int | None = None) -> None:
        self.device_id = device_id
        self.maker: ToneMaker = maker if maker is not None else Silent()
        self._held = Held(maker)
        self.tunings = TuningMemory()
        self._splitter = StreamSplitter()
        self._rpn = rpn.RpnReader()
        self._mpe = MpeReceiver()
        self._rhythm = RhythmTracker()
        self._replies: list[bytes] = []
        self._master_fine = 0.0
        self._master_coarse = 0
        self.master_gain = 1.0
        self.channels = {number: self._fresh(number) for number in range(1, 17)}  # by number, 1 to 16
        self._actions: dict[int, Callable[[Channel, int], None]] = {
            7: self._volume,
            10: self._pan,
            11: self._expression,
            64: self._held.sustain,
            66: self._held.sostenuto,
            67: self._soft,
            120: self._held.all_sound_off,
            121: self._reset_controllers,
            123: self._held.all_notes_off,
            124: self._held.all_notes_off,
            125: self._held.all_notes_off,
            126: self._held.all_notes_off,
            127: self._held.all_notes_off,
        }

    def _fresh(self, number: int) -> Channel:
        return Channel(number, self.tunings.program(0, 0))

    # -- bytes in, bytes out ------------------------------------------------------------------------------------

    def feed(self, data: bytes) -> None:
        """Take any bytes: whole messages, several, or pieces of one."""
        for message in self._splitter.feed(data):
            self.message(message)

    def message(self, message: bytes) -> None:
        """Take one whole message with its status byte."""
        status = message[0]
        if status >= 0xF0:
            if status == 0xF0:
                self._sysex(message)
            elif status == _SYSTEM_RESET:
                self.reset()
            return
        channel = self.channels[(status & 0x0F) + 1]
        kind = status & 0xF0
        if kind == 0x90 and message[2]:
            self._note_on(channel, message[1], message[2])
        elif kind in (0x80, 0x90):
            self._held.lift(channel, message[1])
        elif kind == 0xB0:
            self._control(channel, message)
        elif kind == 0xC0:
            for each in self._with_members(channel):
                each.program = message[1]
                self._rhythm.feed(bytes((0xC0 | each.number - 1, message[1])))
        elif kind == 0xE0:
            channel.bend = message[1] | message[2] << 7
            self._retune(self._with_members(channel))

    def replies(self) -> list[bytes]:
        """Return what the receiver has to say since the last call: answers to dump requests."""
        replies, self._replies = self._replies, []
        return replies

    # -- what others may ask ------------------------------------------------------------------------------------

    def is_drums(self, channel: int) -> bool:
        """Tell whether a channel plays the drum kit; the channels of an MPE zone never do."""
        return self._rhythm.is_drums(channel) and self._mpe.zone_of(channel) is None

    def sounding(self, channel: int | None = None) -> list[Note]:
        """Return the notes that sound and are held by a key or a pedal, on one channel or on all."""
        numbers = self.channels if channel is None else (channel,)
        return [note for number in numbers for note in self.channels[number].notes if not note.releasing]

    def hz(self, channel: int, key: int) -> float:
        """Return the frequency at which a key would sound on a channel if it were struck now."""
        state = self.channels[channel]
        return self._hz(state, state.pitches[key])

    def forget(self, note: Note) -> None:
        """Take back a note that has ended."""
        self._held.forget(self.channels[note.channel], note)

    # -- notes --------------------------------------------------------------------------------------------------

    def _note_on(self, channel: Channel, key: int, velocity: int) -> None:
        drums = self.is_drums(channel.number)
        base = channel.pitches[key]
        note = Note(channel.number, key, velocity, channel.program, drums, base, soft=channel.soft)
        if not drums:
            note.hz = self._hz(channel, base)
        self._held.strike(channel, note)

    # -- pitch --------------------------------------------------------------------------------------------------

    def _hz(self, channel: Channel, base_semitones: float) -> float:
        semitones = (
            base_semitones
            + channel.fine_semitones
            + channel.coarse_semitones
            + channel.bend_semitones
            + self._master_fine
            + self._master_coarse
        )
        manager = self._mpe.manager_of(channel.number)
        if manager is not None:
            semitones += self.channels[manager].bend_semitones
        return 440.0 * math.exp2((semitones - 69.0) / 12.0)

    def _retune(self, channels: list[Channel]) -> None:
        for channel in channels:
            for note in channel.notes:
                hz = self._hz(channel, note.base_semitones)
                if hz != note.hz:
                    note.hz = hz
                    self.maker.retune(note)

    def _follow(self, channel: Channel, keys: frozenset[int] | None = None) -> None:
        """Move the sounding notes on `keys` (None: all) to the channel's tuning as it is now."""
        for note in channel.notes:
            if keys is None or note.key in keys:
                note.base_semitones = channel.pitches[note.key]
        self._retune([channel])

    def _with_members(self, channel: Channel) -> list[Channel]:
        """Return a channel, and the members of its zone if it is the manager of one."""
        zone = self._mpe.zone_of(channel.number)
        if zone is None or zone.manager != channel.number:
            return [channel]
        return [channel, *(self.channels[number] for number in zone.member_channels)]

    # -- controllers --------------------------------------------------------------------------------------------

    def _control(self, channel: Channel, message: bytes) -> None:
        number, value = message[1], message[2]
        if number in _RPN_CONTROLLERS:
            change = self._rpn.feed(channel.number, number, value)
            if change is not None and change.registered:
                self._parameter(channel, change)
            return
        action = self._actions.get(number)
        for each in self._with_members(channel):
            if action is not None:
                action(each, value)
            elif number == 0:
                self._rhythm.feed(bytes((0xB0 | each.number - 1, 0, value)))

    def _volume(self, channel: Channel, value: int) -> None:
        channel.volume = value
        self.maker.change_gain(channel.number)

    def _expression(self, channel: Channel, value: int) -> None:
        channel.expression = value
        self.maker.change_gain(channel.number)

    def _pan(self, channel: Channel, value: int) -> None:
        channel.pan = value
        self.maker.change_gain(channel.number)

    def _soft(self, channel: Channel, value: int) -> None:
        channel.soft = value >= PEDAL_DOWN

    def _reset_controllers(self, channel: Channel, value: int) -> None:
        self._rpn.feed(channel.number, rpn.RESET_ALL_CONTROLLERS, 0)
        channel.reset_controllers()
        self._held.pedals_moved(channel)
        self.maker.change_gain(channel.number)
        self._retune(self._with_members(channel))

    def _parameter(self, channel: Channel, change: rpn.RpnChange) -> None:
        if change.number == rpn.BEND_RANGE:
            semitones = change.msb + change.lsb / 100.0
            group = [channel]
            zone = self._mpe.zone_of(channel.number)
            if zone is not None and zone.manager != channel.number:
                group = [self.channels[number] for number in zone.member_channels]
            for each in group:
                each.bend_range_semitones = semitones
            self._retune(self._with_members(channel) if len(group) == 1 else group)
        elif change.number == rpn.MPE_CONFIGURATION:
            self._configure_zone(channel.number, change.msb)
        else:
            for each in self._with_members(channel):
                self._tuning_parameter(each, change)

    def _tuning_parameter(self, channel: Channel, change: rpn.RpnChange) -> None:
        if change.number == rpn.FINE_TUNING:
            channel.fine_semitones = rpn.fine_tuning_cents(change.value) / 100.0
            self._retune([channel])
        elif change.number == rpn.COARSE_TUNING:
            channel.coarse_semitones = change.msb - 64
            self._retune([channel])
        elif change.number == rpn.TUNING_BANK:
            channel.tuning_bank = change.msb
        elif change.number == rpn.TUNING_PROGRAM:
            channel.pitches = self.tunings.program(channel.tuning_bank, change.msb)
            self._follow(channel)

    def _configure_zone(self, manager: int, members: int) -> None:
        if manager not in (1, 16) or members > 15:
            return
        before = {number: self._mpe.manager_of(number) for number in self.channels}
        self._mpe.configure(manager, members)
        after = {number: self._mpe.manager_of(number) for number in self.channels}
        for number, channel in self.channels.items():
            if before[number] != after[number]:
                for note in list(channel.notes):
                    if not note.releasing:
                        self._held.let_go(channel, note)
                channel.reset_controllers()
                channel.bend_range_semitones = DEFAULT_BEND_RANGE_SEMITONES
                self.maker.change_gain(number)
            if after[number] == manager:
                channel.bend_range_semitones = MPE_MEMBER_RANGE_SEMITONES
        self.channels[manager].bend_range_semitones = DEFAULT_BEND_RANGE_SEMITONES
        self._retune(list(self.channels.values()))

    # -- system exclusive ---------------------------------------------------------------------------------------

    def _sysex(self, message: bytes) -> None:
        self._rhythm.feed(message)
        if reset_kind(message) is not None:
            self.reset()
        elif len(message) > 6 and message[1] in (0x7E, 0x7F) and self._for_me(message[2]):
            if message[3] == 0x04:
                self._device_control(message)
            elif message[3] == 0x08:
                self._tuning(message)

    def _for_me(self, device_id: int) -> bool:
        return self.device_id is None or device_id in (_ALL_DEVICES, self.device_id)

    def _device_control(self, message: bytes) -> None:
        """Master volume, fine and coarse tuning: 7F dd 04 01, 03, 04."""
        if message[1] != 0x7F or len(message) != 8:
            return
        value = message[5] | message[6] << 7
        if message[4] == 0x01:
            self.master_gain = (value / 16383) ** 2
            for number in self.channels:
                self.maker.change_gain(number)
        elif message[4] == 0x03:
            self._master_fine = (value - BEND_CENTRE) / BEND_CENTRE
            self._retune(list(self.channels.values()))
        elif message[4] == 0x04:
            self._master_coarse = message[6] - 64
            self._retune(list(self.channels.values()))

    def _tuning(self, message: bytes) -> None:
        try:
            record = mts.decode(message)
        except WireError:
            return
        if isinstance(record, mts.DumpRequest):
            own = self.device_id if self.device_id is not None else message[2]
            self._replies.append(mts.encode(self.tunings.answer(record, own)))
        elif isinstance(record, mts.OctaveTuning):
            for number in record.channels:
                channel = self.channels[number]
                channel.pitches = octave_pitches(record.offsets_cents)
                if record.realtime:
                    self._follow(channel)
        elif isinstance(record, mts.NoteTuning | mts.BulkDump | mts.OctaveDump):
            pitches, keys = self.tunings.store(record)
            if isinstance(record, mts.NoteTuning) and record.realtime:
                moved = frozenset(keys)
                for channel in self.channels.values():
                    if channel.pitches is pitches:
                        self._follow(channel, moved)

    def reset(self) -> None:
        """Bring everything to what it was at the beginning; all sound ends."""
        for channel in self.channels.values():
            self._held.all_sound_off(channel, 0)
        self.tunings.clear()
        self._rpn.clear()
        self._mpe.clear()
        self._rhythm = RhythmTracker()
        self._master_fine = 0.0
        self._master_coarse = 0
        self.master_gain = 1.0
        for number, channel in self.channels.items():
            fresh = self._fresh(number)
            fresh.notes = channel.notes
            self.channels[number] = fresh
            self.maker.change_gain(number)
