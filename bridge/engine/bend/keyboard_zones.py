"""An MPE keyboard at the input: each finger has a channel of its own, and one more, the manager, speaks for all.

What the manager does (pedals, sounds, its wheel) holds for all members; bends and pressure of a member are its own.
`KeyboardZones` keeps `Source.host` and `Source.guests` by the configuration messages that came. Where the synth has an
MPE zone too, members play in that zone, each still bent on its own.

Source: *MIDI Polyphonic Expression* (2018), sections on zones, manager and member channels.
"""

from __future__ import annotations

from collections.abc import Callable

from bridge.engine.bend.bend_channels import BendChannels
from bridge.engine.bend.channels import Source
from bridge.engine.lifetimes import PEDALS
from bridge.engine.offsets import own_bend_cents
from bridge.wire.mpe import MpeReceiver


class KeyboardZones:
    """The zones that the source plays in."""

    def __init__(self, channels: BendChannels) -> None:
        self._channels = channels

    def follow(self, zones: MpeReceiver, is_drums: Callable[[Source], bool], now_s: float) -> None:
        """Let channels join and leave as the source's zones have it now."""
        sources = self._channels.sources
        for source in sources:
            manager = zones.manager_of(source.number)
            host = None if manager is None else self._host(sources[manager - 1])
            if host is source or source.manager is not None or host is source.host:
                continue
            if source.host is not None:
                self._leave(source, now_s)
                source.kit = is_drums(source)
            if host is not None:
                self._join(source, host, now_s)

    def _host(self, manager: Source) -> Source:
        """Return who speaks for a zone: its manager, or the part that plays the synth's own zone."""
        parts = [source for source in self._channels.sources if source.manager is not None]
        return manager if manager in parts or not parts else parts[0]

    def _join(self, source: Source, host: Source, now_s: float) -> None:
        self._let_go(source, now_s)
        source.host, source.kit = host, False
        host.guests.append(source)
        if host.manager is not None:
            source.pool, source.serving = host.pool, []
            source.range_out_semitones = host.range_out_semitones
        source.zone_cents = own_bend_cents(host.wheel, host.range_cents)
        for pedal in PEDALS:
            if host.cc[pedal] > 0:
                source.sounding.control(pedal, host.cc[pedal])

    def _leave(self, source: Source, now_s: float) -> None:
        self._let_go(source, now_s)
        host, source.host = source.host, None
        assert host is not None
        host.guests.remove(source)
        if host.manager is not None:
            source.pool, source.serving = [], []
        source.zone_cents = 0.0

    def _let_go(self, source: Source, now_s: float) -> None:
        """End the notes of a channel that joins or leaves: a configuration message does so."""
        for key in [key for key, strokes in source.sounding.down.items() for _ in strokes]:
            self._channels.release(source, bytes((0x80 | source.index, key, 64)), now_s)
        ended = source.sounding.reset()
        if ended:
            self._channels.end(ended, now_s)
