"""Retuning by pitch bend while it is played: messages in, messages out, nothing known of what comes.

`BendEngine` is the same `Router` that plans files, with a placer that decides on the spot. It has no clock: whoever
drives it says what time it is, sends what it returns, and calls `wake` when `next_wake_s` has come. Not safe to share
between threads.

What becomes of notes that sound when the table changes stands in `bridge.engine.protocols`. Where a change drives
notes of one channel apart, which cannot move to another without being struck again, the channel takes the offset that
costs least (see `bend_channels.best_offset`); `crowded` counts notes that had to share from the start.

Bend ranges hold the tables and all of the wheel's travel from before the first note, ±3 semitones as a rule; what
becomes of one that has to grow later stands in `live_ranges`. A synth whose range cannot be set needs a profile that
says so.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from typing import Literal, NamedTuple

from bridge.engine.bend.bend_channels import BendChannels, best_offset
from bridge.engine.bend.channels import Out
from bridge.engine.bend.live_ranges import LiveRanges
from bridge.engine.bend.mpe import LOWER_MEMBERS, UPPER_MEMBERS, choose_zones
from bridge.engine.bend.on_the_spot import OnlinePlacer
from bridge.engine.bend.options import BendOptions, allowed_channels
from bridge.engine.bend.router import Router
from bridge.engine.lifetimes import HOLDING
from bridge.engine.offsets import LEAST_RANGE_SEMITONES, Offsets, fixed_range, most_range
from bridge.engine.protocols import Due, OnChange
from bridge.errors import MethodProblem, ValueProblem
from bridge.tuning.notes import note_name
from bridge.wire.bend import CENTRE
from bridge.wire.profile import SynthProfile
from bridge.wire.stream import is_whole

GLIDE_STEP_S = 0.01
_PIANO = range(21, 109)


class SoundingNote(NamedTuple):
    """A note that sounds: source channel, key, output channel (1 to 16), and cents from equal, without bends."""

    channel: int
    key: int
    out_channel: int
    cents: float


class BendEngine:
    """Retunes a stream of messages by bends as it is played; `table_hz` are frequencies by MIDI key.

    MethodProblem if no channel is left, or the table lies beyond the synth's bend range.

    Parameters
    ----------
    profile : SynthProfile or None
        What the synth obeys; None: any synth that obeys pitch bend.
    options : BendOptions, optional
        Channels, plainness, tonic (the first of `tonics`) and decay; for MPE the parts.
    method : {"bend", "mpe"}
        With ``"mpe"``, source channels that are no part play in the zone of the first one.
    """

    def __init__(
        self,
        profile: SynthProfile | None,
        table_hz: Sequence[float],
        options: BendOptions | None = None,
        method: Literal["bend", "mpe"] = "bend",
    ) -> None:
        self.options = options or BendOptions()
        self._mpe = method == "mpe"
        self._profile = profile
        self._offsets = Offsets(profile)
        self.check(table_hz)
        self._placer = OnlinePlacer(self.options.tonics[0] if self.options.tonics else None)
        self._channels = BendChannels(
            self._placer,
            self._offsets.of(table_hz),
            [] if self._mpe else allowed_channels(profile, self.options),
            tail_s=self.options.tail_s,
            plain=self.options.plain,
        )
        self._alias = list(range(16))
        if self._mpe:
            self._form_zones(profile)
        self._ranges = LiveRanges(self._channels, profile, self._mpe)
        reset_gap_s = profile.reset_gap_s if profile is not None else 0.1
        self._router = Router(self._channels, reset_gap_s, self._ranges)
        self._guests: dict[tuple[int, int], int] = {}  # strikes of channels that play in the zone of another
        self._gliding: list[Out] = []
        self._glide_step_s = 0.0

    def _form_zones(self, profile: SynthProfile | None) -> None:
        parts = list(dict.fromkeys(self.options.parts)) or [1]
        receives = set(profile.channels if profile is not None else range(1, 17)) - {10}
        free = sorted(receives & set(self.options.channels or range(1, 17)))
        demand = dict(zip(parts, (LOWER_MEMBERS, UPPER_MEMBERS), strict=False))
        for part, zone in choose_zones(demand, free).items():
            self._channels.form_zone(self._channels.sources[part - 1], zone)
        for index in range(16):
            if index + 1 not in parts and not self._channels.sources[index].kit:
                self._alias[index] = parts[0] - 1

    # ---- what the driver calls

    def check(self, table_hz: Sequence[float]) -> None:
        """Refuse a table that bends cannot reach on this synth, on the keys of a piano.

        MethodProblem names the note that lies farthest off.
        """
        self._check_reach(Offsets(self._profile).of(table_hz))

    def _check_reach(self, offsets: Sequence[float]) -> None:
        most = fixed_range(self._profile, self._mpe) or most_range(self._profile, 0.0, self._mpe)
        if -100.0 * most <= min(offsets) and max(offsets) <= 100.0 * most:
            return
        key = max(_PIANO, key=lambda each: abs(offsets[each]))
        if abs(offsets[key]) > 100.0 * most:
            raise MethodProblem(
                f"{note_name(key)} lies {offsets[key]:+.0f} cents from its usual pitch; bends reach ±{most} semitones",
                "use --method note, or a reference nearer to the usual pitch",
            )

    def start(self, now_s: float) -> list[Due]:
        """Return the messages that make the synth ready: bend ranges and centred bends, or the zones."""
        router = self._router
        channels = self._channels
        channels.sink = []
        if self._mpe:
            router.resync()
        for source in channels.sources:
            for out in source.pool if source.manager is not None else [source.home]:
                if source.manager is None:
                    if out not in channels.pool:
                        continue
                    channels.send_range(out, source.range_out_semitones)
                channels.sink.append(bytes((0xE0 | out.nibble, 0, 0x40)))
                out.value = CENTRE
        return self._due(now_s)

    def feed(self, data: bytes, now_s: float) -> list[Due]:
        """Take one whole message; return what is to be sent for it. Bytes that are no whole message are dropped."""
        if not is_whole(data):
            return []
        status = data[0]
        router = self._router
        channels = self._channels
        channels.sink = []
        if self._ranges.waiting and status & 0xF0 == 0x90 and data[2]:
            self._ranges.settle()
        if status < 0xF0:
            index = status & 0x0F
            source = channels.sources[index]
            if status < 0xA0 and (self._is_drum(data) or (source.kit and not self._ends_guest(data))):
                pass  # on its own channel
            elif source.host is not None:  # of an MPE keyboard's zone
                if (status >= 0xC0 and status < 0xD0) or (status & 0xF0 == 0xB0 and data[1] in (0, 32)):
                    return []  # the zone's sound is that of its manager
            elif self._alias[index] != index:
                if status < 0xA0:
                    self._count_guest(data)
                if (status >= 0xC0 and status < 0xD0) or (status & 0xF0 == 0xB0 and data[1] in (0, 32)):
                    return []  # the zone's sound is that of its part
                data = bytes((status & 0xF0 | self._alias[index],)) + data[1:]
            router.feed(now_s, data)
        else:
            router.feed(now_s, data)
            if status == 0xFF:
                router.reset(now_s)
        return [(now_s, message) for message in channels.sink]

    def change(
        self, table_hz: Sequence[float], now_s: float, mode: OnChange = "now", glide_s: float = 0.5
    ) -> list[Due]:
        """Take a new table, 128 frequencies in hertz by MIDI key; return what is to be sent at once.

        ValueProblem if the mode is unknown, or the time of a glide is out of range. MethodProblem if bends
        cannot reach the table on this synth (see `check`); nothing has changed.
        """
        if mode not in ("now", "next", "glide"):
            raise ValueProblem(f"on change {mode!r} is unknown", "now, next or glide")
        if mode == "glide" and not (math.isfinite(glide_s) and 0.0 <= glide_s <= 600.0):
            raise ValueProblem(f"a glide of {glide_s:g} s is out of range", "0 to 600 seconds")
        channels = self._channels
        sounding = [note.offset for out in channels.outs for note in out.notes]
        self._offsets.forget([*channels.offsets, *sounding, *(out.offset for out in channels.outs)])
        before, offsets = channels.offsets, self._offsets.of(table_hz)
        self._check_reach(offsets)
        channels.sink = []
        channels.offsets = offsets
        self._ranges.fit()
        if mode == "now" or (mode == "glide" and glide_s == 0.0):
            channels.retune(channels.offsets)
            self._gliding = []
        elif mode == "glide" and channels.offsets != before:
            self._begin_glide(now_s, glide_s)
        return self._due(now_s)

    def foresee(self, tables_hz: Iterable[Sequence[float]]) -> None:
        """Say which tables may come: bend ranges are set for all of them before the first note."""
        offsets = [Offsets(self._profile).of(table_hz) for table_hz in tables_hz]
        if offsets:
            self._ranges.foresee(min(map(min, offsets)), max(map(max, offsets)))

    def expect(self, channel: int) -> None:
        """Say that somebody will play on a channel, 1 to 16: while others are free, nobody else is put there."""
        self._channels.sources[channel - 1].home.reluctance = 2

    def set_tonic(self, pitch_class: int | None) -> None:
        """Say which pitch class (0 = C) is kept in tune first where channels are short."""
        self._placer.tonic = pitch_class

    @property
    def next_wake_s(self) -> float | None:
        """When `wake` wants to be called; None if nothing is pending."""
        times = [self._glide_step_s] if self._gliding else []
        if self._router.resync_s is not None:
            times.append(self._router.resync_s)
        return min(times, default=None)

    def wake(self, now_s: float) -> list[Due]:
        """Do what is due by now: a step of a glide, or the set-up after a reset."""
        router = self._router
        channels = self._channels
        channels.sink = []
        if router.resync_s is not None and now_s >= router.resync_s:
            router.resync()
        if self._gliding:
            self._glide(now_s)
        return self._due(now_s)

    def stop(self, now_s: float) -> list[Due]:
        """Return what leaves the synth silent and as it was: note-offs, pedals up, bends centred, ranges at ±2."""
        channels = self._channels
        channels.sink = sink = []
        self._guests.clear()
        for source in channels.sources:
            sounding = source.sounding
            ends = [(key, len(drums)) for key, drums in sounding.drums.items()] + [*sounding.silenced.items()]
            for key, count in ends:
                sink += [bytes((0x80 | source.index, key, 64))] * count
            if source.raw:
                self._lift(source.cc, 0xB0 | source.index, sink)
        members = {out.nibble for source in channels.sources if source.manager for out in source.pool}
        for out in channels.outs:
            for key, count in out.owed.items():
                sink += [bytes((0x80 | out.nibble, key, 64))] * count
            self._lift(out.cc, 0xB0 | out.nibble, sink)
            if out.value != CENTRE and (
                out.value >= 0 or out.nibble in members
            ):  # a reset may have left them
                sink.append(bytes((0xE0 | out.nibble, 0, 0x40)))
            if out.range_semitones not in (0, LEAST_RANGE_SEMITONES) and not self._mpe:
                channels.send_range(out, LEAST_RANGE_SEMITONES)
        for zone in channels.zones:
            sink += zone.end_messages()
        channels.rest()
        self._gliding = []
        return self._due(now_s)

    # ---- what a display asks

    @property
    def crowded(self) -> int:
        """How many notes found no channel free, and share one of another pitch."""
        return self._placer.crowded

    @property
    def clipped(self) -> int:
        """How many bends of the wheel went beyond the range and were cut short."""
        return sum(source.clips for source in self._channels.sources)

    @property
    def at_rest(self) -> bool:
        """Whether no note sounds and none is owed its end."""
        channels = self._channels
        return not any(source.sounding.drums for source in channels.sources) and not any(
            out.notes or out.owed for out in channels.outs
        )

    def sounding(self) -> list[SoundingNote]:
        """Return the pitched notes that sound, by source channel and key."""
        return sorted(
            SoundingNote(
                source.number, key, note.out.number, self._offsets.sounding_cents(key, note.out.offset)
            )
            for source in self._channels.sources
            for key, note in source.sounding
        )

    # ---- inside

    def _due(self, now_s: float) -> list[Due]:
        return [(now_s, message) for message in self._channels.sink]

    def _is_drum(self, data: bytes) -> bool:
        """Tell whether a message ends a drum, though the channel may have ceased to be a kit."""
        if data[0] & 0xF0 == 0x90 and data[2]:
            return False
        return data[1] in self._channels.sources[data[0] & 0x0F].sounding.drums and not self._ends_guest(data)

    def _count_guest(self, data: bytes) -> None:
        """Keep count of notes in the zone of another channel, because their ends may come when it has become a kit."""
        which = (data[0] & 0x0F, data[1])
        if data[0] & 0xF0 == 0x90 and data[2]:
            self._guests[which] = self._guests.get(which, 0) + 1
        elif self._guests.get(which, 0) > 1:
            self._guests[which] -= 1
        else:
            self._guests.pop(which, None)

    def _ends_guest(self, data: bytes) -> bool:
        """Tell whether a message of a kit's ends a note that its channel struck before it became one."""
        if not self._guests or (data[0] & 0xF0 == 0x90 and data[2]):
            return False
        which = (data[0] & 0x0F, data[1])
        return which in self._guests and data[1] not in self._channels.sources[which[0]].sounding.drums

    @staticmethod
    def _lift(cc: list[int], status: int, sink: list[bytes]) -> None:
        for pedal in HOLDING:
            if cc[pedal] > 0:
                sink.append(bytes((status, pedal, 0)))
                cc[pedal] = 0

    def _begin_glide(self, now_s: float, glide_s: float) -> None:
        channels = self._channels
        self._gliding = []
        for out in channels.outs:
            sums: dict[float, float] = {}
            for note in out.notes:
                note.offset = channels.offsets[note.key]
                sums[note.offset] = sums.get(note.offset, 0.0) + note.weight
            if not sums:
                continue
            out.mixed = len(sums) > 1
            target = best_offset(sums, out.offset)
            if target != out.offset:
                out.glide = (now_s, now_s + glide_s, out.offset, target)
                self._gliding.append(out)
        self._glide_step_s = now_s + GLIDE_STEP_S

    def _glide(self, now_s: float) -> None:
        still: list[Out] = []
        for out in self._gliding:
            if out.glide is None:
                continue
            start_s, end_s, before, after = out.glide
            if now_s >= end_s:
                out.offset = after
                out.glide = None
            else:
                out.offset = before + (after - before) * (now_s - start_s) / (end_s - start_s)
                still.append(out)
            self._channels.bend(out)
        self._gliding = still
        self._glide_step_s = now_s + GLIDE_STEP_S
