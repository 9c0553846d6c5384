"""From what the desk and the tuner show to what the page shows: figures, and the words that the terminal has as well.

Nothing here knows the browser. Names of notes are spelled by the tonic that holds. "Pure" is the table that holds, as
it was asked for; "equal" the same through the same reference.

Index: `stand_shown` (what stays the same) · `Shower` (what changes) · `practise_shown` (an exercise of the ear).
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import Any

from bridge.engine.play.tables import PlayTable
from bridge.errors import StillbeatError
from bridge.jobs.drone import STILL_HZ
from bridge.live.desk.labels import chart_line, drone_words, track_words
from bridge.live.desk.views.playing import alarm_of, recent
from bridge.live.desk.views.tuner import beats_words, turn_words
from bridge.live.practise.seen import PractiseSeen
from bridge.live.snapshot import Snapshot
from bridge.page.frames import ShowTuner, Stand
from bridge.sheet.phrases import beat_words
from bridge.tuning.beats import main_pair
from bridge.tuning.chords.judged import judge_chord
from bridge.tuning.chords.kinds import SEVENTHS, TRIADS, ChordKind
from bridge.tuning.notes import hz_to_key, key_to_hz, note_name, parse_note
from bridge.tuning.ratios import cents_to_ratio, hz_to_cents
from bridge.tuning.scales import DEGREES
from bridge.tuning.strings.aims import StringAim
from bridge.tuning.tables import Table, build_table

CLASH_HZ = 0.7
"""Two notes that beat faster than this clash: slower, and the beat is heard as a swell."""
MOST_PAIRS_OF = 6
_MOST_SAID = 4
_MOST_CLASHES = 4
_SAME_CENTS = 0.5
HELD_KINDS: tuple[ChordKind, ...] = (*TRIADS[:3], *SEVENTHS[:3])
"""Chords that can be sounded: major, minor, diminished; sevenths of the dominant, major and minor kind."""
_ROOTS = (0, 2, 3, 4, 5, 7, 8, 9, 10, 11)
"""Degrees, in semitones above the tonic, on which chords are offered."""


def stand_shown(stand: Stand) -> dict[str, Any]:
    """Return what stays the same, as the page is told it."""
    return {
        "command": stand.command,
        "actions": list(stand.actions),
        "guitar": stand.spec.guitar.title if stand.spec is not None and stand.spec.guitar is not None else "",
        "strings": _strings(stand),
        "frets": stand.spec.guitar.frets if stand.spec is not None and stand.spec.guitar is not None else 0,
        "tuner": _aims_shown(stand.aims),
        "sung": list(stand.sung_degrees),
    }


def _strings(stand: Stand) -> list[dict[str, Any]]:
    """The open strings, from the last to the first, with the capo on where there is one."""
    if stand.spec is None:
        return []
    try:
        table = build_table(stand.spec)
    except StillbeatError:
        return []
    return [
        {
            "string": string.number,
            "note": string.note,
            "key": string.key,
            "cents": round(string.cents_from_table, 1),
        }
        for string in table.strings
    ]


def _aims_shown(aims: tuple[StringAim, ...]) -> list[dict[str, Any]]:
    return [{"string": aim.string, "note": aim.note, "hz": round(aim.hz, 2)} for aim in aims]


def chord_number(degree: int, kind: ChordKind) -> int:
    """Return the number under which a chord is asked for."""
    return degree * len(HELD_KINDS) + HELD_KINDS.index(kind)


def chord_keys(number: int, tonic_class: int) -> tuple[int, ...]:
    """Return the keys of a chord that is asked for by its number; none if there is no such chord."""
    degree, kind = divmod(number, len(HELD_KINDS))
    if not 0 <= degree < 12:
        return ()
    root = 48 + (tonic_class + degree) % 12
    return tuple(root + semitones for semitones in HELD_KINDS[kind].semitones)


@dataclass(frozen=True)
class _Sounds:
    """A note that sounds, whoever plays it."""

    key: int
    name: str
    hz: float
    of_drone: bool


class Shower:
    """Makes what the page shows.

    Parameters
    ----------
    stand : Stand
        What stays the same.
    """

    def __init__(self, stand: Stand) -> None:
        self._stand = stand
        self._chords: dict[tuple[float, ...], list[dict[str, Any]]] = {}
        self._table: Table | None = None

    # ---- a performance

    def shown(self, seen: Snapshot) -> dict[str, Any]:
        """Return all that the stage and the lesson show."""
        table = self._table_of(seen)
        sounds = self._sounds(seen)
        return {
            "at": round(seen.at_s),
            "health": _health(seen),
            "tonic": seen.tonic,
            "number": seen.piece_number if seen.pieces else 0,
            "pieces": seen.pieces,
            "title": seen.piece or self._title(seen),
            "section": seen.section,
            "table": seen.table,
            "tableNumber": 0 if seen.of_zone else seen.number,
            "tables": list(seen.tables),
            "tuning": seen.tuning,
            "equal": seen.equal,
            "trim": seen.trim_cents,
            "reference": seen.reference,
            "hz": round(seen.reference_hz, 2),
            "next": seen.next,
            "then": seen.then,
            "last": seen.last,
            "bar": seen.bar,
            "barsLeft": self._bars_left(seen),
            "drone": {
                "state": seen.drone.state,
                "notes": list(seen.drone.notes),
                "volume": round(seen.drone.volume, 2),
                "words": drone_words(seen).replace("d begins it", "").replace("(d: ", "(").replace(" ()", ""),
            },
            "track": _track(seen),
            "listening": None if seen.listening_s is None else round(seen.listening_s),
            "chord": "   ".join(filter(None, (chart_line(seen), seen.chord))),
            "notes": [one.name for one in sounds if not one.of_drone],
            "beats": _settling(seen) or seen.beats or self._beats(sounds),
            "remarks": [*seen.remarks, *seen.keyboards],
            "said": [
                {"number": one.number, "kind": one.kind, "text": one.text}
                for one in recent(seen)[-_MOST_SAID:]
            ],
            "lesson": {
                "sounding": [self._note(one, table, seen) for one in sounds],
                "clashes": _clashes(sounds, {one.key: self._off(one, table, seen) for one in sounds}),
            },
        }

    def chords(self, seen: Snapshot) -> list[dict[str, Any]]:
        """Return the chords of the table that holds, which can be sounded; the same list while it holds."""
        return self._offered(self._table_of(seen))

    def _title(self, seen: Snapshot) -> str:
        if seen.lesson is not None:
            return seen.lesson.name
        if seen.track is not None:
            return seen.track.name
        return ""

    def _bars_left(self, seen: Snapshot) -> int | None:
        if seen.bars_left is not None:
            return seen.bars_left
        last = self._stand.last_bar
        return None if last is None or seen.bar is None else max(0, last - seen.bar + 1)

    def _table_of(self, seen: Snapshot) -> PlayTable | None:
        stand = self._stand
        if seen.of_zone and stand.tonics and seen.tonic:
            return stand.tonics[parse_note(f"{seen.tonic}4") % 12]
        return stand.tables[seen.number - 1] if 1 <= seen.number <= len(stand.tables) else None

    def _moved_cents(self, seen: Snapshot) -> float:
        """How far all tables were moved since the beginning: by the trim, and by listening to the guitar."""
        first = self._stand.references_hz
        if seen.reference_hz > 0.0 and 1 <= seen.number <= len(first) and first[seen.number - 1] > 0.0:
            return hz_to_cents(seen.reference_hz, first[seen.number - 1])
        return seen.trim_cents

    def _sounds(self, seen: Snapshot) -> list[_Sounds]:
        if seen.lesson is not None and seen.tonic:
            steps = seen.lesson.notes if seen.lesson.phase == "sound" else ()
            return [_Sounds(key, note_name(key, seen.tonic), hz, True) for key, hz in sorted(steps)]
        found = {}
        held = zip(seen.drone.notes, seen.drone.cents, strict=False)
        played = [(note.name, note.cents, False) for note in seen.sounding]
        for name, cents, of_drone in (*((*one, True) for one in held), *played):
            key = parse_note(name)
            found[key] = _Sounds(key, name, key_to_hz(key) * cents_to_ratio(cents), of_drone)
        return [found[key] for key in sorted(found)]

    def _note(self, one: _Sounds, table: PlayTable | None, seen: Snapshot) -> dict[str, Any]:
        shown: dict[str, Any] = {"key": one.key, "note": one.name, "drone": one.of_drone}
        if table is not None:
            shown["degree"] = DEGREES[(one.key - table.tonic) % 12]
            shown["cents"] = round(self._off(one, table, seen), 1)
        return shown

    def _off(self, one: _Sounds, table: PlayTable | None, seen: Snapshot) -> float:
        """How far a note lies above the table that was asked for, in cents."""
        if table is None:
            return 0.0
        return hz_to_cents(one.hz, table.hz[one.key] * cents_to_ratio(self._moved_cents(seen)))

    @staticmethod
    def _beats(sounds: list[_Sounds]) -> str:
        """The lowest and the highest note, where the desk says nothing of them."""
        if len(sounds) < 2:
            return ""
        low, high = sounds[0], sounds[-1]
        pair = main_pair(low.hz, high.hz)
        return "" if pair is None else f"{low.name} - {high.name}: {beat_words(pair.beats_hz)}"

    def _offered(self, table: PlayTable | None) -> list[dict[str, Any]]:
        """The chords of a table that can be sounded, with how they stand in it."""
        if table is None or "chord" not in self._stand.actions:
            return []
        if table.hz not in self._chords:
            tonic = note_name(60 + table.tonic)[:-1]
            if self._table is None and self._stand.spec is not None:
                self._table = build_table(self._stand.spec)
            if self._table is not None and parse_note(f"{self._table.tonic}4") % 12 == table.tonic:
                tonic = self._table.tonic
            found = []
            for degree in _ROOTS:
                for kind in HELD_KINDS:
                    chord = judge_chord(table.hz, tonic, degree, kind)
                    if not (chord.in_major or chord.in_minor):
                        continue
                    found.append(
                        {
                            "number": chord_number(degree, kind),
                            "name": chord.name,
                            "numeral": chord.numeral,
                            "verdict": chord.verdict,
                            "major": chord.in_major,
                        }
                    )
            self._chords[table.hz] = found
        return self._chords[table.hz]

    # ---- a tuner

    def tuner(self, told: ShowTuner) -> dict[str, Any]:
        """Return what the tuner's view shows."""
        aims = told.aims or self._stand.aims
        number = told.reference_string or self._stand.reference_string
        reference = next((aim for aim in aims if aim.string == number), None)
        shown = told.seen.shown
        heard: dict[str, Any] | None = None
        if shown is not None:
            near = note_name(min(max(round(float(hz_to_key(shown.hz))), 0), 127))
            heard = {
                "string": None if shown.aim is None else shown.aim.string,
                "note": near if shown.aim is None else shown.aim.note,
                "hz": round(shown.hz, 2),
                "cents": None if shown.aim is None else round(shown.cents, 1),
                "turn": shown.turn,
                "words": turn_words(shown),
                "beats": beats_words(shown, reference),
                "steady": shown.steady,
                "guess": shown.guess,
            }
        return {
            "aims": _aims_shown(aims),
            "heard": heard,
            "last": {str(string): round(cents, 1) for string, cents in told.seen.last.items()},
            "said": list(told.seen.said[-3:]),
        }


def practise_shown(seen: PractiseSeen) -> dict[str, Any]:
    """Return what the view of practising shows."""
    return {
        "what": seen.what,
        "title": seen.title,
        "about": seen.about,
        "place": seen.place,
        "large": seen.large,
        "ask": seen.ask,
        "waits": list(seen.waits),
        "said": list(seen.said[-_MOST_SAID:]),
    }


def _track(seen: Snapshot) -> dict[str, Any] | None:
    """Where a track is, and who plays in it."""
    track = seen.track
    if track is None:
        return None
    return {
        "words": track_words(seen),
        "bar": seen.bar,
        "bars": track.bars,
        "paused": track.paused,
        "countIn": track.count_in,
        "parts": [{"name": part.name, "muted": part.muted} for part in track.parts],
    }


def _settling(seen: Snapshot) -> str:
    """How the notes of a drone beat that goes through steps: the rate falls as they settle."""
    lesson = seen.lesson
    if lesson is None or lesson.phase != "sound" or not seen.tonic:
        return ""
    said = [
        f"{note_name(one.low_key, seen.tonic)} - {note_name(one.high_key, seen.tonic)}: {beat_words(one.rate_hz)}"
        for one in lesson.beats
    ]
    return "; ".join(said)


def _health(seen: Snapshot) -> dict[str, str]:
    """One light, and words for it."""
    alarm = alarm_of(seen)
    if alarm is not None:
        return {"state": "bad", "word": alarm[0], "words": alarm[1]}
    if seen.link == "starting":
        return {"state": "wait", "word": "", "words": "starting"}
    if seen.counts.lost:
        return {"state": "ok", "word": "", "words": f"{seen.counts.lost} not sent"}
    return {"state": "ok", "word": "", "words": "all is well"}


def _clashes(sounds: list[_Sounds], off_cents: dict[int, float]) -> list[dict[str, Any]]:
    """Pairs of notes that beat, the fastest first, and of each pair the note that lies further from the table."""
    found = []
    for low, high in combinations(sounds[:MOST_PAIRS_OF], 2):
        pair = main_pair(low.hz, high.hz)
        if pair is not None and pair.beats_hz > max(CLASH_HZ, STILL_HZ):
            names = f"{low.name} - {high.name}"
            lows, highs = abs(off_cents[low.key]), abs(off_cents[high.key])
            keys = [low.key, high.key]
            if abs(lows - highs) > _SAME_CENTS:
                keys = [low.key if lows > highs else high.key]
            words = f"{names}: {beat_words(pair.beats_hz)}"
            found.append((pair.beats_hz, {"keys": keys, "words": words}))
    return [one for _, one in sorted(found, key=lambda one: -one[0])[:_MOST_CLASHES]]
