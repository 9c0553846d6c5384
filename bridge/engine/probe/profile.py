"""From what was found out about a synth to its profile: only what is known, and a list of what is not.

A method is named only where a trial showed that it is obeyed. Where something is not known the profile holds what is
safe with every synth, and `unknowns` says so in a sentence.
"""

from __future__ import annotations

from typing import Any

from bridge.engine.probe.course import Findings
from bridge.engine.probe.verdicts import SHORT_BY_128
from bridge.errors import MethodProblem
from bridge.wire.profile import Method, SynthProfile

SAFE_RANGE = 12
_NOTE = ("note", "note-unselected")
_NOTE_BANK = ("note-bank", "note-bank-unselected", "note-bank-later")
_DUMP = ("dump", "dump-unselected")


def _methods(found: Findings) -> list[Method]:
    """Methods that are obeyed, the best first: what moves sounding notes, then what does not, then bends."""
    methods: list[Method] = []
    if found.obeyed(*_NOTE, *_NOTE_BANK):
        methods.append("note")
    if found.obeyed("octave-1", "octave-2", "octave-1-later", "octave-2-later"):
        methods.append("octave")
    if found.obeyed(*_DUMP, "dump-bank"):
        methods.append("dump")
    if found.obeyed("bend"):
        methods.append("bend")
    if found.obeyed("mpe"):
        methods.append("mpe")
    return methods


def profile_of(found: Findings, name: str, title: str, source: str) -> SynthProfile:
    """Return the profile of a synth that was examined, with name, title and source as its file has them.

    MethodProblem if nothing that was tried is known to be obeyed.
    """
    methods = _methods(found)
    if not methods:
        raise MethodProblem(
            "no method is known to be obeyed, so there is no profile to write",
            "try a steady sound such as an organ, another channel, or raise the level; a synth that obeys "
            "nothing can be tuned at its panel",
        )
    values: dict[str, Any] = {}
    _note(found, values)
    _octave(found, values)
    if found.obeyed("dump-bank") and not found.obeyed(*_DUMP):
        values["dump_form"] = "bank"
    values["select"] = _select(found)
    values["device_id"] = found.place.device_id
    if found.channels is not None:
        values["channels"] = found.channels
    _bend(found, values)
    sounding = {
        method
        for method in methods
        if method != "dump"
        and "now"
        in {
            "note": {found.verdict("note"), found.verdict("note-unselected")}
            if values.get("note_form", "program") == "program"
            else {found.verdict("note-bank"), found.verdict("note-bank-unselected")},
            "octave": {found.verdict("octave-1"), found.verdict("octave-2")},
            "bend": {found.verdict("bend")},
            "mpe": {found.verdict("mpe")},
        }[method]
    }
    values["sounding"] = frozenset(sounding)
    if found.verdict("channel-fine") == "now" and found.fine_parts not in (None, "msb"):
        values["fine_tuning"] = "rpn"
    elif found.obeyed("master-fine"):
        values["fine_tuning"] = "master"
    rounding = found.tunings.rounding or (found.bends.rounding if found.tunings.worst_cents == 0.0 else None)
    if rounding in ("floor", "nearest"):
        values["rounding"], values["rounding_cents"] = rounding, 1.0
    return SynthProfile(
        name=name, title=title, source=source, methods=tuple(methods), quirks=tuple(_quirks(found)), **values
    )


def _note(found: Findings, values: dict[str, Any]) -> None:
    if not found.obeyed(*_NOTE) and found.obeyed(*_NOTE_BANK):
        values["note_form"] = "bank"
        values["note_realtime"] = found.obeyed("note-bank", "note-bank-unselected")


def _octave(found: Findings, values: dict[str, Any]) -> None:
    """Prefer what moves sounding notes, then the finer form."""
    for name in ("octave-2", "octave-1", "octave-2-later", "octave-1-later"):
        if found.obeyed(name):
            values["octave_form"] = 2 if "-2" in name else 1
            values["octave_realtime"] = not name.endswith("later")
            # Not known: then one table is used, which is right either way.
            values["octave_shared"] = found.verdict("octave-shared") != "ignored"
            return


def _select(found: Findings) -> str:
    if found.verdict("select-bank") == "now" or found.verdict("select-bank") == "new":
        return "bank+program"
    if found.obeyed("select-program"):
        return "program" if found.verdict("select-bank") == "ignored" else "bank+program"
    alone = found.obeyed("note-unselected", "note-bank-unselected", "dump-unselected")
    return "none" if alone and found.verdict("select-program") == "ignored" else "bank+program"


def _bend(found: Findings, values: dict[str, Any]) -> None:
    if not found.obeyed("bend"):
        return
    if found.widest_range_semitones is not None:
        values["bend_range_max_semitones"] = found.widest_range_semitones
    elif found.verdict("bend-range") == "ignored" and found.default_range_semitones is not None:
        fixed = round(found.default_range_semitones)
        if 1 <= fixed <= 127:
            values["bend_range_fixed_semitones"] = fixed
    if found.obeyed("bend-range") and not found.rows["bend-range"].remark:
        values["bend_range_sounding"] = found.verdict("bend-range") == "now"
    if found.bends.scale is not None:
        values["bend_scale"] = found.bends.scale
    mpe_range = found.rows.get("mpe-range")
    # Twelve semitones were asked for; four times the shift means that 48 stayed.
    if (
        mpe_range is not None
        and not mpe_range.obeyed
        and mpe_range.later_cents is not None
        and abs(mpe_range.later_cents / mpe_range.wanted_cents - 4.0) < 0.1
    ):
        values["mpe_range_fixed_semitones"] = 48


def _quirks(found: Findings) -> list[str]:
    """Sentences that a player should know, all of them heard."""
    out: list[str] = []
    if found.tunings.rounding == "floor":
        out.append("It sounds whole cents only, rounded down.")
    elif found.tunings.rounding == "nearest":
        out.append("It sounds whole cents only, rounded to the nearest.")
    elif found.tunings.rounding is None and found.tunings.worst_cents:
        out.append(f"Tunings are uneven by up to {found.tunings.worst_cents:.1f} cents.")
    scale = found.bends.scale
    if scale == SHORT_BY_128:
        out.append("Every bend falls short by 1/128 of its size: a cent and a half at 200.")
    elif scale is not None and scale != 1.0:
        out.append(f"Bends go {scale:.4f} times as far as asked.")
    if found.bends.rounding is None and found.bends.worst_cents:
        out.append(f"Bends are uneven by up to {found.bends.worst_cents:.1f} cents.")
    if found.clamped:
        out.append(
            f"Bend ranges wider than {found.widest_range_semitones} semitones are taken for that, so bends go less "
            "far than asked."
        )
    if found.obeyed("octave-shared"):
        out.append(
            "Octave tables are one for all channels: a second message for other channels wipes the first."
        )
    if found.verdict("select-bank-late") == "ignored" and found.obeyed("select-bank"):
        out.append("Choosing a bank of tunings (RPN 00 04) after the tuning (RPN 00 03) has no effect.")
    if found.fine_parts == "msb with the lsb before":
        out.append(
            "Channel fine tuning acts when its coarse part (CC 6) comes, with the fine part (CC 38) seen before."
        )
    elif found.fine_parts == "msb":
        out.append("Channel fine tuning obeys its coarse part (CC 6) only: steps of 1.5625 cents.")
    elif found.verdict("channel-fine") == "new":
        out.append("Channel fine tuning moves only notes that start later.")
    if found.verdict("bend-range") == "new":
        out.append("A bend range acts on notes that start later: it is sent to silent channels only.")
    names = {
        "dump": "Whole tables (dumps) are ignored.",
        "master-fine": "Master fine tuning is ignored.",
        "mpe": "MPE zones are ignored.",
    }
    out += [text for name, text in names.items() if found.verdict(name) == "ignored"]
    devices = [
        name.removeprefix("device-")
        for name, row in found.rows.items()
        if name.startswith("device-") and row.obeyed
    ]
    if devices and not all(found.obeyed(name) for name in found.rows if name.startswith("device-")):
        out.append(f"Besides messages for all devices those for device {', '.join(devices)} are obeyed.")
    if found.by_ear:
        out.append("A player answered by ear: whether small shifts are exact is not known.")
    return out


def unknowns(found: Findings) -> list[str]:
    """Return what is not known, a sentence each."""
    out = [
        f"{row.label} ({row.message}): unknown" + (f", {row.remark}" if row.remark else "")
        for row in found.rows.values()
        if row.verdict == "unknown"
    ]
    if found.obeyed("octave-1", "octave-2") and found.verdict("octave-shared") == "unknown":
        out.append("whether channels have octave tables of their own: unknown, so one table is used for all")
    if found.obeyed("bend"):
        if found.obeyed("bend-range") and found.widest_range_semitones is None:
            out.append(f"bend ranges wider than {SAFE_RANGE} semitones: unknown")
        if found.bends.scale is None:
            out.append("how exact bends are: unknown")
    if found.carrier() in ("note", "note-bank", "octave") and found.tunings.rounding is None:
        out.append("whether pitches are rounded: unknown")
    if found.channels is None:
        out.append("which channels it receives: unknown, all are assumed")
    return out
