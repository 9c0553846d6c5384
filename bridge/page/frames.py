"""What the program that plays and the process that serves its page say to each other: typed frames, as JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import msgspec

from bridge.engine.play.tables import PlayTable
from bridge.live.desk.singer import SingerSeen
from bridge.live.desk.tuner import TunerSeen
from bridge.live.frames import Refused
from bridge.live.practise.seen import PractiseSeen
from bridge.live.snapshot import Snapshot
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.aims import StringAim

Command: TypeAlias = Literal["play", "drone", "tune", "sing", "practise", "page"]


@dataclass(frozen=True, kw_only=True)
class Stand:
    """What stays the same while the page is served."""

    command: Command
    """Which command it is the page of."""
    actions: tuple[str, ...] = ()
    """What may be asked (`bridge.page.actions`)."""
    spec: TableSpec | None = None
    """The table that it began with, where there is one."""
    tables: tuple[PlayTable, ...] = ()
    tonics: tuple[PlayTable, ...] = ()
    """All that can be switched to."""
    references_hz: tuple[float, ...] = ()
    """What the reference of each of `tables` was in the beginning."""
    aims: tuple[StringAim, ...] = ()
    """What the strings are tuned to; empty where nobody listens to them."""
    reference_string: int = 0
    pure: tuple[tuple[float, str], ...] = ()
    """What a voice is set against: Hz and name of the table's notes."""
    sung_degrees: tuple[str, ...] = ()
    """The notes of a drone that are brought in one by one."""
    last_bar: int | None = None
    """Of the track."""


class Serve(msgspec.Struct, frozen=True, tag=True, kw_only=True):
    """Begin to serve."""

    stand: Stand
    port: int = 0
    """0: one that is free."""
    lan: bool = False
    """Whether others in the network may come, with a secret in the address."""
    look: str = ""
    act: str = ""
    """Secrets in the address: who may look, and who may also act. Both empty: this computer only."""
    token: str = ""
    """What our own page sends with an action; no other page knows it."""


class Show(msgspec.Struct, frozen=True, tag=True):
    """How things are now."""

    snapshot: Snapshot


class ShowTuner(msgspec.Struct, frozen=True, tag=True):
    """What the tuner hears now."""

    seen: TunerSeen
    aims: tuple[StringAim, ...] = ()
    """What the strings are tuned to now; empty: as in the beginning."""
    reference_string: int = 0


class ShowSinger(msgspec.Struct, frozen=True, tag=True):
    """What is sung now."""

    seen: SingerSeen
    line: tuple[tuple[float, float], ...] = ()
    """The pitch of the last seconds: how long ago, and Hz; 0 Hz where it breaks."""


class ShowPractise(msgspec.Struct, frozen=True, tag=True):
    """How practising stands now."""

    seen: PractiseSeen


class Leave(msgspec.Struct, frozen=True, tag=True):
    """Say goodbye to the browsers, and end."""


ToPage: TypeAlias = Serve | Show | ShowTuner | ShowSinger | ShowPractise | Leave


class Serving(msgspec.Struct, frozen=True, tag=True):
    """It listens on a port."""

    port: int


class Alive(msgspec.Struct, frozen=True, tag=True):
    """A sign of life."""


class Asked(msgspec.Struct, frozen=True, tag=True):
    """Somebody at a browser asks for something."""

    action: str
    number: float = 0.0
    words: dict[str, str] = msgspec.field(default_factory=dict)
    """Of a table, where the tuner is asked to listen for one."""


FromPage: TypeAlias = Serving | Refused | Alive | Asked
