"""What a player process needs to know, as plain values that can be handed to it."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any, Literal, TypeAlias

import msgspec

from bridge.engine.play.chart_plan import ChartPlan
from bridge.engine.play.controls import Controls
from bridge.engine.play.drones.held import HoldPlan
from bridge.engine.play.drones.plan import DronePlan
from bridge.engine.play.follow_plan import FollowPlan
from bridge.engine.play.keyboards import Keyboard
from bridge.engine.play.tables import Kept, PlayTable
from bridge.engine.protocols import OnChange
from bridge.live.backing import Backing
from bridge.live.state import TrackState
from bridge.ports.base import NEW_PORT
from bridge.wire.profile import MTS_METHODS, SynthProfile

__all__ = [
    "NEW_PORT",
    "ChordsDrone",
    "LivePlan",
    "Local",
    "Playing",
    "StepsDrone",
    "TablesDrone",
    "pitched_channels",
]

Local: TypeAlias = Literal["auto", "off", "keep"]
"""Local control of the instrument: off where keyboard and synth are one, always off, or left alone."""


class StepsDrone(msgspec.Struct, frozen=True, tag=True):
    """A drone on its own, step by step."""

    plan: DronePlan
    on: bool = True
    """Whether it is heard at the beginning."""
    volume: int | None = None
    """How loud it is meant to be, in hundredths; None: as it is planned."""

    @property
    def channels(self) -> tuple[int, ...]:
        """Channels that are its own, 1 to 16."""
        return self.plan.channels


class TablesDrone(msgspec.Struct, frozen=True, tag=True):
    """A drone that is held under the playing, and follows the tables."""

    plan: HoldPlan
    on: bool = False
    """Whether it sounds at the beginning."""
    volume: int | None = None
    """How loud it is meant to be, in hundredths; None: as usual."""

    @property
    def channels(self) -> tuple[int, ...]:
        """Channels that are its own, 1 to 16."""
        return (self.plan.channel,)


class ChordsDrone(msgspec.Struct, frozen=True, tag=True):
    """A drone that follows the charts of the plan; what it holds stands there."""

    channels: tuple[int, ...]
    """Channels that are its own, 1 to 16."""
    on: bool = False
    """Whether it sounds at the beginning."""
    volume: int | None = None
    """How loud it is meant to be, in hundredths; None: as usual."""


PlayedDrone: TypeAlias = StepsDrone | TablesDrone | ChordsDrone
"""What is held beside the keyboard, of whichever kind."""


@dataclass(frozen=True, kw_only=True)
class Playing:
    """How it is played: what people ask for, and what plans say, in the same words."""

    out_port: str | None = None
    """Part of the name of the synth's port, or `NEW_PORT`."""
    in_port: str | None = None
    """The same for the keyboard; None: there is none, or they stand in `keyboards`."""
    keyboards: tuple[Keyboard, ...] = ()
    """Several keyboards, or one of which not all plays as it comes."""
    reply_port: str | None = None
    """Port on which the synth answers, if it does."""
    system: str | None = None
    """Which MIDI system; None: the first that has the ports."""
    channels: tuple[int, ...] | None = None
    """Channels that pitched notes may use; None: the synth's, without 10."""
    controls: Controls = field(default_factory=Controls)
    """What chooses tables."""
    on_change: OnChange | None = None
    """What becomes of sounding notes when the table changes; None: as the session says, else ``now``."""
    glide_s: float = 0.5
    """How long a glide takes."""
    plain: bool = False
    """Keep modulation, chorus and celeste depth at 0."""
    local: Local = "auto"
    """What becomes of the instrument's own tempered sound."""

    @property
    def played(self) -> tuple[Keyboard, ...]:
        """What is played: every keyboard."""
        return self.keyboards or ((Keyboard(self.in_port),) if self.in_port is not None else ())

    def options(self) -> dict[str, Any]:
        """Return all of this by name."""
        return {option.name: getattr(self, option.name) for option in fields(Playing)}


@dataclass(frozen=True, kw_only=True)
class LivePlan(Playing):
    """Everything that stays the same while it plays."""

    out_port: str
    tables: tuple[PlayTable, ...]
    tonics: tuple[PlayTable, ...] = ()
    """See `bridge.engine.play.tables.TableSwitch`."""
    starts: tuple[int, ...] = ()
    """Tables with which pieces begin."""
    method: str
    """How tables reach the synth."""
    card: bool = False
    """Whether it is the sound card that plays (`bridge.live.player.sound_card`): `out_port` is its name."""
    profile: SynthProfile | None = None
    """What the synth obeys; None: any synth that obeys pitch bend."""
    on_change: OnChange = "now"
    state_dir: str | None = None
    """Where the journal of what hangs is kept; None: nowhere."""
    backing: Backing | None = None
    """A MIDI file that plays along."""
    drone: PlayedDrone | None = None
    """Notes that are held beside the keyboard."""
    track: TrackState | None = None
    """How the track goes on; None: from its beginning."""
    follow: FollowPlan | None = None
    """How the harmony is followed; None: notes are as the table has them."""
    charts: tuple[ChartPlan | None, ...] = ()
    """The chart under each table, where one is known."""
    tonic_charts: tuple[ChartPlan | None, ...] = ()
    """The same under each of the tonics."""
    chord: int = 0
    """Which chord of the chart to begin with, from 0."""
    kept: Kept | None = None
    """Which table to begin with."""
    position_s: float = 0.0
    """Where in the backing or the drone to begin."""
    own: tuple[bytes, ...] = ()
    """Parameters that the player has set before, as messages."""
    returning: bool = False
    """Whether this player replaces another: then it waits for ports that are missing."""

    @property
    def track_alone(self) -> bool:
        """Whether a track is all there is to step through: it chooses the tables itself, or there is but one."""
        return self.backing is not None and (len(self.tables) == 1 or bool(self.backing.tables))

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
