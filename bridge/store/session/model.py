"""A session: the pieces of a rehearsal, lesson or concert in order, each with its table, and where it goes.

These are values; `bridge.store.session.reading` reads them from a file and `bridge.store.session.new` writes a first
one. What is built of them is decided in `bridge.jobs`.

Conventions
-----------
Names stand at the beginning of files: letters, digits, dashes, underscores, each once whatever its case. Channels are 1
to 16, tuning programs 0 to 127, bars and beats count from 1. Paths are absolute here and lie inside the folder of the
session file; ``*_text`` is a path as it was written, with ``/``. ``at`` says where something stands in the file
(``evening.toml, line 12``), for messages that come up later; it is no part of the value.

A take is a recording that tells the reference, or how all strings are tuned. Here it is only named;
`bridge.jobs.session.takes` listens to it and puts what is heard in the place of what was written.

The home of a piece is its `spec`: tonics of its sections take their pitch from it. A piece whose `follows_reference` is
true has the session's reference, so that one measurement moves them all (`Session.with_reference`).

Index
-----
`Session` · `Piece`, `PieceSection` · `SessionSynth` · `Drone`, `Trims`, `LiveControls`, `Take` ·
`built`, `moved_spec` · `problem_at`
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import lru_cache
from pathlib import Path

from bridge.engine.play.drone_sounds import SOUND
from bridge.errors import InputProblem, ValueProblem, near_names
from bridge.harmony.asked import FollowRequest
from bridge.tuning.changes import Change
from bridge.tuning.drone_notes import VOICE, drone_keys
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import key_to_hz
from bridge.tuning.ratios import cents_to_ratio, hz_to_cents
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table
from bridge.wire.profile import SynthProfile

AUTO = "auto"


@dataclass(frozen=True)
class Drone:
    """A held sound.

    Attributes
    ----------
    notes : tuple of str
        What it holds, as `bridge.tuning.drone_notes` reads it; empty: no drone.
    octave : int or None
        Octave in which degree 1 stands; None: where it suits the voice.
    seconds : float
        Length.
    sound : str
        One of `bridge.engine.play.drone_sounds.SOUNDS`.
    voice : str
        Who sings to it: one of `bridge.tuning.drone_notes.VOICES`.
    """

    notes: tuple[str, ...] = ()
    octave: int | None = None
    seconds: float = 30.0
    sound: str = SOUND
    voice: str = VOICE

    def keys(self, tonic: str) -> tuple[int, ...]:
        """Return its MIDI keys over a tonic as it sounds, from the lowest to the highest; none if it has no notes.

        Raises
        ------
        ValueProblem
            A note lies beyond the 128 keys.
        """
        return drone_keys(" ".join(self.notes), tonic, self.voice, self.octave) if self.notes else ()


@dataclass(frozen=True)
class Trims:
    """Steps by which everything can be moved on the night, in cents, to both sides.

    Attributes
    ----------
    range_cents, step_cents : int
        How far, and by how much each time; no trims if the range is 0.
    tracks : bool
        Whether backing tracks are made for every trim as well.
    """

    range_cents: int = 20
    step_cents: int = 5
    tracks: bool = True

    @property
    def cents(self) -> tuple[int, ...]:
        """All trims from the lowest to the highest, without 0."""
        steps = range(self.step_cents, self.range_cents + 1, self.step_cents)
        return (*(-step for step in reversed(steps)), *steps)


@dataclass(frozen=True)
class LiveControls:
    """How `stillbeat play` is led through the session.

    Attributes
    ----------
    input : str
        Part of the name of the port that is played; empty: asked for on the command line.
    control_channel : int
        Channel whose program changes choose pieces.
    next_controller, previous_controller : int or None
        Foot switches.
    on_change : str
        ``now``, ``next`` or ``glide``.
    glide_s : float
        How long a glide takes.
    """

    input: str = ""
    control_channel: int = 16
    next_controller: int | None = None
    previous_controller: int | None = None
    on_change: str = "now"
    glide_s: float = 1.0


@dataclass(frozen=True)
class Take:
    """A recording of open strings.

    Attributes
    ----------
    path : Path
    text : str
        The same as written.
    strings : bool
        Whether all strings are as it has them (``as_tuned``), rather than the reference alone (``reference_from``).
    near : bool
        Whether a reference stands beside it, which says about where to listen.
    at : str
        Where it stands.
    """

    path: Path
    text: str
    strings: bool
    near: bool = False
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True)
class SessionSynth:
    """One synth of the session.

    Attributes
    ----------
    name, title : str
        As pieces and files call it, and as it is read.
    profile : SynthProfile
        What it obeys, with bank, device ID and channels as the session wants them; `SynthProfile.program` is the tuning
        program that backing tracks use.
    method : str
        A method, or ``auto``.
    programs : tuple of int
        Tuning programs that may be filled with tables.
    port : str
        Part of the name of its MIDI port; may be empty.
    at : str
        Where it stands.
    """

    name: str
    title: str
    profile: SynthProfile
    method: str = AUTO
    programs: tuple[int, ...] = tuple(range(1, 128))
    port: str = ""
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True)
class PieceSection:
    """Something that changes inside a piece.

    Attributes
    ----------
    change : Change
        Bar and beat, and what changes. The path of a table is absolute.
    title : str
        What players call it; may be empty.
    drone : Drone or None
        Another drone from there; None: none of its own.
    program : int or None
        Tuning program for its table; None: the next free one.
    table_text : str
        The table as it was written; may be empty.
    chords : tuple of str or None
        Chords that are played from there; None: those of the piece.
    at : str
        Where it stands.
    """

    change: Change
    title: str = ""
    drone: Drone | None = None
    program: int | None = None
    table_text: str = ""
    chords: tuple[str, ...] | None = None
    at: str = field(default="", compare=False, repr=False)


@dataclass(frozen=True)
class Piece:
    """One piece of the session.

    Attributes
    ----------
    number : int
        Its place, from 1.
    name, title : str
        As files call it, and as it is read.
    spec : TableSpec
        The table it starts with: home for its sections.
    pins : tuple of (int, float)
        MIDI keys that the piece itself holds at a frequency, in Hz; they are in its `spec` too, and stay where they
        are when strings are listened to.
    follows_reference : bool
        Whether its reference is the session's.
    sections : tuple of PieceSection
        In order of bar and beat.
    track : Path or None
        Its backing track.
    track_text : str
        The same as written.
    follow_key_signatures : bool
        Whether key signatures of the track move the tonic.
    follow_harmony : FollowRequest or None
        How the track's notes are moved by commas; None: they are as the table has them. What its drones hold, stays.
    plain : bool
        Whether the track's modulation, chorus and celeste are kept at 0.
    drone : Drone
        Its drone; may have no notes.
    notes : str
        For the players.
    synths : tuple of str
        Names of the synths that it is for.
    program : int or None
        Tuning program for its first table; None: the next free one.
    chords : tuple of str
        Chords that are played; empty: the common ones.
    take : Take or None
        A recording of its own.
    heard : str
        How the strings stand in it, to be read; may be empty.
    at : str
        Where it stands.
    """

    number: int
    name: str
    title: str
    spec: TableSpec
    pins: tuple[tuple[int, float], ...] = ()
    follows_reference: bool = True
    sections: tuple[PieceSection, ...] = ()
    track: Path | None = None
    track_text: str = ""
    follow_key_signatures: bool = False
    follow_harmony: FollowRequest | None = None
    plain: bool = False
    drone: Drone = Drone()
    notes: str = ""
    synths: tuple[str, ...] = ()
    program: int | None = None
    chords: tuple[str, ...] = ()
    take: Take | None = None
    heard: str = ""
    at: str = field(default="", compare=False, repr=False)

    @property
    def stem(self) -> str:
        """The beginning of its files: ``01-name``."""
        return f"{self.number:02d}-{self.name}"


@dataclass(frozen=True)
class Session:
    """A rehearsal, lesson or concert.

    Attributes
    ----------
    name, title : str
        As files call it, and as it is read.
    folder : Path
        Where the session file lies.
    file : str
        Its name there.
    pieces : tuple of Piece
        In order.
    synths : tuple of SessionSynth
        In order; may be empty.
    guitar : Guitar or None
        The guitar of the session.
    reference : Reference or None
        Its reference, if one is given.
    reference_how : str
        How it was got, in a few words; may be empty.
    take : Take or None
        The recording that tells it.
    heard : str
        How the strings stand in it, to be read; empty where the take tells the reference alone, or is yet to be heard.
    notes : str
        For everybody.
    transposing : tuple of str
        Instruments whose players ask for their own notes, such as ``Bb``.
    pages : bool
        Whether pages to print are made.
    paper : str
        Paper of those that are PDF: ``a4`` or ``letter``.
    trims : Trims
    live : LiveControls
    files : tuple of str
        Every file of the folder that it needs, the session file first, as written, with ``/``.
    """

    name: str
    title: str
    folder: Path
    file: str
    pieces: tuple[Piece, ...]
    synths: tuple[SessionSynth, ...] = ()
    guitar: Guitar | None = None
    reference: Reference | None = None
    reference_how: str = ""
    take: Take | None = None
    heard: str = ""
    notes: str = ""
    transposing: tuple[str, ...] = ()
    trims: Trims = Trims()
    live: LiveControls = LiveControls()
    pages: bool = True
    paper: str = "a4"
    files: tuple[str, ...] = ()

    def synth(self, name: str) -> SessionSynth:
        """Return the synth of a name."""
        for synth in self.synths:
            if synth.name == name:
                return synth
        raise ValueProblem(f"unknown synth {name!r}", near_names(name, [one.name for one in self.synths]))

    def piece(self, name: str) -> Piece:
        """Return the piece of a name or number."""
        for piece in self.pieces:
            if name in (piece.name, str(piece.number)):
                return piece
        raise ValueProblem(f"unknown piece {name!r}", near_names(name, [one.name for one in self.pieces]))

    def with_reference(self, reference: Reference) -> Session:
        """Return the session with another reference, which all pieces follow that follow the session's.

        Where strings are as a take has them, they all move as far as the reference does.
        """
        strings = self.take is not None and self.take.strings

        def moved(spec: TableSpec) -> TableSpec:
            if strings and spec.key_overrides:
                before = spec.reference.hz / key_to_hz(spec.reference.key)
                spec = moved_spec(spec, hz_to_cents(reference.hz / key_to_hz(reference.key), before))
            return replace(spec, reference=reference)

        pieces = tuple(
            replace(piece, spec=moved(piece.spec)) if piece.follows_reference else piece
            for piece in self.pieces
        )
        return replace(self, reference=reference, pieces=pieces)

    def trimmed(self, cents: float) -> Session:
        """Return the session with every table moved by so many cents, whatever its reference."""
        pieces = tuple(replace(piece, spec=moved_spec(piece.spec, cents)) for piece in self.pieces)
        moved = None
        if self.reference is not None:
            moved = Reference(self.reference.key, self.reference.hz * cents_to_ratio(cents))
        return replace(self, reference=moved, pieces=pieces)


def built(spec: TableSpec) -> Table:
    """Return the table of a spec; pieces of a session often share one, so the last few hundred are kept.

    The name of the table is left out.
    """
    return _built(replace(spec, name=""))


@lru_cache(maxsize=512)
def _built(spec: TableSpec) -> Table:
    return build_table(spec)


def moved_spec(spec: TableSpec, cents: float) -> TableSpec:
    """Return a table that lies so many cents higher: its reference and its single keys.

    Raises
    ------
    ValueProblem
        The reference would lie more than 600 cents from its note.
    """
    factor = cents_to_ratio(cents)
    return replace(
        spec,
        reference=Reference(spec.reference.key, spec.reference.hz * factor),
        key_overrides=tuple((key, hz * factor) for key, hz in spec.key_overrides),
    )


def problem_at(at: str, message: str, hint: str = "") -> InputProblem:
    """Return an error about something of a session, with the place where it stands, to be raised."""
    return InputProblem(f"{at}: {message}" if at else message, hint)
