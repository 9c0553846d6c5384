"""Pages of a session to print or to read: a sheet for every piece, and all of them together with a page before them.

Each comes as HTML and as PDF in ``pages/``: ``01-song.html``, ``01-song.pdf``, ``session.html``, ``session.pdf``, and
``session-singer-violin.html`` and ``.pdf``. A session of more than 20 pieces comes in parts of 20,
``session-001-020.html`` and so on, so that one change does not make all of it again. What stands on them is decided in
`bridge.jobs.session.paper.sheets`, how they look in `bridge.sheet`.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from importlib import metadata, resources
from pathlib import Path
from typing import Any

from bridge.jobs.session.manifest import Manifest, fingerprint
from bridge.jobs.session.paper.panel import PanelEntry, panel_rows
from bridge.jobs.session.paper.retuning import Retuned, retunings
from bridge.jobs.session.paper.sheets import piece_sheet, session_info
from bridge.jobs.session.piece import write_made
from bridge.jobs.session.plan import PiecePlan, SessionPlan
from bridge.jobs.session.synth import Made
from bridge.sheet.content.sheets import PAGE, VOICES, WHOLE
from bridge.sheet.html import sheet_html
from bridge.sheet.letters import missing_letters
from bridge.sheet.paper import sheet_pdf
from bridge.sheet.records import PieceSheet, SessionInfo

PAGES = "pages"
SHEET = "sheet to print"
"""Task of a piece; names of synths hold no spaces."""

MOST_PIECES = 20
_MOST_LETTERS = 12
_LIBRARIES = ("jinja2", "typst")
_TEMPLATES = ("page.css", "page.html.jinja", "page.typ")


@dataclass(frozen=True)
class PageJob:
    """A page to be made."""

    task: str  # name of its task
    stem: str  # its files' path in the bundle, without the ending
    pieces: tuple[PieceSheet, ...]  # what stands on it
    session: SessionInfo | None  # what stands on the page before them
    paper: str  # ``a4`` or ``letter``, for the PDF
    facts: Mapping[str, Any]  # what the manifest says of it
    root: Path  # folder to write into
    form: str = WHOLE  # as of `bridge.sheet.content.sheets`


def run_page(job: PageJob) -> tuple[dict[str, dict[str, Any]], list[str]]:
    """Make a page as HTML and PDF; return the facts of its files by path, and notices."""
    text = sheet_html(job.pieces, job.session, job.form)
    html = text.encode("utf-8")
    pdf = sheet_pdf(job.pieces, job.session, job.paper, job.form)
    facts = {"what": "page", **job.facts}
    made = [Made(f"{job.stem}.html", html, facts), Made(f"{job.stem}.pdf", pdf, facts)]
    missing = missing_letters(text)
    notices = []
    if missing:
        shown = missing if len(missing) <= _MOST_LETTERS else f"{missing[:_MOST_LETTERS]}…"
        notices.append(
            f"{job.stem}.pdf has no letters for {shown} and shows boxes; print {job.stem}.html from a browser instead"
        )
    return write_made(job.root, made), notices


def missing_for_pages() -> str:
    """Return the library that pages need and that is not installed; empty if all are there."""
    return next((name for name in _LIBRARIES if importlib.util.find_spec(name) is None), "")


class Sheets:
    """What stands on the pages of a session; each thing is worked out when it is first asked for.

    Parameters
    ----------
    manifest : Manifest
        Every file of the bundle but the pages themselves.
    """

    def __init__(self, plan: SessionPlan, manifest: Manifest) -> None:
        self.plan = plan
        self._manifest = manifest
        self._files: dict[int, dict[str, dict[str, Any]]] = {}
        for path, facts in manifest.files.items():
            if "piece" in facts:
                self._files.setdefault(facts["piece"], {})[path] = facts
        self._pieces: dict[int, PieceSheet] = {}

    @cached_property
    def panels(self) -> dict[tuple[int, int], PanelEntry | None]:
        """What is entered at a panel, by piece and table: as the first synth that has one takes it."""
        found: dict[tuple[int, int], PanelEntry | None] = {}
        for synth in self.plan.synths:
            if synth.synth.profile.panel:
                for one, step, entry in panel_rows(self.plan, synth):
                    found.setdefault((one.piece.number, step.table), entry)
        return found

    @cached_property
    def retuned(self) -> Mapping[int, Retuned]:
        """What is done to the guitar before each piece, by its number."""
        return retunings(self.plan)

    @cached_property
    def info(self) -> SessionInfo:
        """What stands on the first page."""
        return session_info(self.plan, self._manifest)

    def piece(self, one: PiecePlan) -> PieceSheet:
        """Return what stands on the sheet of a piece."""
        number = one.piece.number
        if number not in self._pieces:
            files = Manifest(files=self._files.get(number, {}))
            self._pieces[number] = piece_sheet(self.plan, one, files, self.panels, self.retuned[number])
        return self._pieces[number]

    def piece_key(self, one: PiecePlan) -> str:
        """Return a digest of all that stands on the sheet of a piece."""
        files = self._files.get(one.piece.number, {})
        tracks = [
            path for path, facts in files.items() if facts["what"] == "track" and "trim_cents" not in facts
        ]
        drones = [path for path, facts in files.items() if facts["what"] == "drone"]
        retuned = self.retuned[one.piece.number]
        return piece_page_key(self.plan, one, self.panels, retuned, [*tracks, *drones])


def page_parts(plan: SessionPlan) -> list[tuple[str, tuple[PiecePlan, ...]]]:
    """Return the parts in which the whole session comes: the name of each, and its pieces."""
    pieces = plan.pieces
    if len(pieces) <= MOST_PIECES:
        return [("session", pieces)]
    parts = []
    for start in range(0, len(pieces), MOST_PIECES):
        some = pieces[start : start + MOST_PIECES]
        parts.append((f"session-{some[0].piece.number:03d}-{some[-1].piece.number:03d}", some))
    return parts


def voices_stem(part: str) -> str:
    """Return the name of the singer's and violinist's sheet of a part."""
    return f"{part}-singer-violin"


def page_form(stem: str, piece: bool) -> str:
    """Return the form in which a page is set, from its name."""
    return PAGE if piece else VOICES if stem.endswith(voices_stem("")) else WHOLE


def piece_page_key(
    plan: SessionPlan,
    one: PiecePlan,
    panels: Mapping[tuple[int, int], PanelEntry | None],
    retuned: Retuned,
    files: Sequence[str],
) -> str:
    """Return a digest of all that stands on the page of a piece.

    Parameters
    ----------
    panels : mapping of (int, int) to PanelEntry or None
        What is entered at a panel, by piece and table.
    retuned : Retuned
        What is done to the guitar before it.
    files : sequence of str
        Paths of its tracks and drones.
    """
    piece = one.piece
    numbers = range(len(one.tables))
    return fingerprint(
        "page",
        _versions(),
        (plan.session.paper, plan.session.transposing),
        (piece.stem, piece.title, piece.notes, piece.heard, one.tables),
        [(step.label, step.place, step.what, step.title, step.table, step.chords) for step in one.steps],
        [
            (
                (synth.synth.name, synth.synth.title, synth.synth.profile.panel, synth.recalls, synth.method),
                [synth.programs.get((piece.number, number)) for number in numbers],
                [(piece.number, number) in synth.left_out for number in numbers],
            )
            for synth in plan.synths
            if synth.synth.name in piece.synths
        ],
        [panels.get((piece.number, number)) for number in numbers],
        retuned,
        [step.drone for step in one.steps],
        piece.drone,
        sorted(files),
    )


@cache
def _versions() -> tuple[str, ...]:
    """Return the versions of the libraries, and the templates, which have a say in what pages look like."""
    folder = resources.files("bridge.sheet")
    templates = tuple((folder / name).read_text(encoding="utf-8") for name in _TEMPLATES)
    return (*(metadata.version(name) for name in _LIBRARIES), fingerprint(templates))


def part_key(info: SessionInfo, keys: Sequence[str]) -> str:
    """Return a digest of all that stands on the pages of a part: the page before them, and those of its pieces."""
    return fingerprint("pages", info, list(keys))
