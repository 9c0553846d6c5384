"""What an examination of a synth leaves: a table for a musician, JSON for scripts, and the profile's file."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bridge.engine.probe.course import Findings
from bridge.engine.probe.profile import profile_of, unknowns
from bridge.engine.report import spans
from bridge.errors import OutputProblem, ValueProblem
from bridge.store.files import check_output, write_bytes_atomic
from bridge.store.finding import user_dir
from bridge.store.probe_profiles import profile_to_toml
from bridge.wire.profile import SynthProfile

WORDS = {
    "now": "moves sounding notes",
    "new": "only new notes",
    "ignored": "ignored",
    "unknown": "unknown",
}
"""Verdicts as a musician reads them."""

_OBEYED = {"now": "obeyed", "new": "obeyed", "ignored": "ignored", "unknown": "unknown"}
_SHARED = {
    "now": "yes: a second message wipes the first",
    "new": "yes: a second message wipes the first",
    "ignored": "no: each channel has its own",
    "unknown": "unknown",
}

_NAME = re.compile(r"[a-z0-9][a-z0-9_-]*")
_LONGEST_NAME = 64


@dataclass(frozen=True)
class ProbeReport:
    """An examination and the profile that follows from it."""

    found: Findings
    profile: SynthProfile
    unknown: tuple[str, ...]  # what is not known, a sentence each


def name_from_port(port: str) -> str:
    """Return a name for a profile made of a port's: ``Keys 61:Keys 61 MIDI 1 28:0`` gives ``keys-61``."""
    first = re.split(r"[:\n]", port)[0].lower()
    return re.sub(r"[^a-z0-9]+", "-", first).strip("-")[:_LONGEST_NAME] or "synth"


def check_name(name: str) -> str:
    """Return a profile's name, or refuse one that cannot be typed.

    ValueProblem if it holds anything but small letters, digits, dashes and underscores.
    """
    if not _NAME.fullmatch(name) or len(name) > _LONGEST_NAME:
        raise ValueProblem(
            f"{name!r} cannot be the name of a synth",
            "small letters a to z, digits, - and _, such as stage-piano",
        )
    return name


def where_to_write(port: str, name: str | None, output: Path | None, overwrite: bool) -> tuple[str, Path]:
    """Return name and file of the profile; refused early, before long work is done in vain.

    Without `output` the file goes among the user's own descriptions, where its name is enough to find it.

    StillbeatError if the name is impossible, or the file exists already or cannot be written.
    """
    if output is not None:
        if output.suffix.lower() != ".toml":
            raise ValueProblem(f"{output} must end in .toml, as synth profiles do")
        chosen = check_name(name if name is not None else name_from_port(output.stem))
        check_output(output, overwrite)
        return chosen, output
    chosen = check_name(name if name is not None else name_from_port(port))
    path = user_dir() / "synths" / f"{chosen}.toml"
    if path.exists() and not overwrite:
        raise OutputProblem(
            f"there is a profile {path} already", "another name: --name; or replace it: --overwrite"
        )
    return chosen, path


def write_profile(report: ProbeReport, path: Path, overwrite: bool) -> None:
    """Write the profile's file; OutputProblem if it cannot be written."""
    if not path.parent.exists() and path.parent == user_dir() / "synths":
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise OutputProblem(
                f"the folder {path.parent} cannot be made: {error.strerror}", "write elsewhere with -o"
            ) from None
    write_bytes_atomic(path, profile_to_toml(report.profile, report.unknown).encode(), overwrite)


def make_report(
    found: Findings, name: str, port: str, heard: str | None, today: datetime.date
) -> ProbeReport:
    """Return the report of an examination through a sound input, or by a player where `heard` is None.

    `name` is the profile's. MethodProblem if nothing is known to be obeyed.
    """
    how = "answered by a player, by ear" if heard is None else f"heard through the sound input {heard}"
    source = f"examined with stillbeat probe on {today.isoformat()}, port {port}, {how}"
    title = port.split(":")[0].strip() or name
    return ProbeReport(found, profile_of(found, name, title, source), tuple(unknowns(found)))


def report_rows(found: Findings) -> list[tuple[str, ...]]:
    """Return the table: what was tried, MIDI's name for it, what it does, cents heard while sounding and after."""
    rows = []
    for row in found.rows.values():
        words = _words(row.name)[row.verdict] + (f" ({row.remark})" if row.remark else "")
        cents = [_shown(row.sounding_cents), _shown(row.later_cents)]
        rows.append((row.label, row.message, _shown(row.wanted_cents), *cents, words))
    return rows


def _words(name: str) -> dict[str, str]:
    """Return what verdicts mean for one trial."""
    if name == "octave-shared":
        return _SHARED
    return _OBEYED if name.startswith("device-") else WORDS


def _shown(cents: float | None) -> str:
    if cents is None:
        return ""
    rounded = round(cents, 1)
    return f"{rounded:+.1f}" if rounded else "0.0"


def report_facts(found: Findings) -> list[str]:
    """Return what was measured besides, a sentence each."""
    out = []
    if found.default_range_semitones is not None:
        out.append(f"Bends reached {found.default_range_semitones:.1f} semitones as the synth was found.")
    if found.widest_range_semitones is not None:
        clamped = "; wider ones are taken for that" if found.clamped else ""
        least = " at least" if found.by_ear else ""
        out.append(
            f"The widest bend range that it obeys is{least} {found.widest_range_semitones} semitones{clamped}."
        )
    if found.bends.scale is not None:
        rounding = {"floor": ", rounded down to whole cents", "nearest": ", rounded to whole cents"}
        out.append(
            f"Bends go {found.bends.scale:.7g} times as far as asked{rounding.get(found.bends.rounding or '', '')}."
        )
    if found.tunings.rounding is not None:
        exact = {
            "none": f"Tunings are exact within {max(0.1, found.tunings.worst_cents):.1f} cents.",
            "floor": "Tunings are rounded down to whole cents.",
            "nearest": "Tunings are rounded to the nearest whole cent.",
        }
        out.append(exact[found.tunings.rounding])
    if found.channels is not None:
        out.append(f"Heard on channels {spans(found.channels)}.")
    return out


def report_json(report: ProbeReport, port: str, heard: str | None, path: Path | None) -> dict[str, Any]:
    """Return what ``stillbeat probe --json`` prints (schema 1)."""
    found = report.found
    return {
        "schema": 1,
        "port": port,
        "heard_through": heard,
        "method": report.profile.methods[0],
        "profile": None if path is None else str(path),
        "rows": [
            {
                "name": row.name,
                "label": row.label,
                "message": row.message,
                "verdict": row.verdict,
                "asked_cents": row.wanted_cents,
                "sounding_cents": row.sounding_cents,
                "later_cents": row.later_cents,
                "remark": row.remark,
            }
            for row in found.rows.values()
        ],
        "bend_range": {
            "found_semitones": found.default_range_semitones,
            "widest_semitones": found.widest_range_semitones,
            "clamped": found.clamped,
        },
        "bend_scale": found.bends.scale,
        "bend_rounding": found.bends.rounding,
        "tuning_rounding": found.tunings.rounding,
        "fine_tuning_parts": found.fine_parts,
        "channels": None if found.channels is None else list(found.channels),
        "unknown": list(report.unknown),
    }
