"""The page beside ``stillbeat sing``: what it shows, and what of the drone browsers may ask.

The degree and how far it is off stand in large letters; below them goes the pitch of the last seconds, a line in time
among the table's pure lines. The window on the pitches holds all of that line; it moves by whole semitones.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from bridge.live.desk.singer import NoteNow, SingerSeen
from bridge.live.desk.sung_drone import DEGREES
from bridge.live.desk.sung_line import KEPT_S
from bridge.live.desk.typed import Command
from bridge.live.desk.views.singer import PURE_CENTS, steady_words, way_words
from bridge.page.actions import actions_of, command_of
from bridge.page.frames import Asked, ShowSinger, Stand
from bridge.page.host import Page
from bridge.sheet.phrases import beat_words
from bridge.tuning.drone_notes import drone_keys
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table

MARGIN_CENTS = 90.0
"""So much is seen above and below the voice."""

LEAST_CENTS = 400.0
"""The window is at least so high."""

STEP_CENTS = 100.0


def stand_of_singer(table: Table, spec: TableSpec, voice: str) -> Stand:
    """Return what stays the same while somebody sings."""
    return Stand(
        command="sing",
        actions=actions_of("sing"),
        spec=spec,
        pure=tuple(
            (float(hz), f"{table.degrees[key] or ''} {table.note(key)}".strip())
            for key, hz in enumerate(table.hz)
        ),
        sung_degrees=tuple(table.note(drone_keys(str(one), table.tonic, voice)[0]) for one in DEGREES),
    )


class PageOfSinger:
    """Hands what is seen to a page, and what is asked there to a singer's desk."""

    def __init__(self, page: Page) -> None:
        self._page = page

    def show(self, seen: SingerSeen, line: Sequence[tuple[float, float]]) -> None:
        """Show how things are now; never waits."""
        self._page.put(ShowSinger(seen, tuple(line)))


@contextmanager
def page_of_singer(
    stand: Stand, command: Callable[[Command], None], port: int = 0, lan: bool = False
) -> Iterator[tuple[PageOfSinger, Page]]:
    """Serve a page while somebody sings.

    Parameters
    ----------
    command : callable
        Takes a command as if it were typed, in any thread; ``tell TEXT`` where the page has something to say.
    port, lan
        As in `bridge.page.host.Page`.
    """

    def take(asked: Asked) -> None:
        if asked.action == "drone":
            command("drone")
        elif asked.action == "degree" and (meant := command_of("degree", asked.number)) is not None:
            command(meant)

    def say(text: str) -> None:
        command(f"tell {text}")

    with Page(stand, take, say, port, lan) as page:
        yield PageOfSinger(page), page


def sung_shown(told: ShowSinger, pure: Sequence[tuple[float, str]]) -> dict[str, Any]:
    """Return what the view shows; cents are above the lowest of the table's notes."""
    seen, base_hz = told.seen, pure[0][0] if pure else 1.0
    line = [(ago_s, hz_to_cents(hz, base_hz) if hz > 0 else None) for ago_s, hz in told.line]
    centre = None if seen.now is None else hz_to_cents(seen.now.hz, base_hz)
    heard = [cents for _, cents in line if cents is not None] + ([] if centre is None else [centre])
    notes = [(hz_to_cents(hz, base_hz), name) for hz, name in pure]
    low, high = _window(heard)
    return {
        "now": None if seen.now is None else _note(seen.now, centre),
        "before": [{"name": note.degree or note.note, "cents": round(note.cents)} for note in seen.before],
        "told": _told(seen.before[-1]) if seen.before else "",
        "drone": list(seen.drone),
        "degrees": list(seen.degrees),
        "said": list(seen.said[-3:]),
        "seconds": KEPT_S,
        "low": low,
        "high": high,
        "near": PURE_CENTS,
        "pure": [{"cents": round(cents, 1), "name": name} for cents, name in notes if low < cents < high],
        "line": [[round(ago_s, 2), None if cents is None else round(cents, 1)] for ago_s, cents in line],
    }


def _window(heard: Sequence[float]) -> tuple[float, float]:
    """Lowest and highest pitch that is seen; nothing where nothing was heard."""
    if not heard:
        return 0.0, 0.0
    low = STEP_CENTS * math.floor((min(heard) - MARGIN_CENTS) / STEP_CENTS)
    high = STEP_CENTS * math.ceil((max(heard) + MARGIN_CENTS) / STEP_CENTS)
    while high - low < LEAST_CENTS:
        # The side on which less is seen beside the voice.
        low, high = (
            (low - STEP_CENTS, high) if min(heard) - low < high - max(heard) else (low, high + STEP_CENTS)
        )
    return low, high


def _note(now: NoteNow, centre: float | None) -> dict[str, Any]:
    return {
        "degree": now.degree or now.note,
        "note": now.note,
        "hz": round(now.hz, 1),
        "cents": round(now.cents),
        "centre": None if centre is None else round(centre, 1),
        "held": round(now.held_s, 2),
        "way": way_words(now),
        "steady": steady_words(now),
        "beats": "" if now.beats_hz is None or now.guess else f"{beat_words(now.beats_hz)} with the drone",
        "guess": now.guess,
        "near": abs(now.cents) <= PURE_CENTS,
    }


def _told(note: NoteNow) -> str:
    """A note that is over, for somebody who listens to the page."""
    off = round(note.cents)
    where = (
        "pure"
        if abs(note.cents) <= PURE_CENTS
        else f"{abs(off)} cents {'above' if off > 0 else 'below'} pure"
    )
    return f"degree {note.degree}: {where}" if note.degree else f"{note.note}: {where}"
