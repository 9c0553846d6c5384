"""The test that suits each file of a bundle: it is decoded and compared with the tables of the session.

What a tuning program holds, what the channels of a synth would sound, note by note what a track sounds like, the
frequencies of a drone: by `read` and `hear` beside this. Every file's hash is compared with the manifest's, so that
damage on the way is found as well; what is of no kind named here is compared by hash only.

Index: `Checker`, `FileVerdict`.
"""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.errors import StillbeatError
from bridge.jobs.read import read_table
from bridge.jobs.retune import tables_of
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.paper.pages import (
    PAGES,
    Sheets,
    missing_for_pages,
    page_form,
    page_parts,
    voices_stem,
)
from bridge.jobs.session.paper.panel import CLASSES
from bridge.jobs.session.paper.text import start_here
from bridge.jobs.session.plan import PiecePlan, SessionPlan, SynthPlan
from bridge.jobs.session.reading_back.hear import hear_track
from bridge.jobs.session.reading_back.read import (
    Verdict,
    channel_verdict,
    half_step_cents,
    lifted_hz,
    listener,
    messages_of,
    program_verdict,
    wav_verdict,
)
from bridge.jobs.session.sound import reference_name
from bridge.jobs.session.synth import EQUAL_HZ, moved_hz, resets_synth, track_request, trim_folder
from bridge.jobs.transposed import transposed_midi
from bridge.sheet.html import sheet_html
from bridge.store.files import read_bytes
from bridge.store.session.model import built
from bridge.store.smf import midi_bytes, parse_midi, read_midi
from bridge.store.syx import parse_syx
from bridge.tuning.tables import build_table

SAME_CENTS = 1e-3
"""So far what is heard in a track may differ from what the build said of it: nothing, but for rounding."""

DESCRIBED_CENTS = 1e-5
"""Tables for people and scripts hold all digits; CSV rounds nothing that matters."""


@dataclass(frozen=True)
class FileVerdict:
    """What became of one file."""

    path: str
    what: str  # what kind of file it is
    compared: str  # with what, or how, it was compared, in a few words
    # Largest distance and what is allowed; None where only hashes or texts are compared.
    worst_cents: float | None = None
    limit_cents: float | None = None
    problem: str = ""  # what is wrong; empty if nothing is


class Checker:
    """The tests of one bundle."""

    def __init__(self, folder: Path, manifest: Manifest, plan: SessionPlan) -> None:
        self.folder = folder
        self.manifest = manifest
        self.plan = plan
        self.pieces = {one.piece.number: one for one in plan.pieces}
        self.synths = {one.synth.name: one for one in plan.synths}
        self._hz: dict[tuple[int, int, int], list[float]] = {}
        self._loaded: dict[str, list[bytes]] = {}
        self._sheets = Sheets(plan, manifest)
        self._tests: dict[str, Callable[[str, bytes, dict[str, Any]], FileVerdict]] = {
            "csv": self._description,
            "json": self._description,
            "description": self._description,
            "tables": self._tables,
            "setup": self._setup,
            "recall": self._recall,
            "load": self._load,
            "equal": self._equal,
            "track": self._track,
            "panel": self._panel,
            "drone": self._drone,
            "reference": self._reference,
            "text": self._text,
            "page": self._page,
        }

    def wanted(self) -> set[str]:
        """Return the files without which a bundle of this session is not complete."""
        wanted = set()
        for one in self.plan.pieces:
            for table in range(len(one.tables)):
                stem = one.first_step(table).stem(one.piece)
                wanted |= {f"tables/{stem}.{ending}" for ending in ("csv", "json", "table.toml")}
            for synth in self.plan.synths:
                if synth.synth.name in one.piece.synths and synth.recalls:
                    folder = f"synths/{synth.synth.name}"
                    wanted |= {f"{folder}/{one.piece.stem}.{ending}" for ending in ("syx", "setup.mid")}
                    wanted |= {f"{folder}/{step.stem(one.piece)}.recall.mid" for step in one.steps}
                    wanted |= {f"{folder}/load-everything.{ending}" for ending in ("syx", "mid")}
        return wanted

    def check(self, path: str) -> FileVerdict:
        facts = self.manifest.files[path]
        what = str(facts.get("what", ""))
        try:
            data = read_bytes(self.folder / path)
        except StillbeatError as problem:
            return FileVerdict(path, what, "", problem=problem.message)
        if hashlib.sha256(data).hexdigest() != facts["sha256"]:
            return FileVerdict(path, what, "its SHA-256 sum", problem="it is not what the build wrote")
        test = self._tests.get(what)
        if test is None:
            return FileVerdict(path, what, "its SHA-256 sum")
        try:
            return test(path, data, facts)
        except StillbeatError as problem:
            return FileVerdict(path, what, "", problem=str(problem))
        except KeyError as key:
            return FileVerdict(path, what, "", problem=f"the session has no {key}")

    # -- what is expected

    def hz(self, piece: int, table: int, cents: int = 0) -> list[float]:
        """Return the frequencies of a table, moved by a trim."""
        where = (piece, table, cents)
        if where not in self._hz:
            self._hz[where] = moved_hz(self.pieces[piece].tables[table], cents)
        return self._hz[where]

    def _step_table(self, facts: dict[str, Any]) -> tuple[PiecePlan, int]:
        plan = self.pieces[facts["piece"]]
        steps = {step.label: step.table for step in plan.steps}
        return plan, steps[facts.get("step", "")]

    def _synth(self, facts: dict[str, Any]) -> SynthPlan:
        return self.synths[facts["synth"]]

    def _limit(self, synth: SynthPlan) -> float:
        return half_step_cents(synth.method, synth.synth.profile)

    def loaded(self, synth: SynthPlan, cents: int = 0) -> list[bytes]:
        """Return what a synth has received when everything was loaded."""
        path = f"{trim_folder(cents)}/{synth.synth.name}/load-everything.mid"
        if path not in self._loaded:
            there = path in self.manifest.files
            self._loaded[path] = messages_of(read_midi(self.folder / path)) if there else []
        return self._loaded[path]

    # -- tests

    def _description(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        plan, table = self._step_table(facts)
        found = build_table(read_table(self.folder / path).spec).hz.tolist()
        wanted = self.hz(plan.piece.number, table)
        worst = max(abs(1200.0 * math.log2(one / other)) for one, other in zip(found, wanted, strict=True))
        return self._said(path, facts, "128 pitches", Verdict(worst, DESCRIBED_CENTS))

    def _tables(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        synth = self._synth(facts)
        receiver = listener(parse_syx(data, path))
        cents = int(facts.get("trim_cents", 0))
        if synth.recalls:
            verdict = self._programs(synth, receiver, [self.pieces[facts["piece"]]], cents)
            return self._said(path, facts, "what its tuning programs hold", verdict)
        plan, table = self._step_table(facts)
        hz = self._sent_hz(synth, plan.piece.number, table, cents)
        clamped = synth.method != "octave"
        verdict = channel_verdict(receiver, synth.channels, hz, self._limit(synth), clamped)
        return self._said(path, facts, "what every channel sounds", verdict)

    def _sent_hz(self, synth: SynthPlan, number: int, table: int, cents: int) -> list[float]:
        """Return what is sent for a table: higher by half a step to a synth that rounds down."""
        lift_cents = synth.synth.profile.lift_cents
        return [lifted_hz(key, hz, lift_cents) for key, hz in enumerate(self.hz(number, table, cents))]

    def _programs(self, synth: SynthPlan, receiver: Any, pieces: Sequence[PiecePlan], cents: int) -> Verdict:
        verdict = Verdict(0.0, self._limit(synth))
        for plan in pieces:
            number = plan.piece.number
            for table in range(len(plan.tables)):
                profile = synth.profile_for(number, table)
                form = profile.dump_form if synth.method == "dump" else profile.note_form
                bank = profile.bank if form == "bank" else 0
                verdict = verdict.worse(
                    program_verdict(
                        receiver,
                        bank,
                        profile.program,
                        self._sent_hz(synth, number, table, cents),
                        self._limit(synth),
                    )
                )
        return verdict

    def _sounding(self, path: str, facts: dict[str, Any], messages: list[bytes]) -> FileVerdict:
        """Compare what every channel sounds after some messages with the table of a step."""
        synth = self._synth(facts)
        plan, table = self._step_table(facts)
        hz = self._sent_hz(synth, plan.piece.number, table, int(facts.get("trim_cents", 0)))
        clamped = synth.method != "octave"
        verdict = channel_verdict(listener(messages), synth.channels, hz, self._limit(synth), clamped)
        return self._said(path, facts, "what every channel sounds", verdict)

    def _setup(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        return self._sounding(path, facts, messages_of(parse_midi(data, path)))

    def _recall(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        loaded = self.loaded(self._synth(facts))
        return self._sounding(path, facts, [*loaded, *messages_of(parse_midi(data, path))])

    def _load(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        synth = self._synth(facts)
        cents = int(facts.get("trim_cents", 0))
        sysex = path.endswith(".syx")
        messages = parse_syx(data, path) if sysex else messages_of(parse_midi(data, path))
        if not synth.method:
            verdict = channel_verdict(listener(messages), synth.channels, EQUAL_HZ, 0.0, False)
            return self._said(path, facts, "bends centred", verdict)
        mine = [one for one in self.plan.pieces if synth.synth.name in one.piece.synths]
        receiver = listener(messages)
        if synth.recalls:
            verdict = self._programs(synth, receiver, mine, cents)
            compared = "what its tuning programs hold"
            if sysex:
                return self._said(path, facts, compared, verdict)
        else:
            verdict, compared = Verdict(0.0, self._limit(synth)), "what every channel sounds"
        hz = self._sent_hz(synth, mine[0].piece.number, 0, cents)
        clamped = synth.method != "octave"
        verdict = verdict.worse(channel_verdict(receiver, synth.channels, hz, self._limit(synth), clamped))
        return self._said(path, facts, compared, verdict)

    def _equal(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        synth = self._synth(facts)
        receiver = listener([*self.loaded(synth), *messages_of(parse_midi(data, path))])
        verdict = channel_verdict(receiver, synth.channels, EQUAL_HZ, 0.0, False)
        return self._said(path, facts, "equal temperament on every channel", verdict)

    def _track(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        synth = self._synth(facts)
        plan = self.pieces[facts["piece"]]
        piece, method = plan.piece, str(facts["method"])
        if piece.track is None:
            return FileVerdict(path, "track", "", problem="the piece has no track")
        if not method:
            same = data == midi_bytes(transposed_midi(read_midi(piece.track), piece.spec.transposed))
            return FileVerdict(
                path, "track", "the track as it was", problem="" if same else "it is another one"
            )
        cents = int(facts.get("trim_cents", 0))
        source = read_midi(piece.track)
        heard, receiver = hear_track(
            transposed_midi(source, piece.spec.transposed),
            parse_midi(data, path),
            tables_of(source, track_request(piece, cents)),
            method,
            synth.synth.profile,
            self.loaded(synth, cents),
        )
        problem = "; ".join(heard.problems)
        if not problem and heard.notes != facts.get("notes"):
            problem = f"{heard.notes} notes are heard, {facts.get('notes')} were retuned"
        if not problem and heard.exact < facts.get("exact", 0):  # what lasts no tick is not heard as off
            problem = f"{heard.exact} notes are exact, {facts.get('exact')} should be"
        told = float(facts.get("worst_cents", 0.0))
        limit = told + SAME_CENTS
        if not problem and heard.worst_cents > limit:
            problem = f"a note is {heard.worst_cents:.4f} cents off, {told:.4f} is what the build said"
        if not problem and synth.recalls and not resets_synth(source):
            verdict = self._programs(
                synth,
                receiver,
                [one for one in self.plan.pieces if synth.synth.name in one.piece.synths],
                cents,
            )
            if not verdict.good:
                problem = f"the track changes a table: {verdict.where}"
        compared = f"{heard.exact} of {heard.notes} notes"
        return FileVerdict(path, "track", compared, heard.worst_cents, limit, problem)

    def _panel(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        verdict = Verdict(0.0, 0.5)
        steps = {
            (one.piece.stem, step.place): (one.piece.number, step.table)
            for one in self.plan.pieces
            for step in one.steps
        }
        for row in csv.DictReader(io.StringIO(data.decode("utf-8"))):
            if not row["A4_hz"]:
                continue
            hz = self.hz(*steps[row["piece"], row["from"]])
            for key in range(60, 72):
                cents = 100 * (key - 69) + int(row[CLASSES[key % 12]])
                entered = float(row["A4_hz"]) * 2.0 ** (cents / 1200.0)
                off = abs(1200.0 * math.log2(entered / hz[key]))
                verdict = verdict.worse(Verdict(off, 0.5, f"{CLASSES[key % 12]}, {row['piece']}"))
        return self._said(path, facts, "master tuning and whole cents", verdict)

    def _drone(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        plan, table = self._step_table(facts)
        step = next(step for step in plan.steps if step.label == facts["step"])
        drone = step.drone or plan.piece.drone
        sounding = built(plan.tables[table])
        hz = [float(sounding.hz[key]) for key in drone.keys(sounding.tonic)]
        return self._said(path, facts, "its tones, measured", wav_verdict(data, hz, path))

    def _reference(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        specs = [one.piece.spec for one in self.plan.pieces]
        hz = [
            spec.reference.hz
            for spec in specs
            if path.endswith("/" + reference_name(spec.reference, spec.home))
        ]
        if not hz:
            return FileVerdict(path, "reference", "", problem="the session has no such reference")
        return self._said(path, facts, "its tone, measured", wav_verdict(data, hz[:1], path))

    def _text(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        if self._worded_otherwise:
            return FileVerdict(path, "text", "its SHA-256 sum")
        same = data == start_here(self.plan, self.manifest).encode("utf-8")
        return FileVerdict(
            path, "text", "the session", problem="" if same else "it speaks of another session"
        )

    def _page(self, path: str, data: bytes, facts: dict[str, Any]) -> FileVerdict:
        """Lay a page out again, where it is text; a PDF of the same content comes with it."""
        if not path.endswith(".html") or missing_for_pages() or self._worded_otherwise:
            return FileVerdict(path, "page", "its SHA-256 sum")
        stem = path.removeprefix(f"{PAGES}/").removesuffix(".html")
        if "piece" in facts:
            text = sheet_html([self._sheets.piece(self.pieces[facts["piece"]])], None, page_form(stem, True))
        else:
            some = dict(page_parts(self.plan))[stem.removesuffix(voices_stem(""))]
            form = page_form(stem, False)
            text = sheet_html([self._sheets.piece(one) for one in some], self._sheets.info, form)
        same = data == text.encode("utf-8")
        return FileVerdict(
            path, "page", "the session", problem="" if same else "it speaks of another session"
        )

    @property
    def _worded_otherwise(self) -> bool:
        """Whether another version made the bundle, which may say the same in other words."""
        return self.manifest.made_by != Manifest().made_by

    def _said(self, path: str, facts: dict[str, Any], compared: str, verdict: Verdict) -> FileVerdict:
        problem = "" if verdict.good else f"{verdict.where}: {verdict.worst_cents:.4f} cents off"
        return FileVerdict(
            path, str(facts["what"]), compared, verdict.worst_cents, verdict.limit_cents, problem.strip(": ")
        )
