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
from difflib import get_close_matches
from functools import lru_cache
from pathlib import Path

from bridge.engine.play.drones.sounds import SOUND
from bridge.errors import LONG_LIST, InputProblem, ValueProblem, near_names
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import Chart
from bridge.tuning.changes import Change
from bridge.tuning.drone_notes import VOICE, drone_keys, moved_names
from bridge.tuning.guitars import Guitar
from bridge.tuning.notes import key_to_hz
from bridge.tuning.ratios import cents_to_ratio, hz_to_cents
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table
from bridge.wire.profile import SynthProfile

AUTO = "auto"
OWN = "own"
"""Folder beside a session file in a bundle: the descriptions that it names and that do not come with the program."""


@dataclass(frozen=True)
class Drone:
    """A held sound."""

    notes: tuple[str, ...] = ()  # what it holds, as `bridge.tuning.drone_notes` reads it; empty: no drone
    octave: int | None = None  # octave in which degree 1 stands; None: where it suits the voice
    seconds: float = 30.0  # length
    sound: str = SOUND  # one of `bridge.engine.play.drones.sounds.SOUNDS`
    voice: str = VOICE  # who sings to it: one of `bridge.tuning.drone_notes.VOICES`
    moved: int = 0  # semitones by which its piece is moved for a singer: notes with a name go along

    @property
    def text(self) -> str:
        """What it holds, as it sounds; ValueProblem if a note is moved beyond the 128 keys."""
        return moved_names(" ".join(self.notes), self.moved)

    def keys(self, tonic: str) -> tuple[int, ...]:
        """Return its MIDI keys over a tonic as it sounds, from the lowest to the highest; none if it has no notes.

        ValueProblem if a note lies beyond the 128 keys.
        """
        return drone_keys(self.text, tonic, self.voice, self.octave) if self.notes else ()


@dataclass(frozen=True)
class Trims:
    """Steps by which everything can be moved on the night, in cents, to both sides."""

    # How far, and by how much each time; no trims if the range is 0.
    range_cents: int = 20
    step_cents: int = 5
    tracks: bool = True  # whether backing tracks are made for every trim as well

    @property
    def cents(self) -> tuple[int, ...]:
        """All trims from the lowest to the highest, without 0."""
        steps = range(self.step_cents, self.range_cents + 1, self.step_cents)
        return (*(-step for step in reversed(steps)), *steps)


@dataclass(frozen=True)
class LiveControls:
    """How `stillbeat play` is led through the session."""

    # Keyboards that are played, as `bridge.engine.play.keyboards` reads them; none: asked for on the command line.
    inputs: tuple[str, ...] = ()
    mic: str = ""  # part of the name of the microphone that hears the reference; empty: the usual one
    card: str = ""  # part of the name of the sound card, which plays in the place of a synth's port; empty: it does not
    control_channel: int = 16  # channel whose program changes choose pieces
    # Foot switches.
    next_controller: int | None = None
    previous_controller: int | None = None
    feet: tuple[str, ...] = ()  # more of them, as `bridge.engine.play.controls.parse_feet` reads them
    drone: bool = False  # whether drones sound from the beginning, and not only once they are asked for
    on_change: str = "now"  # ``now``, ``next`` or ``glide``
    glide_s: float = 1.0  # how long a glide takes


@dataclass(frozen=True)
class Take:
    """A recording of open strings."""

    path: Path
    text: str  # the same as written
    # Whether all strings are as it has them (``as_tuned``), rather than the reference alone
    # (``reference_from``).
    strings: bool
    near: bool = False  # whether a reference stands beside it, which says about where to listen
    at: str = field(default="", compare=False, repr=False)  # where it stands


@dataclass(frozen=True)
class SessionSynth:
    """One synth of the session."""

    # As pieces and files call it, and as it is read.
    name: str
    title: str
    # What it obeys, with bank, device ID and channels as the session wants them; `SynthProfile.program`
    # is the tuning program that backing tracks use.
    profile: SynthProfile
    method: str = AUTO  # a method, or ``auto``
    programs: tuple[int, ...] = tuple(range(1, 128))  # tuning programs that may be filled with tables
    port: str = ""  # part of the name of its MIDI port; may be empty
    at: str = field(default="", compare=False, repr=False)  # where it stands


@dataclass(frozen=True)
class PieceSection:
    """Something that changes inside a piece."""

    # Bar and beat, and what changes. The path of a table is absolute.
    change: Change
    title: str = ""  # what players call it; may be empty
    drone: Drone | None = None  # another drone from there; None: none of its own
    program: int | None = None  # tuning program for its table; None: the next free one
    table_text: str = ""  # the table as it was written; may be empty
    chords: tuple[str, ...] | None = None  # chords that are played from there; None: those of the piece
    at: str = field(default="", compare=False, repr=False)  # where it stands


@dataclass(frozen=True)
class Piece:
    """One piece of the session."""

    number: int  # its place, from 1
    # As files call it, and as it is read.
    name: str
    title: str
    spec: TableSpec  # the table it starts with: home for its sections
    # MIDI keys that the piece itself holds at a frequency, in Hz; they are in its `spec` too, and stay
    # where they are when strings are listened to.
    pins: tuple[tuple[int, float], ...] = ()
    follows_reference: bool = True  # whether its reference is the session's
    sections: tuple[PieceSection, ...] = ()  # in order of bar and beat
    track: Path | None = None  # its backing track
    track_text: str = ""  # the same as written
    follow_key_signatures: bool = False  # whether key signatures of the track move the tonic
    # How the track's notes are moved by commas; None: they are as the table has them. What drones hold, stays.
    follow_harmony: FollowRequest | None = None
    plain: bool = False  # whether the track's modulation, chorus and celeste are kept at 0
    drone: Drone = Drone()  # its drone; may have no notes
    notes: str = ""  # for the players
    synths: tuple[str, ...] = ()  # names of the synths that it is for
    program: int | None = None  # tuning program for its first table; None: the next free one
    chords: tuple[str, ...] = ()  # chords that are played; empty: the common ones
    chart: Chart | None = None  # its bars of chords, where they were written; they count for what is heard
    take: Take | None = None  # a recording of its own
    heard: str = ""  # how the strings stand in it, to be read; may be empty
    at: str = field(default="", compare=False, repr=False)  # where it stands

    @property
    def stem(self) -> str:
        """The beginning of its files: ``01-name``."""
        return f"{self.number:02d}-{self.name}"


@dataclass(frozen=True)
class Session:
    """A rehearsal, lesson or concert."""

    # As files call it, and as it is read.
    name: str
    title: str
    folder: Path  # where the session file lies
    file: str
    pieces: tuple[Piece, ...]  # in order
    synths: tuple[SessionSynth, ...] = ()  # in order; may be empty
    guitar: Guitar | None = None  # the guitar of the session
    reference: Reference | None = None  # its reference, if one is given
    reference_how: str = ""  # how it was got, in a few words; may be empty
    take: Take | None = None  # the recording that tells it
    # How the strings stand in it, to be read; empty where the take tells the reference alone, or is yet
    # to be heard.
    heard: str = ""
    notes: str = ""  # for everybody
    transposing: tuple[str, ...] = ()  # instruments whose players ask for their own notes, such as ``Bb``
    trims: Trims = Trims()
    live: LiveControls = LiveControls()
    pages: bool = True  # whether pages to print are made
    paper: str = "a4"  # paper of those that are PDF: ``a4`` or ``letter``
    # Every file of the folder that it needs, the session file first, as written, with ``/``.
    files: tuple[str, ...] = ()
    # Descriptions that it names and that do not come with the program, by what each is called in `OWN`.
    own: tuple[tuple[str, Path], ...] = field(default=(), compare=False)
    missing: tuple[str, ...] = ()  # tracks that are not there, where nobody needs them, each in a sentence

    def synth(self, name: str) -> SessionSynth:
        """Return the synth of a name."""
        for synth in self.synths:
            if synth.name == name:
                return synth
        raise ValueProblem(f"unknown synth {name!r}", near_names(name, [one.name for one in self.synths]))

    def piece(self, text: str) -> Piece:
        """Return the piece of a number, of a name or title, or the only one whose title begins like that.

        Raises
        ------
        ValueProblem
            There is none, or there are several; lists those that are near.
        """
        wanted = " ".join(text.casefold().split())
        named = [(piece.name.casefold(), " ".join(piece.title.casefold().split())) for piece in self.pieces]
        exact = [
            piece
            for piece, names in zip(self.pieces, named, strict=True)
            if wanted in (str(piece.number), *names)
        ]
        found = exact or [
            piece
            for piece, names in zip(self.pieces, named, strict=True)
            if wanted and any(name.startswith(wanted) for name in names)
        ]
        if len(found) == 1:
            return found[0]
        if found:
            shown = ", ".join(f"{piece.number} {piece.title}" for piece in found)
            raise ValueProblem(f"several pieces begin with {text!r}: {shown}", "write its number")
        raise ValueProblem(f"there is no piece {text!r}", self._near_pieces(wanted))

    def _near_pieces(self, wanted: str) -> str:
        """List the pieces nearest to a title or number that is none."""
        if wanted.lstrip("-").isdecimal():
            last = self.pieces[-1]
            return f"{self.title} has {len(self.pieces)}, from 1 {self.pieces[0].title} to {last.number} {last.title}"
        titles = {piece.title.casefold(): piece for piece in self.pieces}
        near = get_close_matches(wanted, titles, n=3, cutoff=0.4)
        near += [title for title in titles if wanted in title and title not in near]
        pieces = [titles[title] for title in near] or self.pieces[:LONG_LIST]
        shown = ", ".join(f"{piece.number} {piece.title}" for piece in pieces)
        more = len(self.pieces) - len(pieces)
        return (
            f"did you mean {shown}?"
            if near
            else f"there are: {shown}" + (f", and {more} more" if more else "")
        )

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

    ValueProblem if the reference would lie more than 600 cents from its note.
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
