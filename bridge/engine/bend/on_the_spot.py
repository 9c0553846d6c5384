"""Giving notes channels on the spot: nothing is known of what comes.

`choose_free` is also what the planned allocation uses for the choice among free channels. Its order:

1. one that carries the source channel already and is bent as needed: nothing that is heard changes there;
2. one that has been silent longer than a note decays: first those that already carry the source channel, then the
   one of its own number, then those where nothing else is at home; within each, the one silent for longest;
3. one whose last note may still be decaying, the one silent for longest; but on a channel of another source channel
   that note would change in volume and place as well, so there what is left of the decay counts twice.

So a decaying note is not bent while there is another way, and a file that fits its channels changes little.

Where no channel is free, a note joins a channel of its own source whose offset costs least in cents times weight; a
channel whose notes are all let go and only held by a pedal counts little. If its source has none, it joins whatever
channel comes nearest, in that one's sound. It is never dropped.
"""

from __future__ import annotations

from collections.abc import Callable
from operator import itemgetter
from typing import Any

from bridge.engine.bend.bend_channels import BendChannels, best_offset
from bridge.engine.bend.channels import Out, Source
from bridge.engine.channel_state import loudness

PURE_WEIGHT = 1000.0
"""How much more the tonic and the bass count than another note of the same loudness."""

_key_of: Callable[[Any], int] = itemgetter(0)
_FITS, _SAME, _OWN, _EMPTY, _DECAYING = 0, 1, 2, 3, 9


def choose_free(channels: BendChannels, source: Source, offset: float, now_s: float) -> Out | None:
    """Return the best free channel for notes of a source channel that need `offset` cents, or None."""
    quiet_s = now_s - channels.tail_s
    home = source.home
    best: Out | None = None
    best_rank, best_order = _DECAYING + 1, 0.0
    for out in source.pool:
        if out.notes or out.cut or out.claimed:
            continue
        silent_s = out.silent_s
        order = silent_s
        if out.source is source and out.offset == offset and out.range_semitones:
            rank = _FITS
        elif silent_s > quiet_s:
            rank = _DECAYING
            order = silent_s - quiet_s if out.source is source else 2.0 * (silent_s - quiet_s)
        elif out.source is source:
            rank = _SAME
        elif out is home:
            rank = _OWN
        else:
            rank = _EMPTY + out.reluctance
        if rank < best_rank or (rank == best_rank and order < best_order):
            best, best_rank, best_order = out, rank, order
    return best


def take_free(channels: BendChannels, source: Source, offset: float, now_s: float) -> Out | None:
    """Choose a free channel and make it ready; None if there is none."""
    out = choose_free(channels, source, offset, now_s)
    if out is not None:
        channels.attach(out, source, offset)
    return out


class OnlinePlacer:
    """Decides where each note goes when it starts; the pitch class `tonic` (0 = C) is kept in tune first."""

    def __init__(self, tonic: int | None = None) -> None:
        self.tonic = tonic
        self.crowded = 0  # notes that found no channel free
        self._playing: list[Source] = []  # source channels that have played, to tell which note is the bass

    def place(self, channels: BendChannels, source: Source, key: int, offset: float, now_s: float) -> Out:
        """Return a channel where the note is in tune; failing that, where it does least harm."""
        if source.home.reluctance != 2 or source not in self._playing:
            source.home.reluctance = 2
            self._playing.append(source)
        if source.mono:
            for out in source.pool:
                if (out.notes or out.cut) and out.source is source:
                    return out
        for out in source.serving if source.manager is None else source.pool:
            if out.offset == offset and out.notes and out.glide is None and out.source is source:
                return out
        return take_free(channels, source, offset, now_s) or self._join(source, key, offset)

    def weigh(self, source: Source, key: int, velocity: int) -> float:
        """Loudness by velocity, volume and expression; the tonic and the bass count a thousandfold."""
        pure = key % 12 == self.tonic or self._is_lowest(key)
        return loudness(velocity, source.cc[7], source.cc[11]) * (PURE_WEIGHT if pure else 1.0)

    def _is_lowest(self, key: int) -> bool:
        for source in self._playing:
            sounding = source.sounding
            if sounding.down and min(sounding.down) < key:
                return False
            if sounding.held and min(sounding.held, key=_key_of)[0] < key:
                return False
        return True

    def _join(self, source: Source, key: int, offset: float) -> Out:
        self.crowded += 1
        weight = self.weigh(source, key, 100)
        own = [out for out in source.pool if out.source is source and (out.notes or out.cut)]
        return min(own or source.pool, key=lambda out: self._harm(out, offset, weight))

    @staticmethod
    def _harm(out: Out, offset: float, weight: float) -> float:
        held = out.source is not None and not any(note.key in out.source.sounding.down for note in out.notes)
        sums: dict[float, float] = {}
        for note in out.notes:
            share = note.weight * (0.1 if held else 1.0)
            sums[note.offset] = sums.get(note.offset, 0.0) + share
        before = sums_loss(sums, best_offset(sums, out.offset)) if sums else 0.0
        sums[offset] = sums.get(offset, 0.0) + weight
        return sums_loss(sums, best_offset(sums, out.offset)) - before


def sums_loss(sums: dict[float, float], at: float) -> float:
    """Return the sum of (cents off times weight) if the bend is at `at`."""
    return sum(weight * abs(at - offset) for offset, weight in sums.items())
