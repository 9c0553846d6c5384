"""What a player process needs to know, as plain values that can be handed to it.

Index: `LivePlan`, `Local`, `pitched_channels`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from bridge.engine.play.controls import Controls
from bridge.engine.play.drone_plan import DronePlan
from bridge.engine.play.held_drone import HoldPlan
from bridge.engine.play.tables import Choice
from bridge.engine.protocols import OnChange
from bridge.live.backing import Track
from bridge.ports.base import NEW_PORT
from bridge.wire.profile import MTS_METHODS, SynthProfile

__all__ = ["NEW_PORT", "LivePlan", "Local", "pitched_channels"]

Local: TypeAlias = Literal["auto", "off", "keep"]
"""Local control of the instrument: off where keyboard and synth are one, always off, or left alone."""


@dataclass(frozen=True)
class LivePlan:
    """Everything that stays the same while it plays.

    Attributes
    ----------
    out_port : str
        Part of the name of the synth's port, or `NEW_PORT`.
    in_port, reply_port : str or None
        The same for the keyboard, and for the port on which the synth answers; None: there is none.
    system : str or None
        Which MIDI system; None: the first that has the ports.
    slots, tonics : tuple of Choice
        The tables (see `bridge.engine.play.tables.Slots`).
    method : str
        How they reach the synth.
    profile : SynthProfile or None
        What the synth obeys; None: any synth that obeys pitch bend.
    channels : tuple of int or None
        Channels that pitched notes may use; None: the synth's, without 10.
    controls : Controls
        What chooses tables.
    on_change, glide_s
        What becomes of sounding notes when the table changes.
    plain : bool
        Keep modulation, chorus and celeste depth at 0.
    local : {"auto", "off", "keep"}
        What becomes of the instrument's own tempered sound.
    state_dir : str or None
        Where the journal of what hangs is kept; None: nowhere.
    track : Track or None
        A MIDI file that plays along.
    drone : DronePlan or None
        Notes that are held beside all that, on their own.
    hold : HoldPlan or None
        Notes that are held beside all that and follow the tables.
    hold_on : bool
        Whether they sound at the beginning.
    starts : tuple of int
        Slots with which pieces begin (`bridge.engine.play.tables.Slots`).
    kept : tuple or None
        Slot, tonic, equal and trim to begin with (`Slots.keep`).
    position_s : float
        Where in the track or the drone to begin.
    returning : bool
        Whether this player replaces another: then it waits for ports that are missing.
    """

    out_port: str
    slots: tuple[Choice, ...]
    method: str
    in_port: str | None = None
    reply_port: str | None = None
    system: str | None = None
    tonics: tuple[Choice, ...] = ()
    profile: SynthProfile | None = None
    channels: tuple[int, ...] | None = None
    controls: Controls = field(default_factory=Controls)
    on_change: OnChange = "now"
    glide_s: float = 0.5
    plain: bool = False
    local: Local = "auto"
    state_dir: str | None = None
    track: Track | None = None
    drone: DronePlan | None = None
    hold: HoldPlan | None = None
    hold_on: bool = False
    starts: tuple[int, ...] = ()
    kept: tuple[int, int | None, bool, float] | None = None
    position_s: float = 0.0
    returning: bool = False

    def heard_on(self, own: tuple[int, ...]) -> tuple[int, ...]:
        """Return where something is heard that plays on channels of its `own`: by bends, wherever notes may go."""
        return own if self.method in MTS_METHODS else pitched_channels(self.profile, self.channels)


def pitched_channels(profile: SynthProfile | None, asked: tuple[int, ...] | None) -> tuple[int, ...]:
    """Return the channels that pitched notes may use, in the order in which they were asked for.

    Parameters
    ----------
    profile : SynthProfile or None
        The synth; None: one that receives all channels.
    asked : tuple of int or None
        Channels that were allowed; None: all that the synth receives.
    """
    listens = profile.channels if profile is not None else range(1, 17)
    return tuple(channel for channel in asked or sorted(listens) if channel in listens and channel != 10)
