"""The page of a bundle that is read first: what to load where, in what order, and how to recall.

Plain text in lines of at most 78 characters, ASCII but for what titles and notes themselves hold, so that it reads the
same everywhere.

Index
-----
`start_here`
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from bridge.engine.report import spans
from bridge.errors import visible
from bridge.jobs.session.check import places_of
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.paper.panel import CLASSES, panel_rows
from bridge.jobs.session.paper.retuning import retunings
from bridge.jobs.session.piece import task_name
from bridge.jobs.session.plan import PiecePlan, SessionPlan, Step, SynthPlan
from bridge.jobs.session.synth import trim_folder
from bridge.store.session.model import built
from bridge.tuning.changes import moved_notes
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.off_guitar import OFF, off_guitar
from bridge.tuning.ratios import cents_to_ratio, format_ratio

NAME = "START-HERE.txt"
WIDTH = 78

_TONICS = ("C", "Db", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
_WRITTEN_SEMITONES = {"Bb": 2, "Eb": 9, "F": 7}  # how far above its sound a note is written, octaves aside


def start_here(plan: SessionPlan, manifest: Manifest) -> str:
    """Return the text of the page."""
    return visible("\n".join(_Page(plan, manifest).lines()) + "\n")


def _wrapped(text: str, indent: str = "", first: str | None = None) -> list[str]:
    return textwrap.wrap(
        text,
        WIDTH,
        initial_indent=indent if first is None else first,
        subsequent_indent=indent,
        break_on_hyphens=False,
        break_long_words=False,
    )


class _Page:
    def __init__(self, plan: SessionPlan, manifest: Manifest) -> None:
        self.plan = plan
        self.session = plan.session
        self.manifest = manifest
        self.retunings = retunings(plan)
        self.tracks: dict[tuple[str, int], list[str]] = {}
        self.retuned: set[tuple[str, int]] = set()
        for path, facts in sorted(manifest.files.items()):
            if facts["what"] == "track" and "trim_cents" not in facts:
                self.tracks.setdefault((facts["synth"], facts["piece"]), []).append(path)
                if facts["method"]:
                    self.retuned.add((facts["synth"], facts["piece"]))

    def lines(self) -> Iterator[str]:
        session = self.session
        yield session.title
        yield "=" * min(len(session.title), WIDTH)
        yield ""
        if session.guitar is not None:
            yield f"Guitar: {session.guitar.title}"
        if session.reference is not None:
            how = f" ({session.reference_how})" if session.reference_how else ""
            tonic = session.guitar.tonic if session.guitar else "C"
            yield from _wrapped(f"Reference: {session.reference.text(tonic)}{how}")
        if session.heard:
            yield from _wrapped(session.heard)
        for paragraph in session.notes.splitlines():
            yield from _wrapped(paragraph)
        yield from self._order()
        yield from self._without_synth()
        for synth in self.plan.synths:
            yield from self._synth(synth)
        yield from self._trims()
        yield from self._cautions()
        yield from self._rest()

    def _heading(self, text: str) -> list[str]:
        return ["", "", text, "-" * len(text), ""]

    # -- the evening

    def _order(self) -> Iterator[str]:
        yield from self._heading("The pieces, in order")
        for one in self.plan.pieces:
            piece, home = one.piece, built(one.tables[0])
            retuned = self.retunings[piece.number]
            fret = f", played in {piece.spec.tonic} with a capo at fret {home.fret}" if home.fret else ""
            if retuned.capo_instead:
                fret = f", with a capo at fret {retuned.capo_instead} from which frets count"
            other = ""
            if piece.spec.guitar is not None and piece.spec.guitar != self.session.guitar:
                other = f"; guitar: {piece.spec.guitar.title}"
            slide = f", slide at {format_ratio(home.slide)}" if home.slide != 1 else ""
            yield from _wrapped(
                f"{piece.title}: in {home.tonic}{self._read(home.tonic)}{fret}{slide}{other}",
                "    ",
                f"{piece.number:2d}  ",
            )
            if retuned.words:
                yield from _wrapped(f"before it: {'; '.join(retuned.words)}", "      ", "    ")
            tonic = home.tonic
            for step in one.steps[1:]:
                title = f" ({step.title})" if step.title else ""
                table = built(one.tables[step.table])
                read = self._read(table.tonic) if table.tonic != tonic else ""
                tonic = table.tonic
                moved = moved_notes(home, table)
                against = f"; against the start, {', '.join(moved)}" if moved else ""
                yield from _wrapped(f"from {step.place}{title}: {step.what}{read}{against}", "      ", "    ")
            for paragraph in (*piece.notes.splitlines(), *([piece.heard] if piece.heard else [])):
                yield from _wrapped(paragraph, "    ")
            if said := off_guitar(places_of(one)):
                yield from _wrapped(said, "      ", "    - ")
            for notice in self._shared_notices(one):
                yield from _wrapped(f"track: {notice}", "      ", "    - ")

    def _read(self, tonic: str) -> str:
        """Say a tonic as transposing players read it: `` (Bb players read E)``."""
        read = [
            f"{name} players read {_TONICS[(parse_pitch_class(tonic) + _WRITTEN_SEMITONES[name]) % 12]}"
            for name in self.session.transposing
        ]
        return f" ({', '.join(read)})" if read else ""

    def _notices(self, one: PiecePlan, synth: str) -> list[str]:
        """What is to be known of a track, but for what is said of its piece."""
        said = self.manifest.tasks[task_name(one.piece.stem, synth)].notices
        return [notice for notice in said if not notice.startswith(OFF)]

    def _shared_notices(self, one: PiecePlan) -> list[str]:
        """What is to be known of a track whatever plays it: what several synths say of it, and all that have one."""
        mine = [name for name in one.piece.synths if (name, one.piece.number) in self.retuned]
        if len(mine) < 2:
            return []
        first, *others = (self._notices(one, name) for name in mine)
        return [notice for notice in first if all(notice in other for other in others)]

    def _without_synth(self) -> Iterator[str]:
        references = self.manifest.find(what="reference")
        drones = self.manifest.find(what="drone")
        if references:
            yield from self._heading("To tune the guitar")
            yield from _wrapped(
                "Play the tone and bring the reference string up to it, from below, until nothing beats; then tune the "
                "other strings to that one. Start quiet."
            )
            yield from ("", *(f"    {path}" for path in references))
        if drones:
            yield from self._heading("Drones, for those without a synth")
            yield from _wrapped(
                "Each swells up from nothing in some seconds. Set the level before it has reached its full loudness, "
                "low first, above all over headphones: a drone does not stop, and the ear tires."
            )
            yield from ("", *(f"    {path}" for path in drones))
            if along := self.manifest.find(what="chart drone"):
                yield from ("", "These follow the chords of a track, from its first bar on:", "")
                yield from (f"    {path}" for path in along)

    # -- a synth

    def _synth(self, synth: SynthPlan) -> Iterator[str]:
        one = synth.synth
        named = f"{one.title} ({one.name})" if one.title.lower() != one.name.lower() else one.title
        yield from self._heading(f"Synth: {named}")
        if one.port:
            yield from (f"MIDI port: {one.port}", "")
        if not self._pieces_for(synth):
            yield "No piece is for this synth."
            return
        if one.profile.panel:
            yield from self._panel(synth)
        elif synth.recalls:
            yield from self._programs(synth)
        elif synth.method:
            yield from self._one_table(synth)
        else:
            yield from _wrapped(
                "No tuning message reaches this synth: it is tuned note by note, by pitch bend. Play the retuned "
                f"tracks below, or play it through `stillbeat play`. synths/{one.name}/load-everything.mid only "
                "sets its bend range and centres its bends."
            )
        yield from self._tracks(synth)
        if not one.profile.panel:
            yield ""
            yield from _wrapped(
                f"Afterwards: synths/{one.name}/back-to-equal.mid brings back equal temperament at A4 = 440 Hz."
            )
        if one.profile.quirks:
            yield from ("", "Of this synth:", "")
        for quirk in one.profile.quirks:
            yield from _wrapped(quirk, "  ", "- ")

    def _pieces_for(self, synth: SynthPlan) -> list[PiecePlan]:
        return [one for one in self.plan.pieces if synth.synth.name in one.piece.synths]

    def _programs(self, synth: SynthPlan) -> Iterator[str]:
        one, profile = synth.synth, synth.synth.profile
        used = spans(synth.programs.values())
        yield from _wrapped(
            f"1. Save what the synth holds: the next step overwrites its tuning programs {used}"
            f"{f' of bank {profile.bank}' if profile.bank else ''}; tracks use program {profile.program} as well.",
            "   ",
            "",
        )
        yield from _wrapped(
            f"2. Send synths/{one.name}/load-everything.syx, or play load-everything.mid beside it, which also chooses "
            "the first piece's table. Once is enough, until the synth is switched off or reset.",
            "   ",
            "",
        )
        yield from _wrapped(
            "3. For each piece play its recall file; or, where a foot switch can choose tuning programs, step to it:",
            "   ",
            "",
        )
        yield ""
        rows = []
        for plan in self._pieces_for(synth):
            for step in plan.steps:
                program = synth.programs[plan.piece.number, step.table]
                rows.append((_name(plan, step), str(program), f"{step.stem(plan.piece)}.recall.mid"))
        yield from _columns(("piece", "program", "recall file"), rows)
        yield ""
        bank = f"101 = 0, 100 = 4, 6 = {profile.bank}; then " if profile.select == "bank+program" else ""
        yield from _wrapped(
            f"By controllers, on every channel that plays: {bank}101 = 0, 100 = 3, 6 = the program number; then 101 = "
            "127, 100 = 127. Programs count from 0. A .setup.mid file loads one piece and chooses it."
        )

    def _one_table(self, synth: SynthPlan) -> Iterator[str]:
        one = synth.synth
        sysex = " (a .syx file of the same name holds the same)"
        if not self.manifest.find(what="tables", synth=one.name):
            sysex = ""
        yield from _wrapped(
            "This synth holds one table at a time, and no number recalls it. Before each piece, and at each place "
            f"below, play its set-up file from synths/{one.name}{sysex}. load-everything is the first piece's. "
            "Sending one replaces the tuning that the synth has: save it first."
        )
        yield ""
        rows = []
        for plan in self._pieces_for(synth):
            for step in plan.steps:
                there = (plan.piece.number, step.table) not in synth.left_out
                file = f"{step.stem(plan.piece)}.setup.mid" if there else "none: see below"
                rows.append((_name(plan, step), file))
        yield from _columns(("piece", "set-up file"), rows)

    def _panel(self, synth: SynthPlan) -> Iterator[str]:
        rows = panel_rows(self.plan, synth)
        a4_hz = next((entry.a4_hz for _, _, entry in rows if entry is not None), 440.0)
        yield from _wrapped(
            f"This synth is tuned by hand. Write down what its panel shows first. Then set its master tuning to A4 = "
            f"{a4_hz:.1f} Hz, once for the evening, and enter for each piece twelve whole cents:"
        )
        yield ""
        yield f"{'':14} " + "".join(f"{name:>4}" for name in CLASSES) + "   off"
        for plan, step, entry in rows:
            yield from _wrapped(_name(plan, step))
            if entry is None:
                yield from _wrapped("no figures: this table is none that twelve numbers can hold", "    ")
                continue
            figures = "".join(f"{value:+4d}" if value else "   0" for value in entry.cents)
            yield f"{'':14} {figures}  {entry.worst_cents:.2f}"
        yield ""
        yield from _wrapped(
            "off: cents by which the worst note is off. Nobody enters figures while a piece runs: those of a bar are "
            f"for playing from there. The same for scripts: synths/{synth.synth.name}/enter-by-hand.csv"
        )

    def _tracks(self, synth: SynthPlan) -> Iterator[str]:
        rows = []
        for plan in self._pieces_for(synth):
            for path in self.tracks.get((synth.synth.name, plan.piece.number), []):
                facts = self.manifest.files[path]
                rows.append((str(plan.piece.number), path.rsplit("/", 1)[1], _method(facts)))
        if rows:
            yield from ("", "Backing tracks; each brings its own tuning along:", "")
            yield from _columns(("", "track", "tuned by"), rows)
            if synth.recalls:
                yield ""
                yield from _wrapped("After a track choose a program again: the track leaves its own chosen.")
            elif synth.method:
                yield ""
                yield from _wrapped(
                    "After a track play a set-up file again: the track leaves its own tuning."
                )
        notices = [
            (plan.piece.number, notice)
            for plan in self._pieces_for(synth)
            for notice in self._notices(plan, synth.synth.name)
            if notice not in self._shared_notices(plan)
        ]
        said: dict[str, list[int]] = {}
        for number, notice in notices:
            said.setdefault(notice, []).append(number)
        if said:
            yield ""
        for notice, numbers in said.items():
            yield from _wrapped(
                f"{'pieces' if len(numbers) > 1 else 'piece'} {spans(numbers)}: {notice}", "  ", "- "
            )

    # -- the rest

    def _trims(self) -> Iterator[str]:
        trims = self.session.trims.cents
        if not trims or not self.plan.synths:
            return
        yield from self._heading("If the guitar will not hold its pitch")
        folders = f"{trim_folder(trims[0])} to {trim_folder(trims[-1])}"
        tracks = ", tracks included" if self.session.trims.tracks else " (without tracks)"
        yield from _wrapped(
            f"{folders}: the same files for every synth{tracks}, with everything so many cents lower or higher. Read "
            "the reference string off a tuner, take the nearest, and load it in place of the one in synths; program "
            "numbers and recall files stay the same."
        )
        panels = [synth for synth in self.plan.synths if synth.synth.profile.panel]
        if panels:
            step = self.session.trims.step_cents
            hz = 440.0 * (cents_to_ratio(step) - 1)
            yield from _wrapped(
                f"At a panel change the master tuning instead: {hz:.1f} Hz for each {step} cents."
            )

    def _cautions(self) -> Iterator[str]:
        cautions = []
        for one in self.plan.pieces:
            cautions += [said for said in self.retunings[one.piece.number].cautions if said not in cautions]
        if any(synth.method for synth in self.plan.synths):
            cautions.append(
                "SysEx (messages that change a synth's settings) that carries a tuning overwrites a tuning program in "
                "the synth's memory: save what is there "
                "first."
            )
        if self.manifest.find(what="drone") or self.manifest.find(what="reference"):
            cautions.append(
                "Held tones: start quiet, and take breaks. The longer the sound, the lower the safe level "
                "(NIOSH 98-126: 85 dBA for eight hours, half the time for every 3 dB more)."
            )
        if cautions:
            yield from self._heading("Cautions")
        for caution in cautions:
            yield from _wrapped(" ".join(caution.split()), "  ", "- ")

    def _rest(self) -> Iterator[str]:
        yield from self._heading("What else is here")
        rows = [("tables", "every table: .csv for spreadsheets, .json for scripts, .toml")]
        if self.manifest.find(what="page"):
            rows.insert(0, ("pages", "to print or to read: a sheet for every piece, and all together"))
        rows += [
            ("session", "the session file and what it was made from"),
            (
                "manifest.json",
                "every file with a sum (SHA-256) that shows whether it was changed; for scripts",
            ),
        ]
        width = max(len(name) for name, _ in rows) + 2
        for name, what in rows:
            yield from _wrapped(what, " " * (4 + width), f"    {name:{width}}")
        yield ""
        yield from _wrapped(
            "`stillbeat session verify` with this folder's name reads everything back and compares."
        )


def _name(plan: PiecePlan, step: Step) -> str:
    if not step.label:
        return f"{plan.piece.number:2d}  {plan.piece.title}"
    return f"    {step.place}" + (f" ({step.title})" if step.title else "")


def _method(facts: dict[str, object]) -> str:
    """Say how a track is tuned, and how well."""
    names = {
        "note": "single notes",
        "octave": "octave",
        "dump": "whole table",
        "bend": "pitch bend",
        "mpe": "MPE",
        "": "as it is: the panel tunes it",
    }
    said = names[str(facts["method"])]
    notes, exact = facts.get("notes"), facts.get("exact")
    if not facts["method"] or not notes:
        return said
    if notes != exact:
        return f"{said}; {exact} of {notes} notes exact, worst {facts['worst_cents']:.1f} cents off"
    return f"{said}, within {facts['worst_cents']:.3f} cents"


def _columns(headings: Sequence[str], rows: Sequence[Sequence[str]]) -> Iterator[str]:
    """Lay out rows in columns, indented; a row too long for the page continues below."""
    widths = [max(len(row[index]) for row in (headings, *rows)) for index in range(len(headings) - 1)]
    shown = [headings, *rows] if any(headings) else rows
    for row in shown:
        start = "    " + "".join(f"{cell:{width}}  " for cell, width in zip(row, widths, strict=False))
        if len(start) + len(row[-1]) <= WIDTH:
            yield (start + row[-1]).rstrip()
        else:
            yield start.rstrip()
            yield " " * max(WIDTH - len(row[-1]), 8) + row[-1]
