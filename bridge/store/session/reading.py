"""Reading a session file: TOML to a `Session`, with file and line in every error.

Conventions
-----------
The schema stands in ``tables/README.md``. What is said at the top of the file holds for every piece that does not say
otherwise: guitar, scale, home, reference, drone. What the words of a piece make of it stands in `bridge.tuning.asked`.

A take (``reference_from``, ``as_tuned``) is only named here; `bridge.jobs.session.takes` listens to it. Until then the
reference is the one that stands beside it, or the guitar's own.

Every path is relative to the folder of the session file and must stay inside it, symbolic links followed, so that a
session can be handed on as one folder.

Index
-----
`load_session` from a path · `session_from_toml` from text
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bridge.errors import InputProblem, StillbeatError, ValueProblem
from bridge.store.descriptions import is_path, load_guitar, load_scale, load_table
from bridge.store.finding import descriptions_beside
from bridge.store.session.finder import Finder
from bridge.store.session.model import OWN, Drone, Piece, PieceSection, Session, Take, built
from bridge.store.session.parts import (
    piece_drone,
    read_chart,
    read_chords,
    read_drone,
    read_follow,
    read_paper,
    read_play,
    read_transposing,
    read_trims,
    synth_names,
    take_entry,
)
from bridge.store.session.synths import read_synths
from bridge.store.toml import Section, parse_toml, read_toml
from bridge.tuning.asked import DEFAULT_SCALE, Asked, NoTonic, TableWords, make_spec, read_words
from bridge.tuning.changes import Change
from bridge.tuning.chords.names import moved_chord
from bridge.tuning.frets import MAX_FRET
from bridge.tuning.guitars import Guitar
from bridge.tuning.scales import Scale
from bridge.tuning.spec import MAX_HZ, MIN_HZ, TableSpec
from bridge.tuning.transposing import MOST_SEMITONES

UNITS = "Hz; cents with the letter c; seconds; bars and beats from 1; channels 1 to 16; middle C = C4"
MAX_BAR = 999_999
MAX_PIECES = 999

_TEXTS = ("table", "guitar", "scale", "tonic", "home", "reference", "sounding", "slide")
_FRETS = ("fret", "capo")
_FLAGS = ("open_strings_win", "keep_shapes")
_LISTS = {"degrees": "degrees", "pins": "keys"}


def load_session(path: str | os.PathLike[str], to_play: bool = False) -> Session:
    """Read a session file.

    InputProblem if the file is missing or malformed, or names what does not exist; names file and line.

    Parameters
    ----------
    to_play : bool
        Whether tracks may be missing that nobody needs who plays it himself; `Session.missing` names them then.
    """
    where = Path(path)
    return _Reader(read_toml(where), where.parent, where.name, to_play).session()


def session_from_toml(text: str, folder: Path, file: str = "session.toml") -> Session:
    """Read a session from the text of a file that lies (or would lie) in `folder`."""
    return _Reader(parse_toml(text.encode("utf-8"), file), folder, file).session()


@dataclass(frozen=True)
class _Defaults:
    """What pieces take over from the top of the file."""

    table: Asked
    take: Take | None
    drone: Drone
    synths: tuple[str, ...]


@dataclass(frozen=True)
class _Shelf:
    """Finds what the entries of a section name: descriptions by name, or files inside the session's folder."""

    finder: Finder
    section: Section

    def guitar(self, name: str) -> Guitar:
        guitar: Guitar = self.finder.described(self.section, "guitar", load_guitar)
        return guitar

    def scale(self, name: str) -> Scale:
        scale: Scale = self.finder.described(self.section, "scale", load_scale)
        return scale

    def table(self, name: str) -> TableSpec:
        table: TableSpec = self.finder.described(self.section, "table", load_table)
        return table


class _Reader:
    """One reading of a file."""

    def __init__(self, top: Section, folder: Path, file: str, to_play: bool = False) -> None:
        self.top = top
        self.finder = Finder(folder, file)
        self.file = file
        self.to_play = to_play
        self.missing: list[str] = []

    def session(self) -> Session:
        with descriptions_beside(self.finder.folder / OWN) as used:
            session = self._session()
        return replace(session, own=tuple(sorted(used.items())))

    def _session(self) -> Session:
        top = self.top
        top.check_schema()
        top.text("units", UNITS)
        title = top.line("title")
        name = self.finder.name(top, title)
        synths = read_synths(top, self.finder)
        table = self._asked(top, ("guitar", "scale", "home", "reference"))
        table = replace(table, scale=table.scale or load_scale(DEFAULT_SCALE))
        drone = read_drone(top.section("drone"), Drone()) if "drone" in top else Drone()
        take = self._take(top, table.guitar)
        names = tuple(synth.name for synth in synths)
        defaults = _Defaults(table, take, drone, names)
        session = Session(
            name=name,
            title=title,
            folder=self.finder.folder,
            file=self.file,
            pieces=self._pieces(defaults),
            synths=synths,
            guitar=table.guitar,
            reference=table.reference,
            reference_how=top.line("reference_how", ""),
            take=take,
            notes=top.text("notes", "").strip(),
            transposing=read_transposing(top),
            trims=read_trims(top.section("trims")),
            live=read_play(top),
            pages=top.flag("pages", True),
            paper=read_paper(top),
            files=tuple(dict.fromkeys(self.finder.files)),
            missing=tuple(self.missing),
        )
        top.refuse_others()
        return session

    def _asked(self, section: Section, entries: Sequence[str]) -> Asked:
        """Read what the entries of a section say about a table."""
        said: dict[str, Any] = {
            name: section.text(name) for name in _TEXTS if name in entries and name in section
        }
        if "fret" in entries:
            said |= {name: section.whole(name, 0, MAX_FRET) for name in _FRETS if name in section}
        said |= {name: section.flag(name) for name in _FLAGS if name in entries and name in section}
        if "transpose" in entries and "transpose" in section:
            said["transpose"] = section.whole("transpose", -MOST_SEMITONES, MOST_SEMITONES)
        said |= {word: _pairs(section, entry) for word, entry in _LISTS.items() if entry in entries}

        @contextmanager
        def at(word: str, item: str) -> Iterator[None]:
            try:
                yield
            except InputProblem:  # says where already
                raise
            except StillbeatError as problem:
                where, key = (section.section(_LISTS[word]), item) if word in _LISTS else (section, word)
                raise where.problem(f"{key}: {problem.message}", problem.hint, key) from problem

        return read_words(TableWords(**said), _Shelf(self.finder, section), at)

    def _take(self, section: Section, guitar: Guitar | None) -> Take | None:
        """Return the recording that tells the reference, or all strings."""
        key = take_entry(section)
        if not key:
            return None
        text = section.text(key)
        if key == "as_tuned" and guitar is None:
            raise section.problem("as_tuned needs a guitar", 'name it: guitar = "open-d"', key)
        path = self.finder.path(section, key, text)
        return Take(
            path,
            self.finder.files[-1],
            key == "as_tuned",
            "reference" in section or "sounding" in section,
            self.finder.at(section, key),
        )

    # -- pieces

    def _pieces(self, defaults: _Defaults) -> tuple[Piece, ...]:
        sections = self.top.sections("pieces")
        if not sections:
            raise self.top.problem("the session has no piece", "begin each with a line [[pieces]]")
        if len(sections) > MAX_PIECES:
            raise self.top.problem(f"{len(sections)} pieces", f"a session has at most {MAX_PIECES}", "pieces")
        found: dict[str, Piece] = {}
        for number, section in enumerate(sections, 1):
            piece = self._piece(section, number, defaults)
            other = found.setdefault(piece.name.lower(), piece)
            if other is not piece:
                raise section.problem(
                    f"a second piece {piece.name!r}",
                    f"the first: {other.at}; give it a name of its own: name = {piece.name + '-2'!r}",
                    "name" if "name" in section else "title",
                )
        return tuple(found.values())

    def _piece(self, section: Section, number: int, defaults: _Defaults) -> Piece:
        title = section.line("title")
        spec, pins, follows = self._spec(section, defaults)
        drone = piece_drone(section, replace(defaults.drone, moved=spec.transposed))
        take = self._take(section, spec.guitar)
        if take is not None and spec.scale is None and not take.strings:
            raise section.problem(
                "the piece's table gives every note a frequency of its own, which no reference moves",
                "leave the take out, or name a scale",
                "reference_from",
            )
        chart, chords = read_chart(section, spec.tonic)
        sounding = built(spec).tonic
        name = self.finder.name(section, title)
        follow = section.flag("follow_key_signatures", False)
        track = self._track(section, title, follow)
        if follow and track is None:
            raise section.problem(
                "there is no track whose key signatures to follow", "", "follow_key_signatures"
            )
        piece = Piece(
            number=number,
            name=name,
            title=title,
            spec=replace(spec, name=name),
            pins=pins,
            follows_reference=follows and take is None,
            sections=self._sections(section, drone, spec),
            track=track,
            track_text=self.finder.files[-1] if track is not None else "",
            follow_key_signatures=follow,
            follow_harmony=read_follow(section, follow),
            plain=section.flag("plain", False),
            drone=drone,
            notes=section.text("notes", "").strip(),
            synths=synth_names(section, defaults.synths),
            program=section.whole("program", 0, 127) if "program" in section else None,
            chords=tuple(moved_chord(name, spec.transposed, sounding) for name in chords),
            chart=chart,
            take=take,
            at=self.finder.at(section),
        )
        section.refuse_others()
        return piece

    def _track(self, section: Section, title: str, needed: bool) -> Path | None:
        """Return the backing track of a piece; None where there is none, or it is missing and nobody needs it."""
        if "track" not in section:
            return None
        text = section.text("track")
        if self.to_play and not needed and not self.finder.there(text):
            self.missing.append(f"{title}: there is no file {text.strip()}, its backing track")
            return None
        return self.finder.path(section, "track", text)

    def _spec(
        self, section: Section, defaults: _Defaults
    ) -> tuple[TableSpec, tuple[tuple[int, float], ...], bool]:
        """Return the table that a piece starts with, the notes it pins, and whether its reference is the session's."""
        asked = self._asked(section, (*_TEXTS, "fret", "degrees", "keys", "transpose", *_FLAGS))
        try:
            spec = make_spec(asked, _Shelf(self.finder, section), defaults.table)
            built(spec)
        except NoTonic as problem:
            hint = 'write tonic = "D", or name a guitar or a table, here or at the top of the file'
            raise section.problem(problem.message, hint) from problem
        except InputProblem:
            raise
        except StillbeatError as problem:
            raise section.problem(
                problem.message, problem.hint, section.named_in(problem.message)
            ) from problem
        shared = defaults.table.reference is not None or defaults.take is not None
        own = asked.reference is not None or asked.sounding is not None
        follows = not own and spec.scale is not None and (asked.table is None or shared)
        return spec, asked.pins, follows

    def _sections(self, piece: Section, drone: Drone, spec: TableSpec) -> tuple[PieceSection, ...]:
        found: list[PieceSection] = []
        for section in piece.sections("sections"):
            asked = self._asked(section, ("tonic", "fret", "degrees"))
            table = section.text("table", "") if "table" in section else ""
            load = self.finder.described(section, "table", load_table) is not None
            path = str(self.finder.folder / table.strip()) if load and is_path(table) else table
            beat = section.number("beat", 1, 1000, 1.0)
            one = PieceSection(
                change=_change(section, beat, asked, path or None),
                title=section.line("title", ""),
                drone=piece_drone(section, drone) if "drone" in section else None,
                program=section.whole("program", 0, 127) if "program" in section else None,
                table_text=table,
                chords=_moved_chords(read_chords(section, spec.tonic), spec),
                at=self.finder.at(section, "bar"),
            )
            section.refuse_others()
            if found and _place(one) <= _place(found[-1]):
                raise section.problem(
                    f"{one.change.place} does not follow {found[-1].change.place}",
                    "sections stand in order",
                    "bar",
                )
            found.append(one)
        return tuple(found)


def _moved_chords(names: tuple[str, ...] | None, spec: TableSpec) -> tuple[str, ...] | None:
    if names is None:
        return None
    return tuple(moved_chord(name, spec.transposed, built(spec).tonic) for name in names)


def _change(section: Section, beat: float, asked: Asked, table: str | None) -> Change:
    """Make the change of a section; it may also change nothing, and only have a title or a drone."""
    bar = section.whole("bar", 1, MAX_BAR)
    try:
        return Change(bar, beat, asked.tonic, asked.degrees, asked.fret, table)
    except ValueProblem as problem:
        raise section.problem(problem.message, problem.hint, "table") from problem


def _place(section: PieceSection) -> tuple[int, float]:
    return section.change.bar, section.change.beat


def _pairs(section: Section, key: str) -> tuple[str, ...]:
    """Write the entries of a section as words: ``b7 = "7/4"`` as ``b7=7/4``, ``"F#3" = 183.1`` as ``F#3=183.1``."""
    inner = section.section(key)
    if key == "keys":
        return tuple(f"{name}={inner.number(name, MIN_HZ, MAX_HZ)!r}" for name, _ in inner.entries())
    return tuple(f"{name}={inner.text(name)}" for name, _ in inner.entries())
