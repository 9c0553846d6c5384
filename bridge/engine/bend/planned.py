"""Giving notes channels by plan: the whole file is known.

The classes of a file (`classes`) are intervals. If they never outnumber the channels, every class finds one free
when it starts, and every note is in tune; where they do, `overload` has said which share. What is left to choose is
which of the free channels (`on_the_spot.choose_free`).

Set-ups are placed with foresight: when the first note of a chord starts, all channels that its other notes will
need are made ready before it, so that nothing stands between the notes of a chord but what cannot be had sooner.
"""

from __future__ import annotations

from array import array
from collections.abc import Iterable

from bridge.engine.bend.bend_channels import BendChannels
from bridge.engine.bend.channels import Out, Source
from bridge.engine.bend.classes import Classes
from bridge.engine.bend.on_the_spot import PURE_WEIGHT, take_free
from bridge.engine.score import Score


class PlannedPlacer:
    """Hands out channels to the classes of a file, in order of their start.

    Parameters
    ----------
    shared : array of int
        For each class the class it shares with, itself if none.
    pure : bytearray or None
        Which notes are kept pure, where not all can be; None where all are in tune.
    chord_s : float
        Notes that start within this time count as one chord.
    """

    def __init__(
        self,
        score: Score,
        classes: Classes,
        shared: array[int],
        pure: bytearray | None,
        chord_s: float,
        change_anchors: Iterable[int],
    ) -> None:
        self._score = score
        self._of_note = classes.of_note
        self._first = classes.first
        self._shared = shared
        self._pure = pure
        self._chord_s = chord_s
        self._breaks = sorted([*change_anchors, *score.resets])  # chords do not reach across
        self._outs: list[Out | None] = [None] * len(classes)
        self._next = 0
        self._chord_end = 0

    @property
    def next_chord(self) -> int:
        """Anchor of the note-on that begins the next chord; -1 if none does."""
        return self._score.starts[self._chord_end] if self._chord_end < len(self._score) else -1

    def open_chord(self, channels: BendChannels, now_s: float) -> None:
        """Make ready what the notes of the chord that starts now need, as far as channels are free."""
        score, first = self._score, self._first
        note = self._chord_end
        anchor = score.starts[note]
        while self._breaks and self._breaks[0] <= anchor:
            self._breaks.pop(0)
        limit_s = now_s + self._chord_s
        before = self._breaks[0] if self._breaks else anchor + (1 << 62)
        ready = True
        starts, starts_s = score.starts, score.starts_s
        while note < len(score) and starts_s[note] <= limit_s and starts[note] < before:
            group = self._shared[self._of_note[note]]
            if ready and first[group] == note:
                key = score.keys[note]
                source = channels.sources[score.sources[note]]
                out = take_free(channels, source, channels.offsets[key], now_s)
                if out is None:
                    ready = False
                else:
                    out.claimed = True
                    self._outs[group] = out
            note += 1
        self._chord_end = note

    def place(self, channels: BendChannels, source: Source, key: int, offset: float, now_s: float) -> Out:
        """Return the channel of the note that starts now."""
        group = self._shared[self._of_note[self._next]]
        self._next += 1
        out = self._outs[group]
        if out is None:
            out = take_free(channels, source, offset, now_s)
            assert out is not None, "the plan leaves a channel free for every class"
            self._outs[group] = out
        return out

    def weigh(self, source: Source, key: int, velocity: int) -> float:
        """What the note that has just been placed counts."""
        if self._pure is None:
            return 1.0
        note = self._next - 1
        return self._score.loud[note] * (PURE_WEIGHT if self._pure[note] else 1.0)
