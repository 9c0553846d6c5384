"""Listening to the takes that a session names: the reference, or all strings, as they really sound.

The rules are those of the `table` command (`bridge.jobs.hearing`): takes hold open strings without a capo, and a
reference that stands beside one says about where to listen. What the session's own take tells holds for every piece
that follows the session's reference; a piece on another guitar takes its reference from it, not its strings. Notes that
the session file gives a frequency of their own keep it.
"""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

from bridge.errors import StillbeatError
from bridge.jobs.hearing import reference_in_take, tuned_in_take
from bridge.store.session.model import Piece, Session, Take, problem_at
from bridge.store.session.reading import load_session, session_from_toml
from bridge.tuning.as_tuned import AsTuned, as_tuned
from bridge.tuning.reference import Reference, default_reference
from bridge.tuning.spec import TableSpec


def open_session(file: Path, text: str | None = None, to_play: bool = False) -> Session:
    """Read a session file, and listen to the takes that it names; `to_play` as `load_session` has it.

    InputProblem as `bridge.store.session.reading.load_session`, or if a take cannot be read or measured; names
    file and line.

    Parameters
    ----------
    text : str, optional
        What to read in the place of what the file holds.
    """
    if text is not None:
        return listen_to_takes(session_from_toml(text, file.parent, file.name))
    return listen_to_takes(load_session(file, to_play))


def listen_to_takes(session: Session) -> Session:
    """Return a session with what its takes tell in the place of what was written; the same one if it has none."""
    if session.take is not None:
        session = _whole(session, session.take)
    if not any(piece.take for piece in session.pieces):
        return session
    pieces = tuple(_own(piece, piece.take) if piece.take else piece for piece in session.pieces)
    return replace(session, pieces=pieces)


def _whole(session: Session, take: Take) -> Session:
    """Lay the session's own take over the pieces that follow the session's reference."""
    first = session.pieces[0].spec
    home = session.guitar.tonic if session.guitar is not None else first.home
    nominal = session.reference or default_reference(home, session.guitar)
    spec = replace(first, guitar=session.guitar, home=home, tonic=home, reference=nominal)
    reference, tuned = _heard(spec, take)

    def follow(piece: Piece) -> Piece:
        if not piece.follows_reference:
            return piece
        if tuned is None or piece.spec.guitar != session.guitar:
            return replace(piece, spec=replace(piece.spec, reference=reference))
        return replace(piece, spec=_with_strings(piece, tuned))

    return replace(
        session,
        reference=reference,
        reference_how=session.reference_how or f"heard in {take.text}",
        heard="" if tuned is None else _said(tuned, take),
        pieces=tuple(follow(piece) for piece in session.pieces),
    )


def _own(piece: Piece, take: Take) -> Piece:
    """Lay a take of its own over a piece."""
    reference, tuned = _heard(piece.spec, take)
    if tuned is None:
        return replace(piece, spec=replace(piece.spec, reference=reference))
    return replace(piece, spec=_with_strings(piece, tuned), heard=_said(tuned, take))


def _heard(spec: TableSpec, take: Take) -> tuple[Reference, AsTuned | None]:
    """Listen to a take of open strings: the reference, and the strings where they are asked for."""
    # The tuning itself is what is heard; frets, and notes with a pitch of their own, are laid over it later.
    bare = replace(spec, fret=0, slide=Fraction(1), key_overrides=())
    try:
        if not take.strings:
            return reference_in_take(take.path, bare, take.near), None
        tuned = tuned_in_take(take.path, bare)
    except StillbeatError as problem:
        message = problem.message.replace(str(take.path), take.text)
        raise problem_at(take.at, message, _without_options(problem.hint)) from problem
    return tuned.spec.reference, tuned


def _with_strings(piece: Piece, tuned: AsTuned) -> TableSpec:
    """Return a piece's table with strings as they were heard, under the notes that the piece itself pins."""
    return as_tuned(piece.spec, tuned.measured, tuned.sd_cents).spec.with_keys(piece.pins)


def _said(tuned: AsTuned, take: Take) -> str:
    guitar = tuned.spec.guitar
    assert guitar is not None
    strings = ", ".join(
        f"{number} ({guitar.note_of(number)}) {off:+.1f}"
        for number, off in sorted(tuned.fit.deviations_cents.items(), reverse=True)
    )
    return f"Strings as heard in {take.text}, in cents from pure: {strings}"


def _without_options(hint: str) -> str:
    """Return a hint of the command line as a session file says it."""
    return hint.replace("--reference ", "reference = ").replace("--reference", "reference")
