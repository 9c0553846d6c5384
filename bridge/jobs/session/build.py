"""Building a session: everything that players and synths need, in one folder to hand out.

The work is laid out in tasks (`bridge.jobs.session.piece`); what has not changed since the bundle that is there already
is taken over from it, the rest is done by as many processes as the machine has cores. The bundle takes the place of
the old one in one step, or not at all (`bridge.jobs.session.folder`). The same session gives the same bytes.

Index
-----
`build_session`, `Built`
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bridge.children import undisturbed
from bridge.engine.report import spans
from bridge.errors import InputProblem, OutputProblem
from bridge.jobs.session.check import doubts, off_lines
from bridge.jobs.session.differs import differences
from bridge.jobs.session.folder import FolderBuild, write_zip
from bridge.jobs.session.manifest import NAME as MANIFEST
from bridge.jobs.session.manifest import SESSION_FOLDER, Manifest, Task, fingerprint, session_facts
from bridge.jobs.session.paper.pages import (
    PAGES,
    SHEET,
    PageJob,
    Sheets,
    missing_for_pages,
    page_form,
    page_parts,
    part_key,
    run_page,
    voices_stem,
)
from bridge.jobs.session.paper.panel import panel_files
from bridge.jobs.session.paper.text import NAME as PAGE
from bridge.jobs.session.paper.text import start_here
from bridge.jobs.session.piece import MUSIC, TABLES, OnTheWay, PieceJob, run_piece, task_name, write_made
from bridge.jobs.session.plan import PiecePlan, SessionPlan, SynthPlan, plan_session
from bridge.jobs.session.sound import reference_name, reference_wav
from bridge.jobs.session.synth import Made, back_to_equal, load_everything, track_request, trim_folder
from bridge.jobs.session.takes import open_session
from bridge.jobs.session.workers import Crew, cores
from bridge.sheet.records import PieceSheet, SessionInfo
from bridge.store.files import check_output, open_atomic, read_bytes
from bridge.store.session.drift import with_reference
from bridge.store.session.model import OWN, Session
from bridge.store.syx import parse_syx
from bridge.tuning.off_guitar import OFF

REFERENCE = "reference"
SHARED = "shared"

_PIECES_SHARE = 0.8
"""How much of the whole work the pieces themselves are, for the progress bar."""

_WORTH_PAGES = 8
"""Fewer pages than that are made sooner than other processes have started."""

Progress = Callable[[str, float], None]


@dataclass(frozen=True)
class Built:
    """What a build did."""

    folder: Path  # the bundle
    zip: Path | None  # the zip file beside it
    plan: SessionPlan
    manifest: Manifest
    # Tasks that were done, and those whose files were taken over; small ones that are always done do not
    # count.
    done: int
    reused: int
    removed: tuple[str, ...] = ()  # files of the old bundle that the session no longer makes
    differs: tuple[str, ...] = ()  # what differs from the old bundle, for those who have its pages

    @property
    def notices(self) -> list[str]:
        """What players should know, a line each; what is the same for several pieces or synths is said once."""
        said: dict[str, tuple[dict[int, None], dict[str, None]]] = {}
        for one in self.plan.pieces:
            for name in one.piece.synths:
                for text in self.manifest.tasks[task_name(one.piece.stem, name)].notices:
                    if text.startswith(OFF):  # it is said of the piece, whoever plays it
                        continue
                    numbers, names = said.setdefault(text, ({}, {}))
                    numbers[one.piece.number] = names[name] = None
        return (
            [
                *doubts(self.plan.session),
                *off_lines(self.plan),
            ]
            + [
                f"piece{'s' * (len(numbers) > 1)} {spans(numbers)}, {', '.join(names)}: {text}"
                for text, (numbers, names) in said.items()
            ]
            + [text for name in self._page_tasks() for text in self.manifest.tasks[name].notices]
        )

    @property
    def music(self) -> dict[int, tuple[str, ...]]:
        """How pure the track of each piece is and what would raise that, by number of the piece."""
        found = {}
        for one in self.plan.pieces:
            task = self.manifest.tasks.get(task_name(one.piece.stem, MUSIC))
            if task is not None and task.notices:
                found[one.piece.number] = tuple(task.notices)
        return found

    def _page_tasks(self) -> list[str]:
        """Return the tasks of pages that were done, or were told why not."""
        names = [PAGES, *(task_name(one.piece.stem, SHEET) for one in self.plan.pieces)]
        names += [name for name, _ in page_parts(self.plan)]
        return [name for name in names if name in self.manifest.tasks]


def build_session(
    file: Path,
    folder: Path,
    *,
    overwrite: bool = False,
    zipped: bool = False,
    processes: int | None = None,
    progress: Progress | None = None,
    reference: str | None = None,
    beforehand: Progress | None = None,
) -> Built:
    """Build the bundle of a session.

    Parameters
    ----------
    folder : Path
        The bundle; appears whole, or stays as it was.
    overwrite : bool
        Whether a bundle that is there is brought up to date.
    zipped : bool
        Whether ``FOLDER.zip`` is written beside it.
    processes : int, optional
        How many to use; all cores where left out. 1 does everything in this process. With more, a script that calls
        this keeps its own work under ``if __name__ == "__main__":``, for the others read it as well.
    progress : callable, optional
        Called with what was done last and how much is done, 0 to 1.
    reference : str, optional
        What the reference sounds by now, as a musician writes it, in the place of what the session file says; the file
        itself stays as it is, its copy in the bundle says this.
    beforehand : callable, optional
        Called with the title of a piece and the seconds that it takes to follow its harmony, where that takes long.

    Raises
    ------
    InputProblem
        The session file or something it names is missing or wrong; names file and line.
    OutputProblem
        The folder cannot be written, or holds something that no build made.
    """
    text = None
    if reference is not None:
        text = with_reference(_text_of(file), reference, str(file))
    session = open_session(file, text)
    archive = folder.with_name(f"{folder.name}.zip") if zipped else None
    if archive is not None:
        check_output(archive, overwrite=overwrite)
    _keep_apart(session, folder)
    plan = plan_session(session)
    with FolderBuild(folder, overwrite) as build:
        work = _Work(plan, build, progress, text, beforehand)
        work.run(processes or cores())
        (build.root / MANIFEST).write_bytes(work.manifest.dumps())
        with ExitStack() as zipping:
            if archive is not None:
                stream = zipping.enter_context(open_atomic(archive, overwrite))
                write_zip(stream, build.root, folder.name, [*work.manifest.files, MANIFEST])
            with undisturbed():  # both appear, or neither
                build.publish()
                zipping.close()
        old = build.old
    removed = tuple(sorted(set(old.files) - set(work.manifest.files))) if old else ()
    differs = differences(old, work.manifest) if old else ()
    return Built(folder, archive, plan, work.manifest, work.done, work.reused, removed, differs)


def _text_of(file: Path) -> str:
    try:
        return read_bytes(file).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputProblem(f"{file} is no text", "save it as text (UTF-8)") from None


def _keep_apart(session: Session, folder: Path) -> None:
    """Refuse a bundle that would take the place of the session itself."""
    target = folder.resolve()
    if session.folder == target or session.folder.is_relative_to(target):
        raise OutputProblem(
            f"{folder} holds the session file itself",
            "name a folder of its own for the bundle, such as bundle",
        )
    for name in session.files:
        if (session.folder / name).resolve().is_relative_to(target):
            raise OutputProblem(
                f"{folder} holds {name}, which the session needs", "name a folder of its own for the bundle"
            )


class _Work:
    """The tasks of one build."""

    def __init__(
        self,
        plan: SessionPlan,
        build: FolderBuild,
        progress: Progress | None,
        text: str | None,
        beforehand: Progress | None,
    ) -> None:
        self.plan = plan
        self.session = plan.session
        self.build = build
        self.progress, self.beforehand = progress, beforehand
        self.text = (
            text  # what stands in the bundle's copy of the session file; None: what stands in the file
        )
        self.manifest = Manifest(session=session_facts(plan))
        self.done = self.reused = 0
        self.old_files = build.old.by_task() if build.old is not None else {}

    def run(self, processes: int) -> None:
        # What belongs to the whole session is done here while other processes are at work on the rest.
        with Crew(processes) as crew:
            pieces = self._pieces(crew)
            self._task(REFERENCE, fingerprint("reference", sorted(self._references())), self._reference_files)
            pieces()
            pages = self._pages(crew)
            self._shared()
            pages()
        text = start_here(self.plan, self.manifest).encode("utf-8")
        self._enter(PAGE, "", write_made(self.build.root, [Made(PAGE, text, {"what": "text"})]), [])
        self._tell(self.session.title, 1.0)

    def _tell(self, name: str, done: float) -> None:
        if self.progress is not None:
            self.progress(name, done)

    def _pieces(self, crew: Crew) -> Callable[[], None]:
        """Begin with tables, drones, and what every synth gets, piece by piece; return what waits for them."""
        keys = self._keys()
        jobs = [job for job in (self._job(one, keys) for one in self.plan.pieces) if job is not None]
        titles = {job.plan.piece.number: job.plan.piece.title for job in jobs}
        shares = dict.fromkeys(titles, 0.0)

        def heard(said: OnTheWay) -> None:
            if said.search_s and self.beforehand is not None:
                self.beforehand(titles[said.number], said.search_s)
            shares[said.number] = max(shares[said.number], said.share)
            self._tell(titles[said.number], _PIECES_SHARE * sum(shares.values()) / len(jobs))

        begun = crew.run(run_piece, jobs, len(jobs), say=heard)

        def wait() -> None:
            for job, outcome in begun:
                for name, files in outcome.files.items():
                    self._enter(name, keys[name], files, outcome.notices[name])
                heard(OnTheWay(job.plan.piece.number, 1.0))

        return wait

    def _keys(self) -> dict[str, str]:
        """Return the key of every task of the pieces."""
        keys = {}
        trims = self.session.trims
        for one in self.plan.pieces:
            piece = one.piece
            track = self._track_digest(piece.track_text)
            drones = [(step.label, step.table, step.drone) for step in one.steps]
            wanted = track_request(piece)
            follow = (
                wanted.follow_harmony,
                None if wanted.chart is None else str(wanted.chart),
                wanted.drones,
            )
            steps = [(step.label, step.place, step.table) for step in one.steps]
            changes = [
                replace(section.change, table=section.table_text or None) for section in piece.sections
            ]
            keys[task_name(piece.stem, TABLES)] = fingerprint(
                "tables",
                (piece.stem, one.tables, drones, piece.drone, steps),
                (follow, changes, track) if wanted.chart is not None else (),
            )
            if track:
                keys[task_name(piece.stem, MUSIC)] = fingerprint(
                    "music", (one.tables, steps, changes, track), (piece.follow_key_signatures, follow)
                )
            for synth in self._synths(one):
                numbers = range(len(one.tables))
                keys[task_name(piece.stem, synth.synth.name)] = fingerprint(
                    "synth",
                    (piece.stem, piece.title, one.tables, steps, changes, track),
                    (piece.follow_key_signatures, follow, piece.plain),
                    (synth.synth.name, synth.synth.profile, synth.synth.method),
                    (synth.method, synth.shifts, trims),
                    [synth.programs.get((piece.number, number)) for number in numbers],
                    [synth.left_out.get((piece.number, number)) for number in numbers],
                )
        return keys

    def _track_digest(self, name: str) -> str:
        if not name:
            return ""
        return hashlib.sha256(read_bytes(self.session.folder / name)).hexdigest()

    def _synths(self, one: PiecePlan) -> list[SynthPlan]:
        return [synth for synth in self.plan.synths if synth.synth.name in one.piece.synths]

    def _job(self, one: PiecePlan, keys: Mapping[str, str]) -> PieceJob | None:
        """Return what is left to do for a piece; take over what is not."""
        stem = one.piece.stem
        name = task_name(stem, TABLES)
        tables = not self._reused(name, keys[name])
        name = task_name(stem, MUSIC)
        music = name in keys and not self._reused(name, keys[name])
        synths = tuple(
            synth
            for synth in self._synths(one)
            if not self._reused(name := task_name(stem, synth.synth.name), keys[name])
        )
        if not tables and not music and not synths:
            return None
        return PieceJob(one, tables, music, synths, self.session.trims, self.build.root)

    def _reused(self, name: str, key: str) -> bool:
        """Take over the files of a task that has not changed; False if there is something to do."""
        old = self.build.old
        if old is None or name not in old.tasks or old.tasks[name].key != key:
            return False
        files = self.old_files.get(name, {})
        for path, facts in files.items():
            try:
                content = (self.build.target / path).read_bytes()
            except OSError:
                return False
            if hashlib.sha256(content).hexdigest() != facts["sha256"]:
                return False
        for path in files:
            self.build.reuse(path)
        self.manifest.files.update(files)
        self.manifest.tasks[name] = Task(key, list(old.tasks[name].notices))
        self.reused += 1
        return True

    def _enter(self, name: str, key: str, files: Mapping[str, dict[str, Any]], notices: list[str]) -> None:
        for path, facts in files.items():
            if path in self.manifest.files:
                raise AssertionError(f"{path} is made twice")
            self.manifest.files[path] = {**facts, "task": name}
        self.manifest.tasks[name] = Task(key, notices)
        self.done += bool(key)

    # -- what belongs to the whole session

    def _shared(self) -> None:
        made = [*self._loads(), *self._copies()]
        for synth in self.plan.synths:
            made += [
                *back_to_equal(synth),
                *(panel_files(self.plan, synth) if synth.synth.profile.panel else []),
            ]
        self._enter(SHARED, "", write_made(self.build.root, made), [])

    def _pages(self, crew: Crew) -> Callable[[], None]:
        """Begin with pages for every piece and for the whole session; return what waits for them."""
        if not self.session.pages:
            return lambda: None
        missing = missing_for_pages()
        if missing:
            told = f"no pages to print: {missing} is not installed (pip install 'stillbeat[sheets]')"
            self._enter(PAGES, "", {}, [told])
            return lambda: None
        sheets = Sheets(self.plan, self.manifest)
        keys = {task_name(one.piece.stem, SHEET): sheets.piece_key(one) for one in self.plan.pieces}
        parts = page_parts(self.plan)
        for name, some in parts:
            key = part_key(sheets.info, [keys[task_name(one.piece.stem, SHEET)] for one in some])
            keys[name] = keys[voices_stem(name)] = key
        asked = {name for name in keys if not self._reused(name, keys[name])}

        def jobs() -> Iterator[PageJob]:
            """Whole parts first: what takes long comes last to nobody."""
            for part, some in parts:
                for name in (part, voices_stem(part)):
                    if name in asked:
                        yield self._page(
                            name, name, tuple(sheets.piece(one) for one in some), sheets.info, {}
                        )
            for one in self.plan.pieces:
                if (name := task_name(one.piece.stem, SHEET)) in asked:
                    facts = {"piece": one.piece.number, "step": ""}
                    yield self._page(name, one.piece.stem, (sheets.piece(one),), None, facts)

        begun = crew.run(run_page, jobs(), len(asked), _WORTH_PAGES)

        def wait() -> None:
            for finished, (job, (files, letters)) in enumerate(begun, 1):
                self._enter(job.task, keys[job.task], files, letters)
                self._tell(job.stem, _PIECES_SHARE + (1 - _PIECES_SHARE) * finished / len(asked))

        return wait

    def _page(
        self,
        task: str,
        stem: str,
        pieces: tuple[PieceSheet, ...],
        info: SessionInfo | None,
        facts: dict[str, Any],
    ) -> PageJob:
        form = page_form(stem, info is None)
        return PageJob(
            task, f"{PAGES}/{stem}", pieces, info, self.session.paper, facts, self.build.root, form
        )

    def _task(self, name: str, key: str, make: Callable[[], Iterable[Made]]) -> None:
        if not self._reused(name, key):
            self._enter(name, key, write_made(self.build.root, make()), [])

    def _references(self) -> dict[str, Any]:
        """Return every reference of the session by the name of its file."""
        found = {}
        for piece in self.session.pieces:
            spec = piece.spec
            found[f"reference/{reference_name(spec.reference, spec.home)}"] = spec.reference
        return found

    def _reference_files(self) -> list[Made]:
        return [
            Made(path, reference_wav(reference), {"what": "reference"})
            for path, reference in sorted(self._references().items())
        ]

    def _loads(self) -> Iterator[Made]:
        """The files that load everything, for every synth and trim."""
        for synth in self.plan.synths:
            mine = [one for one in self.plan.pieces if synth.synth.name in one.piece.synths]
            if not mine:
                continue
            for cents in (0, *self.session.trims.cents):
                sysex = []
                for one in mine if synth.recalls else ():
                    path = f"{trim_folder(cents)}/{synth.synth.name}/{one.piece.stem}.syx"
                    sysex.append(parse_syx((self.build.root / path).read_bytes(), path))
                yield from load_everything(synth, mine, sysex, cents)

    def _copies(self) -> Iterator[Made]:
        """The session file and every file that it names."""
        for name in self.session.files:
            changed = self.text is not None and name == self.session.files[0]
            data = (
                self.text.encode("utf-8") if changed and self.text else read_bytes(self.session.folder / name)
            )
            yield Made(f"{SESSION_FOLDER}/{name}", data, {"what": "source"})
        for name, path in self.session.own:
            yield Made(f"{SESSION_FOLDER}/{OWN}/{name}", read_bytes(path), {"what": "source"})
