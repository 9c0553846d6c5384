"""What there is to choose from in a piece whose harmony is followed, and what excludes following.

What wins over what
-------------------
- Notes held one by one (`pins`), strings as tuned and open strings that win keep the pitch they have.
- A degree that was replaced, from the start or from a bar on, stays where it was put.
- From a bar with a tonic of its own on, that tonic's variants are the only ones; until then those of the tonic that
  is heard count too.
- A drone of the same run holds its classes.
- Equal temperament, tempered scales and key signatures that move the tonic exclude following.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from bridge.errors import ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.harmony.choice.variants import Palette, palette_of
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.tables import Table


def check_request(equal: bool, follow_key_signatures: bool) -> None:
    """Refuse what excludes following.

    Raises
    ------
    ValueProblem
        Says what excludes it.
    """
    if equal:
        raise ValueProblem(
            "--follow-harmony and --equal were both asked for", "equal temperament has no commas to follow by"
        )
    if follow_key_signatures:
        raise ValueProblem(
            "--follow-harmony and --follow-key-signatures were both asked for",
            "both move notes where the key changes; choose one",
        )


def palettes_of(
    tables: Sequence[Table], own_tonic: str | None, wanted: FollowRequest, held: Collection[int] = ()
) -> list[Palette]:
    """Return what there is to choose from under each table of a piece.

    Parameters
    ----------
    tables : sequence of Table
        The table at the start, and each that was asked for later.
    own_tonic : str or None
        The tonic that was heard.
    wanted : FollowRequest
        What stays.
    held : collection of int
        Pitch classes that stay besides.

    Raises
    ------
    TuningProblem
        A table has no scale, or a tempered one.
    """
    home = tables[0]
    found = []
    for table in tables:
        spec = table.spec
        named = table is not home and spec.tonic_class != home.spec.tonic_class
        degrees = {degree for degree, _ in (*spec.home_degree_changes, *spec.degree_changes)}
        tonic_class = parse_pitch_class(table.tonic)
        kept = {*held, *wanted.held, *((tonic_class + degree) % 12 for degree in degrees)}
        own = None if named else own_tonic
        found.append(palette_of(table, own, wanted.pinned, sorted(kept), wanted.natural_sevenths))
    return found
