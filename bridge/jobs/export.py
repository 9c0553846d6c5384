"""Writing a table in every form that a session needs: for synths, spreadsheets, scripts and for Stillbeat itself.

==========================  ==========================================================================
``NAME.note.syx``           single note tuning changes for all 128 keys
``NAME.octave.syx``         one scale/octave message, where the table repeats at the octave and is in range
``NAME.dump.syx``           a bulk tuning dump of 408 bytes
``NAME.setup.mid``          the tuning and its selection on the pitched channels, to play before a piece
``NAME.csv, NAME.json``     the 128 pitches for people and scripts
``NAME.table.toml``         the description itself
``NAME.sheet.pdf``          a sheet for players, and the same as ``.html`` and ``.svg``
``NAME.singer-violin.pdf``  the sheet of a singer and a violinist, and the same as ``.html``
==========================  ==========================================================================

Bytes follow a synth profile where one is named, else the plain forms of the MIDI Tuning standard.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median

from bridge.engine.method import choose_for_storing, refusal
from bridge.engine.mts.tuner import Residual, Tuner
from bridge.errors import MethodProblem, StillbeatError, ValueProblem
from bridge.jobs.read import read_table
from bridge.store.descriptions import save_table
from bridge.store.files import write_files_atomic
from bridge.store.smf import Event, MidiFile, midi_bytes
from bridge.store.syx import syx_bytes
from bridge.store.tablejson import table_to_csv, table_to_json
from bridge.tuning.notes import KEYS, parse_pitch_class, pitch_class_name
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table
from bridge.wire.profile import MTS_METHODS, STANDARD, SynthProfile

PITCHED_CHANNELS = tuple(channel for channel in range(1, 17) if channel != 10)
_TICKS_PER_QUARTER = 480
_TICKS_PER_SECOND = 960  # at 120 beats a minute, the default of a Standard MIDI File
_MOST_NAMED = 4
_NOT_IN_NAMES = frozenset('/\\:*?"<>|\0')


@dataclass(frozen=True)
class Exported:
    """What an export wrote."""

    files: tuple[Path, ...]  # in the order of the module's list
    residuals: dict[str, Residual]  # what rounding leaves, by method
    left_out: dict[str, str]  # methods that cannot express the table, each with the reason
    differs: str = ""  # how far notes lie from the table that was replaced: ``all notes 2.3 cents lower``


def addressed(
    profile: SynthProfile, program: int | None = None, bank: int | None = None, device_id: int | None = None
) -> SynthProfile:
    """Return a profile that sends to another tuning program, bank or device.

    A bank makes the messages take the forms that carry one.
    """
    changed = replace(
        profile,
        program=profile.program if program is None else program,
        device_id=profile.device_id if device_id is None else device_id,
    )
    if bank is None:
        return changed
    return replace(changed, bank=bank, note_form="bank", dump_form="bank")


def check_name(name: str) -> str:
    """Return `name` if it can stand at the beginning of file names.

    ValueProblem if it is empty, hidden, or holds a character that file systems refuse.
    """
    bad = sorted(set(name) & _NOT_IN_NAMES)
    if not name.strip() or name.startswith(".") or bad:
        shown = f"it holds {' '.join(bad)}" if bad else "it is empty or starts with a dot"
        raise ValueProblem(f"{name!r} cannot name files: {shown}", "use letters, digits, spaces and dashes")
    return name


def export_table(
    spec: TableSpec,
    folder: Path,
    profile: SynthProfile = STANDARD,
    name: str | None = None,
    overwrite: bool = False,
    sheet: bool = True,
) -> Exported:
    """Write a table in all its forms into a folder, which is made if it does not exist; all files appear, or none.

    Messages take the forms of the profile; file names begin with `name`, or the table's own. Where the
    libraries of sheets are missing, `Exported.left_out` says so. OutputProblem if a file exists already, or
    cannot be written.
    """
    stem = check_name(name or spec.name)
    table = build_table(spec)
    hz = table.hz.tolist()
    contents: dict[str, bytes] = {}
    residuals: dict[str, Residual] = {}
    left_out: dict[str, str] = {}
    for method in MTS_METHODS:
        try:
            tuner = Tuner(profile, method, PITCHED_CHANNELS, _tuning_name(stem))
            residuals[method] = tuner.check(hz)
        except MethodProblem as problem:
            left_out[method] = str(problem)
            continue
        contents[f"{stem}.{method}.syx"] = syx_bytes(tuner.sysex(hz))
    contents[f"{stem}.setup.mid"] = setup_file(table, profile, stem)
    contents[f"{stem}.csv"] = table_to_csv(table).encode("utf-8")
    text = json.dumps(table_to_json(table), indent=1, ensure_ascii=True, allow_nan=False)
    contents[f"{stem}.json"] = (text + "\n").encode("ascii")
    contents[f"{stem}.table.toml"] = save_table(replace(spec, name=stem)).encode("utf-8")
    if sheet:
        # Imported late: sessions and playing ask this module for other things.
        from bridge.jobs.table_sheet import sheet_files

        try:
            contents |= sheet_files(spec, stem)
        except MethodProblem as problem:
            left_out["sheet"] = str(problem)
    differs = _differs(folder / f"{stem}.table.toml", table) if overwrite else ""
    write_files_atomic(folder, contents, overwrite=overwrite)
    return Exported(tuple(folder / file for file in contents), residuals, left_out, differs)


def _differs(path: Path, table: Table) -> str:
    """Say how far notes lie from the table in a file; empty if none does, or the file holds none.

    What most notes have in common is said of all, and the others against it.
    """
    from bridge.sheet.content.compared import CHANGED_CENTS, moved_words

    try:
        before = build_table(read_table(path).spec) if path.is_file() else table
    except StillbeatError:
        return ""
    cents = [
        round(hz_to_cents(float(now), float(was)), 6) for now, was in zip(table.hz, before.hz, strict=True)
    ]
    common = median(cents)  # what more than half of the notes have
    shared = sum(abs(one - common) < CHANGED_CENTS for one in cents)
    shift = common if abs(common) >= CHANGED_CENTS and shared > KEYS // 2 else 0.0
    cents = [one - shift for one in cents]
    groups: dict[float, list[str]] = {}
    tonic = parse_pitch_class(table.tonic)
    for pitch_class in ((tonic + step) % 12 for step in range(12)):
        octaves = range(pitch_class, KEYS, 12)
        alike = max(cents[key] for key in octaves) - min(cents[key] for key in octaves) < CHANGED_CENTS
        for key in octaves[:1] if alike else octaves:
            if abs(cents[key]) >= CHANGED_CENTS:
                name = pitch_class_name(key, table.tonic) if alike else table.note(key)
                groups.setdefault(round(cents[key], 1), []).append(name)
    said = [f"tonic {table.tonic} instead of {before.tonic}"] * (table.tonic != before.tonic)
    said += [f"all notes {moved_words(shift)}{' and besides' * bool(groups)}"] * bool(shift)
    if sum(map(len, groups.values())) <= _MOST_NAMED:
        said += [f"{', '.join(names)} {moved_words(far)}" for far, names in groups.items()]
    else:
        (far, names), *others = sorted(groups.items(), key=lambda one: (-len(one[1]), -abs(one[0])))
        more = f" and {len(names) - _MOST_NAMED} more" * (len(names) > _MOST_NAMED)
        said.append(f"{', '.join(names[:_MOST_NAMED])}{more} {moved_words(far)}")
        if others:
            count = sum(len(names) for _, names in others)
            furthest = max(abs(far) for far, _ in others)
            said.append(f"{count} other{'s' * (count > 1)} by up to {furthest:.1f} cents")
    rest = ["the others as before"] * (bool(groups) and not shift and min(map(abs, cents)) < CHANGED_CENTS)
    return "; ".join([*said, *rest])


def setup_file(table: Table, profile: SynthProfile, name: str) -> bytes:
    """Make a MIDI file that only sets the tuning: the messages, paced for the synth, then the selection.

    The method is the first MIDI Tuning method that the profile obeys and that can express the table, else `note`.
    """
    hz = table.hz.tolist()

    def refuses(method: str) -> bool:
        return refusal(method, profile, [hz]) is not None

    method = choose_for_storing("auto", profile, refuses)
    if not method or refuses(method):
        method = "note"
    messages: Sequence[bytes] = ()
    with contextlib.suppress(MethodProblem):
        tuner = Tuner(
            profile,
            method,
            PITCHED_CHANNELS,
            _tuning_name(name),
        )
        messages = tuner.messages(hz) + tuner.select()
    return paced_midi(messages, profile, name)


def paced_midi(messages: Iterable[bytes], profile: SynthProfile, title: str) -> bytes:
    """Make a MIDI file that sends messages, in this order, with the pauses that a synth needs after SysEx."""
    events: list[Event] = [(0, b"\xff\x03" + title.encode("utf-8"))]
    due_s = 0.0
    for message in messages:
        events.append((round(due_s * _TICKS_PER_SECOND), message))
        if message[0] == 0xF0:
            due_s += profile.pause_after_s(message)
    events.append((round(due_s * _TICKS_PER_SECOND), b"\xff\x2f"))
    return midi_bytes(MidiFile(format=0, division=_TICKS_PER_QUARTER, tracks=[events]))


def _tuning_name(stem: str) -> str:
    """Make the 16 plain characters that a dump carries."""
    return stem.encode("ascii", "replace").decode("ascii")[:16]
