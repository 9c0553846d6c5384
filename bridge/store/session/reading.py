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
import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bridge.errors import InputProblem, StillbeatError, ValueProblem, near_names
from bridge.store.descriptions import is_path, load_guitar, load_scale, load_table
from bridge.store.finding import inside
from bridge.store.profiles import load_profile
from bridge.store.session.model import AUTO, Drone, Piece, PieceSection, Session, SessionSynth, Take, built
from bridge.store.session.parts import (
    check_method,
    piece_drone,
    read_chords,
    read_drone,
    read_paper,
    read_play,
    read_spans,
    read_transposing,
    read_trims,
    synth_names,
    take_entry,
)
from bridge.store.toml import Section, parse_toml, read_toml
from bridge.tuning.asked import DEFAULT_SCALE, Asked, NoTonic, TableWords, make_spec, read_words
from bridge.tuning.changes import Change
from bridge.tuning.frets import MAX_FRET
from bridge.tuning.guitars import Guitar
from bridge.tuning.scales import Scale
from bridge.tuning.spec import MAX_HZ, MIN_HZ, TableSpec
from bridge.wire.profile import SynthProfile

UNITS = "Hz; cents with the letter c; seconds; bars and beats from 1; channels 1 to 16; middle C = C4"
MAX_BAR = 999_999
MAX_PIECES = 999

_TEXTS = ("table", "guitar", "scale", "tonic", "home", "reference", "sounding", "slide")
_FRETS = ("fret", "capo")
_LISTS = {"degrees": "degrees", "pins": "keys"}

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,47}")
_SYNTH_FOLDERS_TAKEN = frozenset({"con", "prn", "aux", "nul"})  # names that Windows keeps for itself


def load_session(path: str | os.PathLike[str]) -> Session:
    """Read a session file.

    Raises
    ------
    InputProblem
        The file is missing or malformed, or names what does not exist; names file and line.
    """
    where = Path(path)
    return _Reader(read_toml(where), where.parent, where.name).session()


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

    reader: _Reader
    section: Section

    def guitar(self, name: str) -> Guitar:
        guitar: Guitar = self.reader.described(self.section, "guitar", load_guitar)
        return guitar

    def scale(self, name: str) -> Scale:
        scale: Scale = self.reader.described(self.section, "scale", load_scale)
        return scale

    def table(self, name: str) -> TableSpec:
        table: TableSpec = self.reader.described(self.section, "table", load_table)
        return table


class _Reader:
    """One reading of a file."""

    def __init__(self, top: Section, folder: Path, file: str) -> None:
        self.top = top
        self.folder = folder.resolve()
        self.file = file
        self.files = [file]

    def session(self) -> Session:
        top = self.top
        top.check_schema()
        top.text("units", UNITS)
        title = _line(top.text("title"))
        name = self._name(top, title)
        synths = self._synths()
        table = self._asked(top, ("guitar", "scale", "home", "reference"))
        table = replace(table, scale=table.scale or load_scale(DEFAULT_SCALE))
        drone = read_drone(top.section("drone"), Drone()) if "drone" in top else Drone()
        take = self._take(top, table.guitar)
        names = tuple(synth.name for synth in synths)
        defaults = _Defaults(table, take, drone, names)
        session = Session(
            name=name,
            title=title,
            folder=self.folder,
            file=self.file,
            pieces=self._pieces(defaults),
            synths=synths,
            guitar=table.guitar,
            reference=table.reference,
            reference_how=_line(top.text("reference_how", "")),
            take=take,
            notes=top.text("notes", "").strip(),
            transposing=read_transposing(top),
            trims=read_trims(top.section("trims")),
            live=read_play(top),
            pages=top.flag("pages", True),
            paper=read_paper(top),
            files=tuple(dict.fromkeys(self.files)),
        )
        top.refuse_others()
        return session

    # -- names and paths

    def _at(self, section: Section, key: str | None = None) -> str:
        line = section.line_of(*(() if key is None else (key,)))
        return section.where if line is None else f"{section.where}, line {line}"

    def _name(self, section: Section, title: str) -> str:
        """Return the name for files: what is written, else one made of the title."""
        if "name" not in section:
            plain = unicodedata.normalize("NFKD", title.lower()).encode("ascii", "ignore").decode("ascii")
            made = re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:48].strip("-")
            if made and made not in _SYNTH_FOLDERS_TAKEN:
                return made
            raise section.problem(
                f"no file name can be made of the title {title!r}",
                'write name = "…" in plain letters',
                "title",
            )
        name = section.text("name")
        if not _NAME.fullmatch(name) or name.lower() in _SYNTH_FOLDERS_TAKEN:
            raise section.problem(
                f"name = {name!r} cannot name files",
                "letters from a to z, digits, dashes and underscores, at most 48",
                "name",
            )
        return name

    def _path(self, section: Section, key: str, text: str) -> Path:
        """Return the file that an entry names; it must lie inside the session's folder, and exist."""
        target = inside(self.folder, text)
        if target is None:
            raise section.problem(
                f"{key} = {text!r} lies outside the folder of the session",
                "copy the file into the folder and name it from there, such as tracks/song.mid",
                key,
            )
        if not target.is_file():
            raise section.problem(f"{key} = {text!r}: there is no such file", self._near(target), key)
        self.files.append(os.path.normpath(text.strip().replace("\\", "/")).replace("\\", "/"))
        return target

    def _near(self, target: Path) -> str:
        """Suggest files of similar name, or say that the folder is missing."""
        if not target.parent.is_dir():
            return f"there is no folder {target.parent.name} in the session's folder either"
        names = [one.name for one in target.parent.iterdir() if one.suffix.lower() == target.suffix.lower()]
        return near_names(target.name, names) or "paths start from the folder of the session file"

    def described(self, section: Section, key: str, load: Callable[[str], Any]) -> Any:
        """Return what an entry names: a description by name, or a file inside the folder; None if there is none."""
        if key not in section:
            return None
        text = section.text(key)
        if not is_path(text):
            return section.convert(key, load)
        path = self._path(section, key, text)
        try:
            return load(str(path))
        except StillbeatError as problem:
            raise section.problem(problem.message.replace(str(path), text), problem.hint, key) from problem

    def _asked(self, section: Section, entries: Sequence[str]) -> Asked:
        """Read what the entries of a section say about a table."""
        said: dict[str, Any] = {
            name: section.text(name) for name in _TEXTS if name in entries and name in section
        }
        if "fret" in entries:
            said |= {name: section.whole(name, 0, MAX_FRET) for name in _FRETS if name in section}
        if "open_strings_win" in entries and "open_strings_win" in section:
            said["open_strings_win"] = section.flag("open_strings_win")
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

        return read_words(TableWords(**said), _Shelf(self, section), at)

    def _take(self, section: Section, guitar: Guitar | None) -> Take | None:
        """Return the recording that tells the reference, or all strings."""
        key = take_entry(section)
        if not key:
            return None
        text = section.text(key)
        if key == "as_tuned" and guitar is None:
            raise section.problem("as_tuned needs a guitar", 'name it: guitar = "open-d"', key)
        path = self._path(section, key, text)
        return Take(
            path,
            self.files[-1],
            key == "as_tuned",
            "reference" in section or "sounding" in section,
            self._at(section, key),
        )

    # -- synths

    def _synths(self) -> tuple[SessionSynth, ...]:
        found: list[SessionSynth] = []
        for section in self.top.sections("synths"):
            synth = self._synth(section)
            for other in found:
                if other.name.lower() == synth.name.lower():
                    raise section.problem(
                        f"a second synth {synth.name!r}",
                        f"the first: {other.at}; give it another name",
                        "name",
                    )
            found.append(synth)
        return tuple(found)

    def _synth(self, section: Section) -> SessionSynth:
        profile: SynthProfile = self.described(section, "profile", load_profile)
        if profile is None:
            raise section.problem(
                "entry 'profile' is missing", 'such as profile = "fluidsynth"; see: stillbeat tables synths'
            )
        name = self._name(section, section.text("name", profile.name) or profile.name)
        track_program = section.whole("track_program", 0, 127, profile.program)
        changes: dict[str, Any] = {
            "program": track_program,
            "device_id": section.whole("device_id", 0, 127, profile.device_id),
        }
        if "bank" in section:
            changes |= {"bank": section.whole("bank", 0, 127), "note_form": "bank", "dump_form": "bank"}
        if "channels" in section:
            wanted = read_spans(section, "channels", 1, 16)
            missing = sorted(set(wanted) - set(profile.channels))
            if missing:
                raise section.problem(
                    f"channel {missing[0]} is none that this synth receives", "", "channels"
                )
            changes["channels"] = wanted
        programs = (
            read_spans(section, "programs", 0, 127)
            if "programs" in section
            else tuple(number for number in range(128) if number != track_program)
        )
        if track_program in programs:
            raise section.problem(
                f"tuning program {track_program} is for backing tracks and cannot hold a table as well",
                "leave it out of programs, or name another with track_program",
                "programs",
            )
        method = section.text("method", AUTO)
        check_method(section, method, profile)
        synth = SessionSynth(
            name=name,
            title=_line(section.text("title", profile.title)),
            profile=replace(profile, **changes),
            method=method,
            programs=programs,
            port=section.text("port", "").strip(),
            at=self._at(section),
        )
        section.refuse_others()
        return synth

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
        title = _line(section.text("title"))
        drone = piece_drone(section, defaults.drone)
        spec, pins, follows = self._spec(section, defaults)
        take = self._take(section, spec.guitar)
        if take is not None and spec.scale is None and not take.strings:
            raise section.problem(
                "the piece's table gives every note a frequency of its own, which no reference moves",
                "leave the take out, or name a scale",
                "reference_from",
            )
        chords = read_chords(section, spec.tonic) or ()
        name = self._name(section, title)
        track = self._path(section, "track", section.text("track")) if "track" in section else None
        follow = section.flag("follow_key_signatures", False)
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
            sections=self._sections(section, drone, spec.tonic),
            track=track,
            track_text=self.files[-1] if track is not None else "",
            follow_key_signatures=follow,
            plain=section.flag("plain", False),
            drone=drone,
            notes=section.text("notes", "").strip(),
            synths=synth_names(section, defaults.synths),
            program=section.whole("program", 0, 127) if "program" in section else None,
            chords=chords,
            take=take,
            at=self._at(section),
        )
        section.refuse_others()
        return piece

    def _spec(
        self, section: Section, defaults: _Defaults
    ) -> tuple[TableSpec, tuple[tuple[int, float], ...], bool]:
        """Return the table that a piece starts with, the notes it pins, and whether its reference is the session's."""
        asked = self._asked(section, (*_TEXTS, "fret", "degrees", "keys", "open_strings_win"))
        try:
            spec = make_spec(asked, _Shelf(self, section), defaults.table)
            built(spec)
        except NoTonic as problem:
            hint = 'write tonic = "D", or name a guitar or a table, here or at the top of the file'
            raise section.problem(problem.message, hint) from problem
        except InputProblem:
            raise
        except StillbeatError as problem:
            raise section.problem(problem.message, problem.hint, _named_in(problem, section)) from problem
        shared = defaults.table.reference is not None or defaults.take is not None
        own = asked.reference is not None or asked.sounding is not None
        follows = not own and spec.scale is not None and (asked.table is None or shared)
        return spec, asked.pins, follows

    def _sections(self, piece: Section, drone: Drone, tonic: str) -> tuple[PieceSection, ...]:
        found: list[PieceSection] = []
        for section in piece.sections("sections"):
            asked = self._asked(section, ("tonic", "fret", "degrees"))
            table = section.text("table", "") if "table" in section else ""
            load = self.described(section, "table", load_table) is not None
            path = str(self.folder / table.strip()) if load and is_path(table) else table
            beat = section.number("beat", 1, 1000, 1.0)
            one = PieceSection(
                change=_change(section, beat, asked, path or None),
                title=_line(section.text("title", "")),
                drone=piece_drone(section, drone) if "drone" in section else None,
                program=section.whole("program", 0, 127) if "program" in section else None,
                table_text=table,
                chords=read_chords(section, tonic),
                at=self._at(section, "bar"),
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


def _named_in(problem: StillbeatError, section: Section) -> str | None:
    """Return the entry that a message speaks of: the first one it names."""
    return next((word for word in re.findall(r"\w+", problem.message) if word in section.data), None)


def _line(text: str) -> str:
    return " ".join(text.split())
