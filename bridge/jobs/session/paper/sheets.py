"""What stands on the sheets of a session, from its plan and the files that were made."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from bridge.engine.report import spans
from bridge.jobs.session.check import places_of
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.paper.panel import PanelEntry
from bridge.jobs.session.paper.retuning import Retuned, open_spec
from bridge.jobs.session.plan import START, PiecePlan, SessionPlan, Step, SynthPlan
from bridge.jobs.table_sheet import capo_check, drifted, strings_sheet, violin_hz
from bridge.sheet.records import (
    LoadList,
    PanelFigures,
    PieceSheet,
    SessionInfo,
    Stretch,
    StringsSheet,
    TableSheet,
)
from bridge.store.session.model import Drone, built
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.transposing import about_transposing

_BY_HAND = "This table is none that twelve whole numbers can hold."


def session_info(plan: SessionPlan, manifest: Manifest) -> SessionInfo:
    """Return what stands on the first page."""
    session = plan.session
    lines = []
    if session.guitar is not None:
        lines.append(f"Guitar: {session.guitar.title}")
    if session.reference is not None:
        how = f" ({session.reference_how})" if session.reference_how else ""
        tonic = session.guitar.tonic if session.guitar is not None else "C"
        lines.append(f"Reference: {session.reference.text(tonic)}{how}")
    if session.heard:
        lines.append(session.heard)
    cautions = []
    if any(synth.method for synth in plan.synths):
        cautions.append(
            "Loading a tuning overwrites a tuning program in the synth's memory: save what is there first."
        )
    if manifest.find(what="drone") or manifest.find(what="reference"):
        cautions.append(
            "Held tones: start quiet, and take breaks. The longer the sound, the lower the safe level "
            "(NIOSH 98-126: 85 dBA for eight hours, half the time for every 3 dB more)."
        )
    return SessionInfo(
        title=session.title,
        lines=tuple(lines),
        notes=session.notes.strip(),
        strings=_open_strings(plan),
        load=tuple(_load_first(plan, synth) for synth in plan.synths),
        cautions=tuple(" ".join(caution.split()) for caution in cautions),
        transposing=session.transposing,
        drifted=_drifted(plan),
        violin_hz=violin_hz(built(plan.pieces[0].tables[0])),
    )


def piece_sheet(
    plan: SessionPlan,
    one: PiecePlan,
    manifest: Manifest,
    panels: Mapping[tuple[int, int], PanelEntry | None],
    retuned: Retuned,
) -> PieceSheet:
    """Return what stands on the sheet of a piece.

    Parameters
    ----------
    retuned : Retuned
        What is done to the guitar before it.
    manifest : Manifest
        Its files, for what to load.
    panels : mapping of (int, int) to PanelEntry or None
        What is entered at a panel, by piece and table; None where twelve figures cannot say the table.
    """
    piece = one.piece
    tables = []
    for number, spec in enumerate(one.tables):
        key = (piece.number, number)
        entry = panels.get(key)
        tables.append(
            TableSheet(
                table=replace(built(spec), name=spec.name),
                panel=None if entry is None else PanelFigures(entry.a4_hz, entry.cents),
                panel_note=_BY_HAND if key in panels and entry is None else "",
                chords=played_chords(one, number),
            )
        )
    synths = [synth for synth in plan.synths if synth.synth.name in piece.synths]
    recalling = [synth for synth in synths if synth.recalls and not synth.synth.profile.panel]
    cautions = [*retuned.cautions, *([f"{piece.heard}."] if piece.heard else [])]
    if said := off_guitar(places_of(one)):
        cautions.append(f"{said[0].upper()}{said[1:]}.")
    if said := about_transposing(piece.spec):
        cautions.append(f"Transposed {said}.")
    if (piece.spec.fret or retuned.capo_instead) and piece.spec.guitar is not None:
        cautions.append(capo_check(piece.spec))
    return PieceSheet(
        title=piece.title,
        tables=tuple(tables),
        stretches=tuple(
            Stretch(
                step.place,
                step.table,
                step.what,
                step.title,
                tuple(synth.programs.get((piece.number, step.table)) for synth in recalling),
            )
            for step in one.steps
        ),
        number=piece.number,
        notes=piece.notes.strip(),
        strings=None if retuned.tuned is None else strings_sheet(retuned.tuned),
        load=tuple(_load_piece(one, synth, manifest) for synth in synths),
        cautions=tuple(cautions),
        transposing=plan.session.transposing,
        program_synths=tuple(synth.synth.name for synth in recalling),
        retune=retuned.words,
        capo_instead=retuned.capo_instead,
        ready=tuple(_ready(one, synth) for synth in synths if synth not in recalling),
        drone=_drone(one, manifest),
    )


def played_chords(one: PiecePlan, table: int) -> tuple[str, ...]:
    """Return the chords that are played under a table of a piece, over all its stretches, in order."""
    named: dict[str, None] = {}
    for step in one.steps:
        if step.table == table:
            named.update(dict.fromkeys(step.chords))
    return tuple(named)


# -- the guitar


def _open_strings(plan: SessionPlan) -> StringsSheet | None:
    """How the guitar is tuned for the first piece that has one, without a capo."""
    for one in plan.pieces:
        if one.piece.spec.guitar is not None:
            return strings_sheet(open_spec(one.piece.spec))
    return None


def _drifted(plan: SessionPlan) -> str:
    """Say what to do when the reference string sounds otherwise than the pages have it; empty without one."""
    session = plan.session
    if session.reference is None or (session.take is not None and session.take.strings):
        return ""
    tonic = session.guitar.tonic if session.guitar is not None else "C"
    command = f"session build {session.file} -o FOLDER"
    said = drifted(session.reference, tonic, "with this folder's name in the place of FOLDER", command)
    hurry = " In a hurry load the nearest of the folders in trims."
    return said + hurry * bool(session.trims.cents and plan.synths)


# -- a piece, in a few words


def _ready(one: PiecePlan, synth: SynthPlan) -> str:
    """Say what a synth without programs to recall needs before a piece."""
    name = synth.synth.name
    if synth.synth.profile.panel:
        return f"{name}: figures by hand, at the end"
    if not synth.method:
        return f"{name}: nothing to load"
    if (one.piece.number, one.steps[0].table) in synth.left_out:
        return f"{name}: cannot hold the table"
    return f"{name}: play {one.steps[0].stem(one.piece)}.setup.mid"


def _drone(one: PiecePlan, manifest: Manifest) -> str:
    """Say what the drones of a piece hold, and their files."""
    said = []
    for step in one.steps:
        drone: Drone | None = one.piece.drone if not step.label else step.drone
        if drone is None or not drone.notes:
            continue
        under = built(one.tables[step.table])
        notes = " ".join(under.note(key) for key in drone.keys(under.tonic))
        path = f"drones/{step.stem(one.piece)}.wav"
        where = f"from {step.place} " if step.label else ""
        said.append(f"{where}{notes}" + (f" ({path})" if path in manifest.files else ""))
    return "; ".join(said)


# -- what to load


def _load_first(plan: SessionPlan, synth: SynthPlan) -> LoadList:
    name, profile = synth.synth.name, synth.synth.profile
    if profile.panel:
        lines = [
            (
                "It is tuned by hand: write down what its panel shows now. The figures for each piece stand below; "
                f"its files lie in synths/{name}."
            )
        ]
    elif synth.recalls:
        used = spans(synth.programs.values())
        lines = [
            f"Save what the synth holds in tuning programs {used}: they are overwritten.",
            (
                f"Once, before the evening: play synths/{name}/load-everything.mid into it, as any track is played, or "
                "send load-everything.syx, which lies beside it. It lasts until the synth is switched off or reset."
            ),
            (
                "Before each piece choose its tuning program, which stands on its page, or play its recall file, "
                f"named by piece and bar: {_recall_example(plan, synth)}"
            ),
        ]
    elif synth.method:
        lines = [
            f"It holds one table at a time: before each piece play its set-up file, in synths/{name}, into it."
        ]
    else:
        lines = [
            (
                f"It knows no tuning tables and is tuned note by note: play the backing tracks in synths/{name}, which "
                "bring their tuning along."
            ),
            "To play it yourself, let `stillbeat play` on a computer stand between the keys and the sound.",
        ]
    return LoadList(synth.synth.title, tuple(lines))


def _recall_example(plan: SessionPlan, synth: SynthPlan) -> str:
    """A recall file in its folder: one of a bar, where there is one."""
    steps = [
        (step, one.piece) for one in plan.pieces if synth.synth.name in one.piece.synths for step in one.steps
    ]
    step, piece = next((found for found in steps if found[0].label), steps[0])
    return f"synths/{synth.synth.name}/{step.stem(piece)}.recall.mid"


def _load_piece(one: PiecePlan, synth: SynthPlan, manifest: Manifest) -> LoadList:
    name, piece = synth.synth.name, one.piece
    tracks = [
        path.rsplit("/", 1)[1]
        for path in manifest.find(what="track", synth=name, piece=piece.number)
        if "trim_cents" not in manifest.files[path]
    ]
    lines: list[str] = []
    if synth.method and not synth.recalls and not synth.synth.profile.panel:
        said = [
            f"{_at(step)}: play {step.stem(piece)}.setup.mid"
            if (piece.number, step.table) not in synth.left_out
            else f"{_at(step)}: this synth cannot hold the table"
            for step in one.steps
        ]
        lines += dict.fromkeys(said)
    lines += tracks
    return LoadList(synth.synth.title, tuple(lines))


def _at(step: Step) -> str:
    """Say where a step begins: ``at the start``, ``bar 17``."""
    return f"at the {START}" if step.place == START else step.place
