"""What ``play --session`` does before it plays: it finds the session; and where an earlier run of it crashed, it asks
whether to go on there, or says how to."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bridge.errors import ValueProblem

if TYPE_CHECKING:
    from bridge.live.desk.book import Book
    from bridge.live.prepare.keyboard import Prepared


@contextlib.contextmanager
def session_there(path: Path | None) -> Iterator[Path | None]:
    """Find the file of a session that is named itself, or by the folder or zip that was built of it."""
    if path is None:
        yield None
        return
    from bridge.jobs.session.opened import session_file

    with session_file(path) as file:
        yield file


@contextlib.contextmanager
def where_it_was(
    prepared: Prepared, chosen: dict[str, Any], tell: Callable[[str], None]
) -> Iterator[tuple[Prepared, list[Book]]]:
    """Go on where the last run of a session was left, if that is wanted, and keep book from now on.

    Yields what to play, and who keeps book. Whoever leaves without an error leaves nothing to go on with.
    """
    session = chosen["session"]
    if session is None:
        if chosen["go_on"]:
            raise ValueProblem("--go-on goes on with a session", "name the session's file with --session")
        yield prepared, []
        return
    from bridge.live.desk.book import Book
    from bridge.live.left_off import LeftOffFile
    from bridge.live.plan import ChordsDrone, TablesDrone
    from bridge.live.player.journal import state_dir

    file = LeftOffFile(state_dir(), session, prepared.labels.instrument)
    if not file.hold():
        yield prepared, []  # another run plays this evening
        return
    try:
        prepared, offered = _answered(prepared, chosen, file.read())
        drone = prepared.plan.drone
        sounds = isinstance(drone, TablesDrone | ChordsDrone) and drone.on
        book = Book(file, prepared.listening, sounds, tell)
        if not offered:
            book.begin_at_once()
        try:
            yield prepared, [book]
        finally:
            book.close()
        if book.used:
            file.clear()
    finally:
        file.release()


def _answered(prepared: Prepared, chosen: dict[str, Any], left: Any) -> tuple[Prepared, bool]:
    """Ask whether to go on; return what to play, and whether something is still there to go on with."""
    from bridge.live.prepare.go_on import go_on, place_words

    elsewhere = chosen["begin"] is not None
    if left is None:
        if chosen["go_on"]:
            said = "nothing to go on with: the last run ended as it should"
            prepared = replace(prepared, notices=(*prepared.notices, said))
        return prepared, False
    if chosen["go_on"]:
        return go_on(prepared, left, place=not elsewhere), False
    words = place_words(left, prepared.labels.programme)
    if not elsewhere and sys.stdin.isatty() and sys.stderr.isatty():
        click.echo(words, err=True)
        if click.confirm("go on there?", default=True, err=True):
            return go_on(prepared, left), False
        return prepared, False
    what = "keep that reference" if elsewhere else "go on there"
    said = f"{words}; to {what}, leave now and add --go-on"
    return replace(prepared, notices=(*prepared.notices, said)), True
