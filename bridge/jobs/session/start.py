"""Writing a first session file, with the tracks and synths that are there already."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from bridge.errors import OutputProblem, ValueProblem
from bridge.jobs.session.takes import listen_to_takes
from bridge.sheet.needs import INSTALL, sheets_can_be_made
from bridge.store.descriptions import is_path, load_guitar
from bridge.store.files import check_output, write_bytes_atomic
from bridge.store.profiles import load_profile
from bridge.store.session.model import Session
from bridge.store.session.new import new_session_text
from bridge.store.session.reading import session_from_toml
from bridge.store.smf import read_midi
from bridge.tuning.reference import parse_reference


def new_session(
    file: Path,
    title: str | None = None,
    guitar: str | None = None,
    reference: str | None = None,
    synths: Sequence[str] = (),
    tracks: Sequence[Path] = (),
    overwrite: bool = False,
    take: Path | None = None,
) -> Session:
    """Write a session file to start from; it is read back before it appears.

    Parameters
    ----------
    file : Path
        The file, whose name ends in ``.toml``.
    title : str, optional
        Of the session; made of the file's name where left out.
    guitar, reference : str, optional
        As on the command line.
    synths : sequence of str
        Names of synth profiles, or profiles in the folder of the file.
    tracks : sequence of Path
        Backing tracks, in the folder of the file or below; a piece for each.
    take : Path, optional
        A recording of the reference string, in the folder of the file or below.

    Raises
    ------
    ValueProblem
        A name or the reference is unknown or malformed, or a track lies outside the folder.
    InputProblem
        A track is missing or no MIDI file, or the recording cannot be read or measured.
    OutputProblem
        The file exists or cannot be written.
    """
    if file.suffix.lower() != ".toml":
        raise OutputProblem(f"{file}: a session file is TOML", f"name it {file.stem or 'evening'}.toml")
    check_output(file, overwrite=overwrite)
    if guitar is not None and not is_path(guitar):
        load_guitar(guitar)
    if reference is not None:
        parse_reference(reference)
    for name in synths:
        if not is_path(name):
            load_profile(name)
    text = new_session_text(
        file.name,
        title or _title(file),
        guitar,
        reference,
        [_inside(file, Path(name)) if is_path(name) else name for name in synths],
        [_inside(file, track) for track in tracks],
        _inside(file, take) if take is not None else None,
        no_pages="" if sheets_can_be_made() else INSTALL,
    )
    session = listen_to_takes(session_from_toml(text, file.parent, file.name))
    for track in tracks:
        read_midi(track)  # says if it is a recording
    write_bytes_atomic(file, text.encode("utf-8"), overwrite=overwrite)
    return session


def _title(file: Path) -> str:
    words = file.stem.replace("_", " ").replace("-", " ").split()
    text = " ".join(words) or "Session"
    return text[0].upper() + text[1:]


def _inside(file: Path, path: Path) -> str:
    """Return a path as it is written in the session file: from its folder."""
    folder = file.parent.resolve()
    target = path.resolve()
    if not target.is_relative_to(folder):
        raise ValueProblem(
            f"{path} lies outside the folder of the session, {file.parent}",
            "copy it there, and name the copy",
        )
    return os.fspath(target.relative_to(folder)).replace(os.sep, "/")
