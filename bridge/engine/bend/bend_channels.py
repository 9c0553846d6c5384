"""The pitch side of the bend engine: output channels are set up, bent, and left.

`BendChannels` holds all sixteen channels of the source and of the output. It takes over channels, sends set-ups and
bends, starts and ends notes, and keeps the record of residuals. Which channel a note gets is decided by a *placer*
handed in: on the spot (`on_the_spot`) or from a plan (`planned`). `bridge.engine.bend.router` feeds it messages.

Rules:

- A channel that serves a source channel has that one's whole set-up; it gets every change of it, in order, for as
  long as something sounds there or may still be decaying. A channel of the source's own number follows it always,
  unless another has taken it. Everything else is sent when the channel serves again: only what differs.
- The bend of a channel is the offset of its notes plus the source's own bend and fine tuning; past the range it is cut.
- Where notes that need different offsets must share a channel, its offset is the one among theirs with the least
  sum of (cents off times weight); the present one stays if it is as good.

Conventions: times in seconds; `sink` receives whole messages in sending order.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Sequence
from typing import Protocol

from bridge.engine.bend.channels import Note, Out, Source
from bridge.engine.channel_state import MODULATION, PLAIN_CONTROLLERS, set_up
from bridge.engine.lifetimes import DECAY_S, HOLDING
from bridge.engine.offsets import own_bend_cents
from bridge.engine.rhythm import DRUM_CHANNEL
from bridge.wire.bend import CENTRE, MAX_VALUE
from bridge.wire.mpe import Zone
from bridge.wire.rpn import bend_range, fine_tuning

MOST_NOTES = 128
"""How many notes a channel minds at once; of more, the oldest are taken to be over, as no synth has so many voices."""

_CACHE_LIMIT = 20_000
_TOP = float(MAX_VALUE + 1)
_MIDDLE = CENTRE + 0.5


class Placer(Protocol):
    """Decides where a note goes."""

    def place(self, channels: BendChannels, source: Source, key: int, offset: float, now_s: float) -> Out:
        """Return the output channel for a note that starts now; set up for it (see `BendChannels.attach`)."""
        ...

    def weigh(self, source: Source, key: int, velocity: int) -> float:
        """Return what the note counts where not all can be in tune."""
        ...


class BendChannels:
    """All channels, and what becomes of notes and bends on them.

    Parameters
    ----------
    placer : Placer
        Decides where notes go.
    offsets : sequence of 128 float
        Offsets of the first table, in cents (see `bridge.engine.offsets`).
    allowed : sequence of int
        Output channels, 1 to 16, that pitched notes may use; none where zones are formed (`form_zone`).
    tail_s : float
        How long a note may decay audibly after its end.
    plain : bool
        Keep modulation, chorus and celeste depth at 0.
    record : bool
        Keep the residual of every note.
    """

    def __init__(
        self,
        placer: Placer,
        offsets: Sequence[float],
        allowed: Sequence[int],
        *,
        tail_s: float = DECAY_S,
        plain: bool = False,
        record: bool = False,
    ) -> None:
        self.placer = placer
        self.offsets = offsets
        self.tail_s = tail_s
        self.plain = plain
        self.record = record
        self.zones: list[Zone] = []
        self.sink: list[bytes] = []  # what was sent
        self.outs = [Out(nibble) for nibble in range(16)]
        self.sources = [Source(index, self.outs[index]) for index in range(16)]
        self.pool = [self.outs[channel - 1] for channel in allowed]
        self.worst_cents = array("d")  # for each pitched note so far, by how much it was off at worst
        self.clipped: set[int] = set()
        # Messages of our own that went out.
        self.setup_messages = 0
        self.bend_messages = 0
        # Channels of the output that pitched notes of each source channel had, 1 to 16.
        self.used: dict[int, set[int]] = {}
        self._copies: list[dict[bytes, bytes]] = [{} for _ in range(16)]
        self._bends: list[dict[int, bytes]] = [{} for _ in range(16)]
        self._ranges: dict[tuple[int, int], list[bytes]] = {}
        for source in self.sources:
            source.pool = self.pool
            if source.home in self.pool:
                source.home.source = source
                source.serving.append(source.home)
            self.keep_plain(source)
        drums = self.sources[DRUM_CHANNEL - 1]
        drums.kit = True
        if drums.home not in self.pool:
            self.reserve(drums)

    def reserve(self, source: Source) -> None:
        """Keep the channel of a source's own number for it, and pass its messages as they are."""
        home = source.home
        source.raw = True
        if home in self.pool:
            self.pool.remove(home)
        if home in source.serving:
            source.serving.remove(home)

    def form_zone(self, source: Source, zone: Zone) -> None:
        """Let an MPE zone play what one source channel plays."""
        manager = self.outs[zone.manager - 1]
        source.manager = source.home = manager
        source.serving = [manager]
        source.pool = [self.outs[channel - 1] for channel in zone.member_channels]
        for out in [manager, *source.pool]:
            before = out.source
            if before is not None and before is not source and out in before.serving:
                before.serving.remove(out)
            out.source = source
        self.zones.append(zone)

    def set_up_zones(self) -> None:
        """Announce the zones, and send what their managers lack (other channels are set up as they are taken)."""
        before = len(self.sink)
        for zone in self.zones:
            manager = self.outs[zone.manager - 1]
            source = manager.source
            if source is not None:
                self.sink += zone.messages(source.range_out_semitones)
                manager.selected = None
                self.sink += set_up(source, manager, manager.nibble)
                for out in source.pool:
                    out.set_range(source.range_out_semitones)
        self.setup_messages += len(self.sink) - before

    # ---- sending

    def copy(self, data: bytes, out: Out) -> bytes:
        """Return a channel message as it reads on `out`; the same object where nothing changes."""
        nibble = out.nibble
        if data[0] & 0x0F == nibble:
            return data
        copies = self._copies[nibble]
        copy = copies.get(data)
        if copy is None:
            if len(copies) >= _CACHE_LIMIT:
                copies.clear()
            copy = copies[data] = bytes((data[0] & 0xF0 | nibble,)) + data[1:]
        return copy

    def served(self, source: Source, now_s: float) -> list[Out]:
        """Return the channels that follow a source channel now; those whose last note has decayed drop out."""
        serving = source.serving
        limit_s = now_s - self.tail_s
        for out in serving:
            if out.silent_s <= limit_s and not self._minded(out) and out is not source.home:
                break
        else:
            return serving
        source.serving = serving = [
            out for out in serving if out.silent_s > limit_s or self._minded(out) or out is source.home
        ]
        return serving

    @staticmethod
    def _minded(out: Out) -> bool:
        return bool(out.notes or out.cut or out.claimed)

    def bend(self, out: Out) -> None:
        """Send the bend that a channel needs now, if it differs from the last; note what it leaves."""
        source = out.source
        if source is None or not out.range_semitones:
            return
        wanted_cents = out.offset + source.own_cents
        place = wanted_cents * out.scale + _MIDDLE
        value = 0 if place < 0.0 else MAX_VALUE if place >= _TOP else int(place)
        if value != out.value:
            out.value = value
            bends = self._bends[out.nibble]
            message = bends.get(value)
            if message is None:
                message = bends[value] = bytes((0xE0 | out.nibble, value & 0x7F, value >> 7))
            self.sink.append(message)
            self.bend_messages += 1
        sent_cents = (value - CENTRE) * out.step_cents
        out.residual_cents = residual_cents = abs(sent_cents - wanted_cents)
        if not out.notes:
            return
        cut = not 0.0 <= place <= _TOP
        if cut:
            source.clips += 1
        if not self.record:
            return
        worst = self.worst_cents
        if out.mixed:
            self._record_mixed(out, sent_cents - source.own_cents)
        elif source.mono:
            number = next(reversed(out.notes)).number
            worst[number] = max(worst[number], residual_cents)
        else:
            for note in out.notes:
                if worst[note.number] < residual_cents:
                    worst[note.number] = residual_cents
        if cut:
            self.clipped.update(note.number for note in out.notes)

    def _record_mixed(self, out: Out, sent_cents: float) -> None:
        worst = self.worst_cents
        for note in out.notes:
            off = abs(sent_cents - note.offset)
            if worst[note.number] < off:
                worst[note.number] = off

    # ---- taking channels

    def attach(self, out: Out, source: Source, offset: float) -> None:
        """Make a silent channel ready for notes of a source channel that need `offset` cents."""
        if out.source is not source:
            self._take_over(out, source)
        if source.manager is None and out not in source.serving:
            source.serving.append(out)
        if (
            out.version != source.version
            or out.range_semitones != source.range_out_semitones
            or (self.plain and out.cc[MODULATION] != 0)
        ):
            self.equip(out, source)
        out.offset = offset
        out.mixed = False
        out.glide = None
        self.used.setdefault(source.number, set()).add(out.number)
        self.bend(out)

    def _take_over(self, out: Out, source: Source) -> None:
        before = out.source
        if before is not None:
            if out in before.serving:
                before.serving.remove(out)
            for key, count in out.owed.items():  # silenced already by all notes off, or all sound off
                self.sink += [bytes((0x80 | out.nibble, key, 64))] * count
                before.settled_offs[key] = before.settled_offs.get(key, 0) + count
            out.owed.clear()
        out.source = source
        out.version = -1
        out.solo = False
        out.cut.clear()

    def equip(self, out: Out, source: Source) -> None:
        """Send what a channel lacks of a source channel's set-up, and the bend range."""
        sink = self.sink
        before = len(sink)
        if source.manager is None:
            sink += set_up(source, out, out.nibble)
        if out.fine_tuned:
            sink += fine_tuning(out.number, 0.0)
            out.fine_tuned = False
            out.selected = None
        if out.range_semitones != source.range_out_semitones:
            self.send_range(out, source.range_out_semitones)
        out.version = source.version
        self.setup_messages += len(sink) - before

    def send_range(self, out: Out, semitones: int) -> None:
        """Send a bend range, and null."""
        which = (out.number, semitones)
        messages = self._ranges.get(which)
        if messages is None:
            messages = self._ranges[which] = bend_range(out.number, semitones)
        self.sink += messages
        out.set_range(semitones)
        out.selected = None

    # ---- notes

    def strike(self, source: Source, data: bytes, now_s: float) -> None:
        """Start a pitched note."""
        key = data[1] & 0x7F
        offset = self.offsets[key]
        out = self.placer.place(self, source, key, offset, now_s)
        number = -1
        if self.record:
            number = len(self.worst_cents)
            self.worst_cents.append(0.0)
        note = Note(key, offset, out, number, self.placer.weigh(source, key, data[2] & 0x7F))
        if source.mono:
            out.solo = True
        source.sounding.strike(key, note)
        source.last_out[key] = out
        out.claimed = False
        out.notes[note] = None
        if len(out.notes) > MOST_NOTES:
            del out.notes[next(iter(out.notes))]
        if out.offset != offset or out.mixed or out.glide is not None:
            self.settle(out)
        if self.record:
            self.bend_unless_steady(out, note)
        owed = out.owed
        owed[key] = owed.get(key, 0) + 1
        self.sink.append(data if data[0] & 0x0F == out.nibble else self.copy(data, out))

    def bend_unless_steady(self, out: Out, note: Note) -> None:
        """Enter the residual of a note that has just started."""
        if out.mixed:
            own_cents = out.source.own_cents if out.source is not None else 0.0
            sent_cents = (out.value - CENTRE) * out.step_cents - own_cents
            self.worst_cents[note.number] = abs(sent_cents - note.offset)
            return
        self.worst_cents[note.number] = out.residual_cents
        if out.residual_cents > 0.50001 * out.step_cents:
            self.clipped.add(note.number)

    def release(self, source: Source, data: bytes, now_s: float) -> None:
        """Let go of a key; where drums and notes of it are down, of the oldest."""
        key = data[1] & 0x7F
        sounding = source.sounding
        if key in sounding.drums and sounding.release_drum(key):
            self.sink.append(data)
            return
        note = sounding.release(key)
        if note is None:
            self._stray_off(source, key, data)
            return
        out = note.out
        self._count_down(out.owed, key)
        self.sink.append(data if data[0] & 0x0F == out.nibble else self.copy(data, out))
        if not sounding.hold(key, note):
            self.end((note,), now_s)

    def strike_drum(self, source: Source, data: bytes) -> None:
        """Let a drum pass, and remember that its note-off is to pass too, even if the channel is no kit by then."""
        source.sounding.strike_drum(data[1] & 0x7F)
        self.sink.append(data)

    @staticmethod
    def _count_down(counts: dict[int, int], key: int) -> None:
        count = counts.get(key, 0)
        if count > 1:
            counts[key] = count - 1
        elif count:
            del counts[key]

    def _stray_off(self, source: Source, key: int, data: bytes) -> None:
        """A note-off without a note: send it where it ends nobody else's note."""
        ahead = source.settled_offs.get(key, 0)
        if ahead:
            source.settled_offs[key] = ahead - 1
            return
        last = source.last_out[key]
        owing = [out for out in source.pool if key in out.owed and out.source is source]
        silenced = not owing and source.sounding.release_silenced(key)
        if silenced or (source.kit and not owing):
            if not silenced:
                self._count_down(source.home.owed, key)  # what it struck before it became a kit
            self.sink.append(data)
            return
        own = [last] if last is not None else []
        for out in owing + own + source.serving:
            if out.source is source or (out.source is None and key in out.owed):  # None: it became a kit's
                self._count_down(out.owed, key)
                self.sink.append(self.copy(data, out))
                return
        for out in [source.home, *source.pool]:
            if key not in out.owed:
                self.sink.append(self.copy(data, out))
                return

    def end(self, notes: Sequence[Note], now_s: float) -> None:
        """Notes are over, all at the same time."""
        for note in notes:
            note.out.notes.pop(note, None)
            note.out.cut.pop(note, None)
        for note in notes:
            out = note.out
            if not out.notes:
                out.silent_s = now_s
                out.mixed = False
                out.glide = None
            elif out.mixed or (out.source is not None and out.source.mono):
                self.settle(out)

    def leave_mono(self, source: Source) -> None:
        """Poly mode is back: of the notes that came one after the other on a channel, only the newest sounds.

        The others were ended by it, on a receiver that obeys mono mode; their note-offs are still to come.
        """
        for out in self.outs:
            if out.solo and out.source is source:
                out.solo = False
                for note in list(out.notes)[:-1]:
                    del out.notes[note]
                    out.cut[note] = None

    # ---- pitch changes under sounding notes

    def settle(self, out: Out) -> None:
        """Choose the offset of a sounding channel anew, and bend it there."""
        out.glide = None
        notes = out.notes
        source = out.source
        if source is not None and source.mono:
            out.mixed = False
            out.offset = next(reversed(notes)).offset
        else:
            sums: dict[float, float] = {}
            for note in notes:
                sums[note.offset] = sums.get(note.offset, 0.0) + note.weight
            out.mixed = len(sums) > 1
            out.offset = best_offset(sums, out.offset) if out.mixed else next(iter(sums))
        self.bend(out)

    def retune(self, offsets: Sequence[float]) -> None:
        """Take a new table; sounding notes move to it at once."""
        self.offsets = offsets
        for out in self.outs:
            if out.notes:
                for note in out.notes:
                    note.offset = offsets[note.key]
                self.settle(out)

    def tune_own(self, source: Source, now_s: float) -> None:
        """The source's own bend or fine tuning has changed: every channel that serves it follows."""
        source.own_cents = (
            own_bend_cents(source.wheel, source.range_cents) + source.fine_cents + source.zone_cents
        )
        if source.manager is None:
            for out in self.served(source, now_s):
                self.bend(out)
            return
        limit_s = now_s - self.tail_s
        for out in source.pool:
            if out.source is source and (out.notes or out.claimed or out.silent_s > limit_s):
                self.bend(out)

    def keep_plain(self, source: Source) -> None:
        """Where beats are to be heard, let a source want nothing that hides them."""
        if self.plain:
            for controller in PLAIN_CONTROLLERS:
                source.cc[controller] = 0

    def rest(self) -> None:
        """Take it that nothing sounds any more."""
        for out in self.outs:
            out.notes.clear()
            out.cut.clear()
            out.owed.clear()
            out.mixed = out.claimed = out.solo = False
            out.glide = None
            out.value = CENTRE if out.value >= 0 else out.value
        for source in self.sources:
            source.sounding.reset()
            for pedal in HOLDING:
                source.cc[pedal] = min(source.cc[pedal], 0)
            source.wheel = CENTRE
            source.zone_cents = 0.0
            source.own_cents = source.fine_cents
            source.settled_offs.clear()
            source.version += 1


def best_offset(sums: dict[float, float], now: float) -> float:
    """Return the offset with the least sum of (cents off times weight); `now` where it is as good."""
    least, best = math.inf, now
    for candidate in sums:
        loss = sum(weight * abs(candidate - offset) for offset, weight in sums.items())
        if loss < least - 1e-9 or (loss <= least + 1e-9 and candidate == now):
            least, best = min(loss, least), candidate
    return best
