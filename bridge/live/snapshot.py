"""One snapshot of a performance for everybody who shows it: the terminal, plain lines, a page.

Whatever is shown stands here, in words and figures; nobody who shows it works anything out from elsewhere. All names
of notes are spelled by the tonic that holds.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, NamedTuple, TypeAlias

from bridge.live.state import Counts, Lesson

Link: TypeAlias = Literal[
    "starting", "ok", "synth gone", "keyboard gone", "loop", "server gone", "restarting"
]
"""Whether what is played is heard, and if not, why."""

Kind: TypeAlias = Literal["said", "alarm", "healed", "engine"]
"""Something to know; something is wrong; it is well again; something that only concerns how it is done."""

DroneState: TypeAlias = Literal["none", "off", "on", "waiting"]
"""None here; off; on; on, but silent until the listening is over."""


class Message(NamedTuple):
    """Something that the musician should know."""

    number: int
    """They are counted from 1, so that nobody shows one twice."""
    at_s: float
    """When it was said, in seconds since 1970."""
    kind: Kind
    text: str


class NoteShown(NamedTuple):
    """A note that somebody plays."""

    name: str
    cents: float
    """From equal temperament at A4 = 440 Hz."""
    channel: int


@dataclass(frozen=True)
class DroneShown:
    """The drone under the playing."""

    state: DroneState = "none"
    """None here; off; on; on, but silent until the listening is over."""
    notes: tuple[str, ...] = ()
    """What it holds, or would hold."""
    cents: tuple[float, ...] = ()
    """How far each note that sounds lies from equal temperament at A4 = 440 Hz."""
    volume: float = 0.0
    """How far it has risen, 0 to 1."""


class PartShown(NamedTuple):
    """Who plays in a track."""

    name: str
    muted: bool = False


@dataclass(frozen=True)
class TrackShown:
    """The track that plays along."""

    name: str = ""
    bars: int = 0
    """How many it has; 0 where it has none."""
    loop: tuple[int, int] | None = None
    """First and last bar of what it repeats."""
    tempo: float = 1.0
    """How fast, 1 being the file's own."""
    paused: bool = False
    count_in: int = 0
    """Beats until it begins."""
    parts: tuple[PartShown, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Snapshot:
    """What holds at one moment."""

    at_s: float = 0.0
    """When, in seconds since 1970."""
    link: Link = "starting"
    keyboard: str = ""
    synth: str = ""
    """Names of the ports; the keyboard's is empty where there is none."""
    keyboards: tuple[str, ...] = ()
    """Where there are several, or not all of one plays: what each is called, and what of it plays."""
    gone: tuple[str, ...] = ()
    """Names of the keyboards that are gone, or are not heard because of a loop."""
    method: str = ""
    instrument: str = ""
    """What the synth is."""
    reference: str = ""
    """Note of the reference; empty where it is not known."""
    reference_hz: float = 0.0
    """What it sounds now, moves and trim included."""
    tonic: str = ""
    table: str = ""
    """The table that holds, in words."""
    number: int = 0
    """Which of the tables, from 1."""
    tables: tuple[str, ...] = ()
    """Names of all of them; empty in a session, which has pieces."""
    of_zone: bool = False
    """Whether a key of the zone chose it, and not its number."""
    equal: bool = False
    """Whether equal temperament sounds, for comparison."""
    trim_cents: float = 0.0
    piece: str = ""
    piece_number: int = 0
    pieces: int = 0
    """Title and number of the piece, and how many there are; empty and 0 outside sessions."""
    section: str = ""
    tuning: str = ""
    """The guitar's tuning and its capo, in words; empty where no guitar was named."""
    remarks: tuple[str, ...] = ()
    """What the session says to the musicians, of this piece and of the evening."""
    next: str = ""
    then: str = ""
    """What comes next; and where that is a section, the next piece."""
    last: bool = False
    """Whether nothing comes any more."""
    drone: DroneShown = field(default_factory=DroneShown)
    listening_s: float | None = None
    """Seconds that the microphone will still be listened to; None while it is not."""
    chord: str = ""
    """Which chord sounds, and which of its notes the harmony has moved; empty where nothing makes a chord."""
    chart_now: str = ""
    chart_next: str = ""
    """Which chord of a chart is now, and which comes next; empty without a chart."""
    chart_at: int = 0
    """Which chord of the chart is now, from 0."""
    sounding: tuple[NoteShown, ...] = ()
    beats: str = ""
    """How fast the drone, or else the lowest note, and the highest one beat."""
    partials: str = ""
    """Which of their partials meet, such as 5 : 4."""
    messages: tuple[Message, ...] = ()
    """The last ones."""
    feet: tuple[str, ...] = ()
    """What feet and silent keys do."""
    keys: tuple[str, ...] = ()
    """What can be typed."""
    drone_volume: int | None = None
    """How loud the drone is meant to be, in hundredths; None where there is none."""
    bar: int | None = None
    """Where in the track it is."""
    bars_left: int | None = None
    """Bars, this one counted, until what comes next comes; where nothing does, until the track or its loop ends."""
    track: TrackShown | None = None
    counts: Counts = field(default_factory=Counts)
    lesson: Lesson | None = None
    """The drone that goes through steps."""
    engine: bool = False
    """Whether somebody asked to see what the engine does."""
    about_engine: tuple[str, ...] = ()
    """Why it does that."""
    addresses: tuple[str, ...] = ()
    """Where the page is. They may hold secrets: they are for this terminal alone, and never go to a browser."""
    code: tuple[str, ...] = ()
    """The first of them as a code to scan, in blocks; the same holds for it."""
