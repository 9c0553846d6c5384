"""What differs from a bundle that was built before, for those who have its pages on their stands."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from bridge.engine.report import spans
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.paper.pages import PAGES
from bridge.tuning.ratios import hz_to_cents

_SAME_CENTS = 0.05
"""Less than this does not show on paper."""

_MOST_PAGES = 6


def differences(old: Manifest, new: Manifest) -> tuple[str, ...]:
    """Say how far the pieces have moved, and which pages are to be printed again.

    Parameters
    ----------
    old, new : Manifest
        Of the bundle before, and of the one that has taken its place.
    """
    moved = _moved(old.session, new.session)
    return (*_moved_words(moved, len(new.session["pieces"])), *_pages_words(old, new))


def _moved(old: Mapping[str, Any], new: Mapping[str, Any]) -> dict[int, float]:
    """Return how far each piece has moved, told by its first tonic, in cents, by number; only what has."""
    before = {piece.get("name"): piece.get("tonic") for piece in old.get("pieces", ())}
    found = {}
    for piece in new["pieces"]:
        was, now = before.get(piece["name"]), piece["tonic"]
        try:
            if was is None or was["note"] != now["note"]:
                continue  # the older one does not say, or the piece is another now
            cents = hz_to_cents(float(now["hz"]), float(was["hz"]))
        except (KeyError, TypeError, ValueError, ZeroDivisionError):
            continue
        if abs(cents) >= _SAME_CENTS:
            found[piece["number"]] = round(cents, 1)
    return found


def _moved_words(moved: Mapping[int, float], pieces: int) -> Iterator[str]:
    groups: dict[float, list[int]] = {}
    for number, cents in moved.items():
        groups.setdefault(cents, []).append(number)
    for cents, numbers in groups.items():
        who = "everything sounds" if len(numbers) == pieces else f"pieces {spans(numbers)} sound"
        yield f"{who} {abs(cents):.1f} cents {'higher' if cents > 0 else 'lower'} than on the pages printed before"
    if moved and len(moved) < pieces:
        yield "the other pieces have a reference of their own, and stay"


def _pages_words(old: Manifest, new: Manifest) -> Iterator[str]:
    papers = [path for path in sorted(new.files) if path.startswith(f"{PAGES}/") and path.endswith(".pdf")]
    changed = [
        path
        for path in papers
        if path in old.files and old.files[path]["sha256"] != new.files[path]["sha256"]
    ]
    if changed and changed == papers:
        changed = [path for path in papers if "piece" not in new.files[path]]
    if changed:
        shown = ", ".join(changed[:_MOST_PAGES])
        more = f" and {len(changed) - _MOST_PAGES} more" if len(changed) > _MOST_PAGES else ""
        yield f"print again: {shown}{more}"
