"""Whether the tables follow the guitar: decided from single plucks of its open strings.

Tables move only where the guitar moved as a whole. Two plucks of the reference string that agree within `AGREE_CENTS`
say where it is now; another open string that has moved likewise says that it was no string alone. Tables then go there
slowly, so that no chord that is held jumps. A string that moved alone is to be retuned, and is told. Two readings of
one string `PEG_CENTS` apart within `PEG_S` mean that somebody turns a peg: then nothing moves for `REST_S`, or player
and synth would chase each other. Further than `MOST_CENTS` nothing moves without being asked.

How another string lies beside the reference string is learnt first, from plucks over a minute between which it stays
the same, and is kept: were it learnt on and on, a reference string that sinks alone would take all others with it in
small steps. What the reference string was off before the first of those plucks nobody can tell apart from a string that
moved alone, so beyond `BEGINS_CENTS` it does not count. A string between two plucks of the reference string is compared
with where that was meanwhile.

No clock is touched: whoever calls says what time it is.

Conventions: cents above where the open strings lay in the tables at the beginning; times in seconds. The figures are
*common practice* of strings that settle and warm up together, and of pegs.
"""

from __future__ import annotations

import statistics
from collections.abc import Mapping
from typing import NamedTuple

from bridge.tuning.ratios import hz_to_cents

AGREE_CENTS = 1.5
AGREE_S = 120.0
"""Two plucks agree that are no further apart, in pitch and in time."""

FRESH_S = 100.0
"""What another string sounded longer ago says nothing of now."""

NEAR_S = 15.0
"""Plucks so near in time are averaged."""

LEAST_CENTS = 0.4
"""Less than this is not worth moving for."""

LEARNT, LEARNT_S, SAME_CENTS, DRIFTS_CENTS = 4, 80.0, 1.0, 0.3
"""Another string is known after so many plucks over so long, which lie so near to each other beside the reference
string, and drift by no more than the last figure in a minute."""

BEGINS_CENTS = 1.5

LIKEWISE, LIKEWISE_CENTS = 0.4, 0.3
"""Two strings moved likewise that differ by no more than this share of the way, or than these cents."""

SINCE_CENTS = 1.0
"""So far it may have gone since that was heard."""

ALONE_CENTS = 3.0
"""A string that is so far off, while the others are where they were, moved alone."""

PEG_CENTS, PEG_S, REST_S = 3.0, 10.0, 20.0
RATE_CENTS = 0.5
"""Tables move by no more than this in a second."""

STEP_S = 0.5
MOST_CENTS = 20.0
NEAR_CENTS = 60.0
"""What lies further from an open string is none."""


class Pluck(NamedTuple):
    """An open string that was heard, well after its stroke."""

    string: int
    hz: float
    at_s: float


class _Heard(NamedTuple):
    cents: float
    at_s: float


class _Apart(NamedTuple):
    cents: float
    """Above the reference string."""
    reference: float
    """Where that was."""
    at_s: float


class StringFollower:
    """Plucks in, moves of the tables out.

    Parameters
    ----------
    reference : int
        The number of the reference string.
    strings_hz : mapping of int to float
        The pitch of every open string in the tables, in hertz, by number.
    """

    def __init__(self, reference: int, strings_hz: Mapping[int, float]) -> None:
        self._reference = reference
        self._strings_hz = dict(strings_hz)
        self._plucks: dict[int, list[_Heard]] = {}
        # How far other strings lay above the reference string, and what that is once it is known.
        self._apart: dict[int, list[_Apart]] = {}
        self._beside: dict[int, float] = {}
        # What the reference string was off already when the first string was known.
        self._began_cents: float | None = None
        self._still_until_s = -1e9
        self._stepped_s = -1e9
        self._told: set[str] = set()
        self.moved_cents = 0.0
        """How far the tables were moved."""
        self.target_cents = 0.0
        """How far they are to be moved."""
        self.off = False
        """Whether nothing is followed any more: it was taken back."""

    def begin_anew(self, strings_hz: Mapping[int, float]) -> None:
        """The tables are others now, and nothing is known of the strings beside them."""
        self.__init__(self._reference, strings_hz)  # type: ignore[misc]

    def take_back(self) -> float:
        """Follow no longer; return by how many cents the tables are to be moved to be where they began."""
        back, self.moved_cents, self.target_cents = -self.moved_cents, 0.0, 0.0
        self.off = True
        return back

    def pluck(self, pluck: Pluck) -> str:
        """Take in a pluck; return what the player should know, or nothing."""
        if self.off or pluck.string not in self._strings_hz:
            return ""
        cents = hz_to_cents(pluck.hz, self._strings_hz[pluck.string])
        if abs(cents) > NEAR_CENTS:
            return ""
        heard = self._plucks.setdefault(pluck.string, [])
        turned = any(pluck.at_s - one.at_s <= PEG_S and abs(cents - one.cents) >= PEG_CENTS for one in heard)
        if turned:
            self._still_until_s = pluck.at_s + REST_S
            self.target_cents = self.moved_cents
            self._plucks = {pluck.string: [_Heard(cents, pluck.at_s)]}
            self._apart.clear()
            if pluck.string != self._reference:
                self._beside.pop(pluck.string, None)  # it is tuned as it shall be
            self._told.clear()
            return f"string {pluck.string} is being tuned: nothing follows for {REST_S:.0f} seconds"
        heard.append(_Heard(cents, pluck.at_s))
        if pluck.string != self._reference:
            return ""
        self._compare()
        del heard[:-2]
        return "" if pluck.at_s < self._still_until_s else self._decide(pluck.at_s)

    def _compare(self) -> None:
        """Set what was heard of other strings against where the reference string was meanwhile."""
        if len(self._plucks[self._reference]) < 2:
            return
        before, last = self._plucks[self._reference][-2:]
        for string, heard in self._plucks.items():
            if string == self._reference:
                continue
            apart = self._apart.setdefault(string, [])
            for one in heard:
                if before.at_s <= one.at_s <= last.at_s and last.at_s - before.at_s <= FRESH_S:
                    part = (one.at_s - before.at_s) / (last.at_s - before.at_s)
                    there = before.cents + part * (last.cents - before.cents)
                    apart.append(_Apart(one.cents - there, there, one.at_s))
            del apart[: -3 * LEARNT]
            if string not in self._beside:
                self._learn(string, apart)
        self._plucks = {self._reference: self._plucks[self._reference]}

    def _learn(self, string: int, apart: list[_Apart]) -> None:
        """Know how a string lies beside the reference string, if that has stayed the same for long enough."""
        for first in range(len(apart) - LEARNT + 1):
            some = apart[first:]
            cents = [one.cents for one in some]
            span_s = some[-1].at_s - some[0].at_s
            if span_s < LEARNT_S or max(cents) - min(cents) > SAME_CENTS:
                continue
            slope = statistics.linear_regression([one.at_s for one in some], cents).slope
            if abs(60 * slope) <= DRIFTS_CENTS:
                self._beside[string] = sum(cents) / len(cents)
                if self._began_cents is None:
                    off = some[0].reference - self.target_cents
                    self._began_cents = off if abs(off) > BEGINS_CENTS else 0.0
                return

    def _decide(self, now_s: float) -> str:
        before, last = (self._plucks[self._reference] * 2)[-2:]
        near = last.at_s - before.at_s <= AGREE_S and abs(last.cents - before.cents) <= AGREE_CENTS
        if before is last or not near:
            return ""
        # Long ago it may have been elsewhere: then the newer one counts alone.
        reference = last.cents if last.at_s - before.at_s > NEAR_S else 0.5 * (before.cents + last.cents)
        if self._began_cents is None:
            stayed = self._others_stayed()
            return self._once(f"string {self._reference} moved alone: retune it") if stayed else ""
        reference -= self._began_cents
        way = reference - self.target_cents
        # How far each string that was heard lately has moved beside the reference string.
        aside = {
            string: apart[-1].cents - self._beside[string]
            for string, apart in self._apart.items()
            if string in self._beside and apart and now_s - apart[-1].at_s <= FRESH_S
        }
        if abs(way) < LEAST_CENTS:
            return self._alone(aside)
        # Where the reference string was when another one was heard that had moved likewise: nobody knows of more.
        known = [
            apart
            for string, cents in aside.items()
            if abs(cents) <= self._allowed((apart := self._apart[string][-1]).reference - self._began_cents)
        ]
        if not known:
            # Where it moved, and the others stayed, they lie as far the other way beside it.
            stayed = any(
                abs(cents + way) <= max(LIKEWISE * abs(way), LIKEWISE_CENTS) for cents in aside.values()
            )
            alone = abs(way) >= ALONE_CENTS and stayed
            return self._once(f"string {self._reference} moved alone: retune it") if alone else ""
        there = max(known, key=lambda apart: apart.at_s).reference - self._began_cents
        if abs(reference - there) > SINCE_CENTS:
            reference = there
        way = reference - self.target_cents
        if abs(way) < LEAST_CENTS:
            return ""
        if abs(reference) > MOST_CENTS:
            where = "above" if reference > 0 else "below"
            return self._once(
                f"the guitar is {abs(reference):.0f} cents {where} where it began, too far to follow unasked: "
                "l listens, and moves all tables there"
            )
        self.target_cents = reference
        self._told.clear()
        verb = "risen" if way > 0 else "sunk"
        return f"the guitar has {verb} by {abs(way):.1f} cents: all tables follow (u takes it back)"

    def _allowed(self, reference: float) -> float:
        """How far another string may have moved aside where the reference string was there."""
        return max(LIKEWISE * abs(reference - self.target_cents), LIKEWISE_CENTS)

    def _others_stayed(self) -> bool:
        """Whether the reference string has gone a long way while another one has not."""
        for apart in self._apart.values():
            if len(apart) < 2:
                continue
            first, last = apart[0], apart[-1]
            way = last.reference - first.reference
            own = way + last.cents - first.cents
            if abs(way) >= ALONE_CENTS and abs(own) <= LIKEWISE * abs(way):
                return True
        return False

    def _alone(self, aside: Mapping[int, float]) -> str:
        """Tell of another string that moved while the reference string did not."""
        for string, cents in aside.items():
            if abs(cents) >= ALONE_CENTS:
                return self._once(f"string {string} moved alone: retune it")
        return ""

    def _once(self, text: str) -> str:
        if text in self._told:
            return ""
        self._told.add(text)
        return text

    def step(self, now_s: float) -> float:
        """Return by how many cents the tables are to be moved now; call it several times a second."""
        passed_s = now_s - self._stepped_s
        if passed_s < STEP_S:
            return 0.0
        self._stepped_s = now_s
        if self.off or now_s < self._still_until_s:
            return 0.0
        most = RATE_CENTS * min(passed_s, 2 * STEP_S) if passed_s < 1e6 else RATE_CENTS * STEP_S
        by = max(-most, min(most, self.target_cents - self.moved_cents))
        self.moved_cents += by
        return by
