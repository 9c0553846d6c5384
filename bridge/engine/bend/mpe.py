"""MPE: which source channel plays which zone, and how many member channels it gets.

A zone plays one source channel. There are two: the lower one (manager 1, members 2 upward) and the upper one
(manager 16, members 15 downward). By default the lower has members 2 to 9 and the upper 15 to 11, so that channel 10
stays free for drums; where nothing plays drums, channel 10 joins a zone that needs it. A part that needs more
channels gets more, if the other leaves them. Never is a zone tuned through its manager, whose bend moves all its
notes.

Source: *MIDI Polyphonic Expression*, version 1.0 (The MIDI Association, 2018).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from bridge.engine.report import spans
from bridge.errors import MethodProblem, ValueProblem
from bridge.wire.mpe import Zone

LOWER_MEMBERS, UPPER_MEMBERS = 8, 5


def choose_parts(playing: Sequence[int], asked: Sequence[int]) -> list[int]:
    """Return the source channels (1 to 16) that the zones play, of those with pitched notes; none asked for: all.

    MethodProblem if there are more than two; ValueProblem if a part that was asked for plays no pitched
    notes.
    """
    for part in asked:
        if part not in playing:
            raise ValueProblem(
                f"channel {part} plays no pitched notes", f"those that do: {spans(playing) or 'none'}"
            )
    parts = sorted(set(asked)) or list(playing)
    if len(parts) > 2:
        raise MethodProblem(
            f"{len(parts)} channels play pitched notes ({spans(playing)}), but MPE has two zones of one part each",
            "choose one or two with --part, or use --method bend",
        )
    return parts


def choose_zones(demand: Mapping[int, int], free: Sequence[int]) -> dict[int, Zone]:
    """Return the zone of each part.

    `demand` says for each of one or two parts how many member channels it would take; `free` are the channels
    1 to 16 that zones may use, drums not among them. MethodProblem if there is no room for the zones.
    """
    lower_most, upper_most = _reach(range(1, 17), free) - 1, _reach(range(16, 0, -1), free) - 1
    parts = sorted(demand, key=lambda part: (-demand[part], part))
    if len(parts) == 1:
        need = demand[parts[0]]
        lower_most, upper_most = min(lower_most, 15), min(upper_most, 15)
        if lower_most >= 1 and (lower_most >= min(need, LOWER_MEMBERS) or lower_most >= upper_most):
            return {parts[0]: Zone.lower(min(lower_most, max(need, LOWER_MEMBERS)))}
        if upper_most >= 1:
            return {parts[0]: Zone.upper(min(upper_most, max(need, UPPER_MEMBERS)))}
        raise _no_room(free)
    if lower_most < 1 or upper_most < 1:
        raise _no_room(free)
    best: tuple[tuple[int, int], tuple[Zone, Zone]] | None = None
    for lower in range(1, min(lower_most, 13) + 1):
        for upper in range(1, min(upper_most, 14 - lower) + 1):
            missing = max(0, demand[parts[0]] - lower) + max(0, demand[parts[1]] - upper)
            unusual = abs(lower - LOWER_MEMBERS) + abs(upper - UPPER_MEMBERS)
            if best is None or (missing, unusual) < best[0]:
                best = (missing, unusual), (Zone.lower(lower), Zone.upper(upper))
    assert best is not None, "one member each always fits"
    return dict(zip(parts, best[1], strict=True))


def _reach(channels: range, free: Sequence[int]) -> int:
    """How many channels in a row, from the manager on, may be used."""
    count = 0
    for channel in channels:
        if channel not in free:
            break
        count += 1
    return count


def _no_room(free: Sequence[int]) -> MethodProblem:
    return MethodProblem(
        f"the channels left ({spans(free) or 'none'}) hold no MPE zone",
        "a zone starts at channel 1 or 16 with its members next to it; or use --method bend",
    )
