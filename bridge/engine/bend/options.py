"""What a player may ask of the methods `bend` and `mpe`, and which channels that leaves."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from bridge.engine.lifetimes import DECAY_S
from bridge.engine.rhythm import DRUM_CHANNEL
from bridge.errors import MethodProblem, ValueProblem
from bridge.wire.profile import SynthProfile


@dataclass(frozen=True)
class BendOptions:
    """Choices for retuning by bends; ValueProblem if a value is out of range."""

    # Channels 1 to 16 that pitched notes may use; None: the synth's, without 10. Naming 10 here allows it,
    # where nothing plays drums on it.
    channels: tuple[int, ...] | None = None
    # For `mpe`: the source channels to play, one or two; empty: all, if there are no more.
    parts: tuple[int, ...] = ()
    # How long a note may decay audibly after its end; a channel is left alone for so long if there is
    # another.
    tail_s: float = DECAY_S
    chord_s: float = 0.03  # notes that start within this time are one chord
    plain: bool = False  # keep modulation, chorus depth and celeste depth at 0, so that beats can be heard
    # Pitch class (0 = C) of the tonic of each table, the first and then each change: kept in tune first where
    # channels are short.
    tonics: tuple[int | None, ...] = ()

    def __post_init__(self) -> None:
        for name, numbers in (("channel", self.channels or ()), ("part", self.parts)):
            for number in numbers:
                if not 1 <= number <= 16:
                    raise ValueProblem(f"{name} {number} is out of range", "MIDI channels are 1 to 16")
        if self.channels is not None and not self.channels:
            raise ValueProblem("no channel is allowed", "such as --channels 1-8,11-16")
        if len(set(self.parts)) > 2:
            raise ValueProblem(
                f"{len(set(self.parts))} parts were asked for, but MPE has two zones", "name one or two"
            )
        for name, value, most in (("tail", self.tail_s, 60.0), ("chord", self.chord_s, 1.0)):
            if not (math.isfinite(value) and 0.0 <= value <= most):
                raise ValueProblem(f"a {name} of {value:g} s is out of range", f"0 to {most:g} seconds")


def allowed_channels(
    profile: SynthProfile | None, options: BendOptions, drums: Iterable[int] = (DRUM_CHANNEL,)
) -> list[int]:
    """Return the channels that pitched notes may use, ascending: not those of `drums`.

    Without a profile it is a synth that receives all channels. MethodProblem if none is left.
    """
    receives = set(profile.channels) if profile is not None else set(range(1, 17))
    wanted = receives - {DRUM_CHANNEL} if options.channels is None else receives & set(options.channels)
    left = sorted(wanted - set(drums))
    if not left:
        raise MethodProblem(
            "no channel is left for pitched notes", "allow more with --channels, or take another synth"
        )
    return left
