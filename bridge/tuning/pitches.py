"""Pitches of an instrument at fret 0: what `tables` moves by fret and slide, and turns into a table.

Conventions
-----------
Pitches are of type `Interval` to the reference, exact where the scale and the guitar are. Keys are MIDI keys, but any
whole number will do: the formulas go on beyond 0–127. The order in which home, tonic, open strings and
overrides act is told in `bridge.tuning.tables`.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from bridge.tuning.guitars import GuitarString
from bridge.tuning.notes import KEYS
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.reference import nearest_key_of_class
from bridge.tuning.scales import Interval, octaves
from bridge.tuning.spec import TableSpec

WHOLE_TONE_BELOW = Interval.of_ratio(Fraction(16, 9))
"""Where a tonic a whole tone below home stands (an octave higher); the reason is told in `bridge.tuning.tables`."""

_UNISON = Interval.of_ratio(Fraction(1))
_SEVENTH = 10  # the degree b7


def sound(reference_hz: float, interval: Interval, slide: Fraction = Fraction(1)) -> float:
    """Return the frequency of an interval above the reference, times a slide; ratios become numbers last."""
    if interval.ratio is not None:
        return reference_hz * float(interval.ratio * slide)
    return reference_hz * interval.factor * float(slide)


class OpenPitches:
    """The pitch of every key and string of a `TableSpec` at fret 0; its fret and slide are ignored."""

    def __init__(self, spec: TableSpec) -> None:
        self._spec = spec
        self._overrides = dict(spec.key_overrides)
        self._home_scale = spec.scale and spec.scale.with_degrees(dict(spec.home_degree_changes))
        self._scale = self._home_scale and self._home_scale.with_degrees(dict(spec.degree_changes))
        # Interval of every open string to the reference, by string number; empty without a guitar.
        self._steps: dict[int, Interval] = {}  # of the home scale from the reference, by degree
        self._hang = _UNISON
        self._known: dict[int, Interval | None] = {}
        self.strings = self._open_strings()
        self._hang = self._find_hang()
        self._steps.clear()
        self._anchor_key = nearest_key_of_class(spec.tonic_class, spec.reference.key)
        self._anchor = self._find_anchor() if self._scale is not None else None

    def interval(self, key: int) -> Interval | None:
        """Interval of a key of the open instrument to the reference; None if it is only known in Hz."""
        if key not in self._known:
            self._known[key] = self._interval(key)
        return self._known[key]

    def _interval(self, key: int) -> Interval | None:
        if key in self._overrides or self._scale is None or self._anchor is None:
            return None
        if self._spec.open_strings_win:
            string = self._string_interval(key)
            if string is not None:
                return string
        if self._spec.at_home:
            return self._home(key)
        degree = (key - self._spec.tonic_class) % 12
        return self._anchor * self._scale.degrees[degree] * octaves((key - degree - self._anchor_key) // 12)

    def hz(self, key: int, slide: Fraction = Fraction(1)) -> float:
        """Frequency of a key of the open instrument, times a slide; `key` may lie beyond 0–127."""
        if key in self._overrides:
            return self._overrides[key] * float(slide)
        interval = self.interval(key)
        if interval is not None:
            return sound(self._spec.reference.hz, interval, slide)
        inside = key % 12 if key < 0 else KEYS - 12 + (key - (KEYS - 12)) % 12
        return float(self._overrides[inside] * 2.0 ** ((key - inside) // 12)) * float(slide)

    def _home(self, key: int) -> Interval:
        """Interval of a key of the home scale to the reference; `key` may lie beyond 0–127."""
        assert self._home_scale is not None
        home, reference_key = self._spec.home_class, self._spec.reference.key
        here, there = (key - home) % 12, (reference_key - home) % 12
        step = self._steps.get(here)
        if step is None:
            step = self._hang * self._home_scale.degrees[here] / self._home_scale.degrees[there]
            self._steps[here] = step
        return step * octaves(((key - here) - (reference_key - there)) // 12)

    def _find_hang(self) -> Interval:
        """Interval from the home scale on the reference to the home scale on the open tonic string.

        Of several strings that sound the tonic, the one that leaves the fewest others off the scale. Nothing moves
        where string or scale are tempered: a temperament goes through the reference.
        """
        guitar = self._spec.guitar
        if guitar is None or self._home_scale is None:
            return _UNISON
        off = {
            string.number: self.strings[string.number] / self._home(string.key) for string in guitar.strings
        }
        hangs = [
            (sum(one != off[string.number] for one in off.values()), string.number)
            for string in guitar.strings
            if (string.key - self._spec.home_class) % 12 == 0 and off[string.number].ratio is not None
        ]
        return off[min(hangs)[1]] if hangs else _UNISON

    def _find_anchor(self) -> Interval:
        """Interval of the present tonic, at the anchor key, to the reference: its pitch at home, with one exception."""
        if self._spec.open_strings_win and self._spec.tonic_class != self._spec.home_class:
            string = self._string_interval(self._anchor_key)
            if string is not None:
                return string
        at_home = self._home(self._anchor_key)
        assert self._home_scale is not None
        seventh = self._home_scale.degrees[_SEVENTH]
        if (self._spec.tonic_class - self._spec.home_class) % 12 == _SEVENTH and seventh.ratio is not None:
            return at_home / seventh * WHOLE_TONE_BELOW
        return at_home

    def _open_strings(self) -> Mapping[int, Interval]:
        """Interval of every open string to the reference, by string number."""
        guitar = self._spec.guitar
        if guitar is None:
            return {}
        intervals = guitar.intervals
        reference = self._spec.reference
        candidates = (guitar.reference_string, *sorted(intervals))
        own = [number for number in candidates if guitar.key_of(number) == reference.key]
        if own:
            return {number: interval / intervals[own[0]] for number, interval in intervals.items()}
        placed = guitar.reference_string
        if self._home_scale is not None:
            tonics = [one for one in intervals if (guitar.key_of(one) - self._spec.home_class) % 12 == 0]
            if placed not in tonics:
                placed = next((one for one in tonics if intervals[one].ratio is not None), placed)
            base = self._home(guitar.key_of(placed))
        else:
            base = Interval.of_cents(hz_to_cents(self._overrides[guitar.key_of(placed)], reference.hz))
        return {number: base * interval / intervals[placed] for number, interval in intervals.items()}

    def _string_interval(self, key: int) -> Interval | None:
        """Interval of a key that follows an open string; None if no string has its pitch class."""
        guitar = self._spec.guitar
        if guitar is None:
            return None
        strings = [string for string in guitar.strings if (string.key - key) % 12 == 0]
        if not strings:
            return None

        def order(string: GuitarString) -> tuple[int, int, bool, int]:
            return (
                abs(string.key - key),
                string.key,
                string.number != guitar.reference_string,
                string.number,
            )

        nearest = min(strings, key=order)
        return self.strings[nearest.number] * octaves((key - nearest.key) // 12)
