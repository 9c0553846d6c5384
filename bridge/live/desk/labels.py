"""From what a player tells and what stays the same to what everybody is shown: the words of a `Snapshot`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from bridge.engine.play.controls import PEDALS, Action, Controls
from bridge.engine.play.drones.held import USUAL_VOLUME
from bridge.engine.play.keyboards import Keyboard
from bridge.engine.play.tables import Kept, PlayTable
from bridge.live.desk.track_labels import TrackLabels
from bridge.live.desk.typed import KEYS_SHOWN
from bridge.live.plan import NEW_PORT
from bridge.live.snapshot import DroneShown, DroneState, NoteShown, Snapshot
from bridge.live.state import AtChord, Sounding, State
from bridge.tuning.beats import main_pair
from bridge.tuning.notes import key_to_hz, note_name, parse_pitch_class
from bridge.tuning.ratios import cents_to_ratio
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec

_OF_TABLES = KEYS_SHOWN[:3]
"""Keys that step through tables."""


@dataclass(frozen=True)
class StepShown:
    """A table that is a section of a piece."""

    piece: int
    pieces: int
    """Which piece, from 1, and of how many."""
    title: str
    place: str
    """The section: ``from the start``, ``bar 9, Turnaround``."""
    table: str
    """Its table in a few words: ``in D``, ``in A, b7=7/4``."""
    drone: str = ""
    """Notes of its drone; empty: it has none."""
    notes: str = ""
    """For the musicians."""
    reference: Reference | None = None
    """Its own, where it does not follow that of the session."""
    tuning: str = ""
    """The guitar's, and the capo."""

    @property
    def head(self) -> str:
        """The piece and its number."""
        return f"{self.piece}/{self.pieces}  {self.title}"


@dataclass(frozen=True)
class Labels:
    """What stays the same while it plays."""

    tables: tuple[PlayTable, ...]
    tonics: tuple[PlayTable, ...] = ()
    method: str = ""
    instrument: str = ""
    reference: Reference | None = None
    """As it was in the beginning."""
    programme: tuple[StepShown, ...] = ()
    """What each table is part of; empty where there are no pieces."""
    remarks: str = ""
    """What is to be known of the whole evening."""
    about_engine: tuple[str, ...] = ()
    """Why the method was chosen, and how exact it is."""
    keys: tuple[str, ...] = KEYS_SHOWN
    feet: tuple[str, ...] = ()
    tuning: str = ""
    """The guitar's, and the capo, outside sessions."""
    keyboards: tuple[Keyboard, ...] = ()
    """What is played, where it is more than one keyboard as it comes."""
    track: TrackLabels | None = None
    """What is known of the track that plays along."""
    addresses: tuple[str, ...] = ()
    code: tuple[str, ...] = ()
    """Where the page is, in words and as a code to scan."""

    def shown(self, state: State, moved_cents: float = 0.0) -> dict[str, Any]:
        """Return what a `Snapshot` says of a player's state, by its names.

        Parameters
        ----------
        moved_cents : float
            How far the reference was moved since the beginning, the trim not counted.
        """
        kept = state.kept
        table = self.table(kept)
        tonic = note_name(60 + table.tonic)[:-1]
        held = state.held.channels if state.held is not None else ()
        played = [
            note for note in state.sounding if note.channel not in held or note.key not in self._held(state)
        ]
        beats, partials = beat_words(played, [note for note in state.sounding if note not in played], tonic)
        return {
            "keyboard": state.keyboard or "",
            **self._keyboards(state),
            "synth": state.synth,
            "method": self.method,
            "instrument": self.instrument,
            "about_engine": self.about_engine,
            "tonic": tonic,
            "table": table.name,
            "number": kept.number,
            "of_zone": kept.tonic is not None,
            "equal": kept.equal,
            "trim_cents": kept.trim_cents,
            "drone": self._drone(state, tonic),
            "chord": chord_words(state, tonic, self.track.chord_at(state.position_s) if self.track else ""),
            "drone_volume": state.drone_volume,
            **chart_words(state.chart),
            "sounding": tuple(NoteShown(note_name(key, tonic), cents, at) for at, key, cents in played),
            "beats": beats,
            "partials": partials,
            **self._hands_and_feet(),
            "addresses": self.addresses,
            "code": self.code,
            "bar": state.bar,
            "counts": state.counts,
            "lesson": state.lesson,
            **self._reference(state, tonic, moved_cents),
            **(self._section(kept.number) if self.programme else self._table(kept.number)),
            **(self.track.shown(state) if self.track is not None else {}),
        }

    def _hands_and_feet(self) -> dict[str, Any]:
        """What keys and feet do; nothing of tables where there is but one."""
        if self.programme or len(self.tables) > 1:
            return {"keys": self.keys, "feet": self.feet}
        return {
            "keys": tuple(key for key in self.keys if key not in _OF_TABLES),
            "feet": tuple(foot for foot in self.feet if not foot.endswith(": tables")),
        }

    def table(self, kept: Kept) -> PlayTable:
        """Return the table that holds."""
        return self.tables[kept.number - 1] if kept.tonic is None else self.tonics[kept.tonic]

    def _keyboards(self, state: State) -> dict[str, Any]:
        """What each of several keyboards is called, what of it plays, and which are gone."""
        seen = state.keyboards
        calls = [
            seen[at].name if one.port == NEW_PORT and at < len(seen) else one.port
            for at, one in enumerate(self.keyboards)
        ]
        said = [
            f"keyboard {name}" + (f": {words}" if (words := replace(one, channel=None).words) else "")
            for name, one in zip(calls, self.keyboards, strict=True)
        ]
        away = [one.looped if state.keyboard_there else not one.there for one in seen]
        gone = [calls[at] if at < len(calls) else one.name for at, one in enumerate(seen) if away[at]]
        return {"keyboards": tuple(said), "gone": tuple(gone)}

    def _held(self, state: State) -> tuple[int, ...]:
        return state.held.keys if state.held is not None else ()

    def _reference(self, state: State, tonic: str, moved_cents: float) -> dict[str, Any]:
        own = self.programme[state.kept.number - 1].reference if self.programme else None
        reference = own or self.reference
        if reference is None:
            return {}
        cents = state.kept.trim_cents + (moved_cents if own is None else 0.0)
        name = note_name(reference.key, tonic)
        return {"reference": name, "reference_hz": reference.hz * cents_to_ratio(cents)}

    def _table(self, number: int) -> dict[str, Any]:
        """What there is to switch to, outside sessions."""
        names = tuple(table.name for table in self.tables)
        following = number % len(names)
        return {
            "tables": () if self.track is not None and self.track.changes else names,
            "next": f"{following + 1}  {names[following]}" if len(names) > 1 else "",
            "tuning": self.tuning,
            "remarks": _lines(self.remarks),
        }

    def _section(self, number: int) -> dict[str, Any]:
        """The piece and its section, and what comes next."""
        now, later = self.programme[number - 1], self.programme[number:]
        section = later[0] if later and later[0].piece == now.piece else None
        piece = next((step for step in later if step.piece != now.piece), None)
        ahead = [f"{section.place}: {section.table}"] if section is not None else []
        if piece is not None:
            ahead.append(f"{piece.head}: {piece.table}" + (f", drone {piece.drone}" if piece.drone else ""))
        coming, then = [*ahead, "", ""][:2]
        return {
            "piece": now.title,
            "piece_number": now.piece,
            "pieces": now.pieces,
            "section": now.place,
            "table": now.table,
            "tuning": now.tuning,
            "remarks": (
                *_lines(now.notes),
                *_lines(self.remarks),
            ),  # where there is little room, the first ones stay
            "next": coming,
            "then": then,
            "last": not later,
        }

    def _drone(self, state: State, tonic: str) -> DroneShown:
        held, lesson = state.held, state.lesson
        if lesson is not None:
            names = tuple(note_name(key, tonic) for key, _ in lesson.notes)
            return DroneShown("off" if lesson.phase == "quiet" else "on", names, (), 1.0)
        if held is None:
            return DroneShown()
        step = self.programme[state.kept.number - 1] if self.programme else None
        keys = sorted(held.keys)
        stands: DroneState = ("waiting" if held.hushed else "on") if held.on else "off"
        if not keys:
            if step is not None and not step.drone:
                return DroneShown()
            return DroneShown(stands, tuple(step.drone.split()) if step is not None else ())
        cents = {key: cents for channel, key, cents in state.sounding if channel in held.channels}
        return DroneShown(
            stands,
            tuple(note_name(key, tonic) for key in keys),
            tuple(cents[key] for key in keys if key in cents),
            held.level,
        )


def chord_words(state: State, tonic: str, of_track: str = "") -> str:
    """Say which chord sounds, and which of its notes lie beside the table because the harmony is followed.

    Parameters
    ----------
    of_track : str
        The chord of the track at this place, which counts for what sounds in passing; empty where there is none.
    """
    keys = sorted({note.key for note in state.sounding})
    if not keys:
        return of_track
    chord = None
    if len({key % 12 for key in keys}) > 1:
        from bridge.harmony.heard.chords import name_sounding
        from bridge.harmony.notes import TimedNote

        chord = name_sounding([TimedNote(0.0, 1.0, key) for key in keys], tonic)
    said = [of_track] if of_track else [] if chord is None else [str(chord)]
    following = state.following
    if following is not None:
        spelled = {} if chord is None else {parse_pitch_class(note): note for note in chord.notes}
        for pitch_class in dict.fromkeys(key % 12 for key in keys):
            cents = following.offsets_cents[pitch_class]
            if abs(cents) >= 0.05:
                name = spelled.get(pitch_class) or note_name(60 + pitch_class, tonic)[:-1]
                said.append(f"{name} {'lowered' if cents < 0 else 'raised'} {abs(cents):.1f} cents")
        if not (following.on and following.can):
            said.append("harmony not followed")
    return "  ".join(said)


def chart_words(chart: AtChord | None) -> dict[str, Any]:
    """Say which chord of the chart is now, and which comes next, by the names of a `Snapshot`."""
    if chart is None:
        return {}
    where = f"bar {chart.bar}" + (f", {chart.section}" if chart.section else "")
    coming = f"{chart.coming}  (bar {chart.coming_bar})" if chart.coming else ""
    return {"chart_now": f"{chart.name}  ({where})", "chart_next": coming, "chart_at": chart.number}


def tuning_words(spec: TableSpec) -> str:
    """Say how the guitar is tuned, and where its capo is; empty without a guitar."""
    if spec.guitar is None:
        return ""
    return spec.guitar.title + (f", capo {spec.fret}" if spec.fret else "")


def _lines(text: str) -> tuple[str, ...]:
    return tuple(line.strip() for line in text.splitlines() if line.strip())


def beat_words(played: Sequence[Sounding], held: Sequence[Sounding], tonic: str) -> tuple[str, str]:
    """Say how fast the drone and the highest note beat (without a drone, the lowest and the highest one).

    Returns
    -------
    words, partials : str
        Which notes and how fast, and which of their partials meet; empty if they come near no pure interval.
    """
    notes = sorted({(note.key + note.cents / 100.0, note.key) for note in played})
    under = sorted({(note.key + note.cents / 100.0, note.key) for note in held})
    if not notes or len({*notes, *under}) < 2:
        return "", ""
    low, high = (under or notes)[0], notes[-1]
    pair = main_pair(key_to_hz(low[0]), key_to_hz(high[0])) if low != high else None
    if pair is None:
        return "", ""
    how = "no beats" if pair.beats_hz < 0.005 else f"{pair.beats_hz:.2f} beats a second"
    names = f"{note_name(low[1], tonic)} - {note_name(high[1], tonic)}"
    return f"{names}: {how}", f"{pair.partial} : {pair.other_partial}"


def feet_shown(controls: Controls) -> tuple[str, ...]:
    """Say what foot switches, silent keys and program changes do."""
    said = [
        f"{PEDALS.get(controller, f'foot {controller}')}: {_action_words(action)}"
        for controller, action in controls.feet.items()
    ]
    said += [
        f"program {number}: {_action_words(action)}" for number, action in controls.foot_programs.items()
    ]
    said += [f"key {note_name(key)}: {_action_words(action)}" for key, action in controls.foot_keys.items()]
    if controls.zone is not None:
        low, high = (note_name(key) for key in controls.zone)
        said.append(f"keys {low} to {high}: {_PLURALS[controls.zone_means]}")
    if controls.channel is not None:
        said.append(f"program buttons of a foot board: {_PLURALS[controls.programs]}")
    return tuple(said)


def about_channels(controls: Controls, keyboards: Sequence[Keyboard]) -> list[str]:
    """Say on which channels something is heard or goes on: it concerns those who look at the engine."""
    said = []
    if controls.channel is not None:
        said.append(
            f"programs that arrive on channel {controls.channel} choose {_PLURALS[controls.programs]}"
        )
    if controls.play_on is not None:
        said.append(f"what is played goes to channel {controls.play_on}")
    return said + [
        f"{one.port} plays on channel {one.channel}" for one in keyboards if one.channel is not None
    ]


_PLURALS = {"table": "tables", "piece": "pieces", "tonic": "tonics"}


def _action_words(action: Action) -> str:
    if action.name == "table":
        return f"table {action.number:g}"
    if action.name == "trim":
        return f"trim {action.number:+g} cents"
    if action.name == "drone-volume":
        return "drone louder" if action.number > 0 else "drone softer"
    if action.name == "mute":
        return f"mute part {action.number:g}"
    return action.name.replace("-", " ")


def table_words(shown: Snapshot) -> str:
    """Say which table holds, and what was done to it."""
    if shown.pieces:
        said = f"{shown.piece_number}/{shown.pieces}  {shown.piece}, {shown.section}: {shown.table}"
    else:
        said = shown.table if shown.of_zone or len(shown.tables) < 2 else f"{shown.number}  {shown.table}"
    if shown.equal:
        said += "  EQUAL (through the same reference)"
    if shown.trim_cents:
        said += f"  trim {shown.trim_cents:+g} cents"
    return said


def ahead_words(shown: Snapshot) -> list[str]:
    """Say what comes next."""
    if shown.last:
        return ["the last section: nothing comes after it"]
    said = [f"next: {shown.next}"] if shown.next else []
    return said + ([f"then: {shown.then}"] if shown.then else [])


def chart_line(shown: Snapshot) -> str:
    """Say which chord of the chart is now, and which comes next."""
    if not shown.chart_now:
        return ""
    return f"now {shown.chart_now}" + (
        f"   next {shown.chart_next}" if shown.chart_next else "   the last chord"
    )


def track_words(shown: Snapshot) -> str:
    """Say where in the track it is."""
    track = shown.track
    if track is None:
        return "" if shown.bar is None else f"bar {shown.bar}"
    if track.count_in and not track.paused:
        said = f"counting in: {track.count_in}"
    elif shown.bar is not None:
        said = f"bar {shown.bar} of {track.bars}"
    else:
        said = track.name
    said += f"   loop {track.loop[0]}-{track.loop[1]}" if track.loop is not None else ""
    said += f"   tempo {track.tempo:.0%}" if track.tempo != 1.0 else ""
    return said + ("   PAUSED" if track.paused else "")


def parts_words(shown: Snapshot) -> tuple[str, ...]:
    """Name those who play in the track, each with its number."""
    parts = shown.track.parts if shown.track is not None else ()
    return tuple(
        f"{number} {part.name}" + (" (muted)" if part.muted else "") for number, part in enumerate(parts, 1)
    )


def volume_words(shown: Snapshot) -> str:
    """Say how loud the drone is meant to be, after a comma; nothing where it is as loud as usual."""
    volume = shown.drone_volume
    return f", volume {volume}" if volume not in (None, USUAL_VOLUME) else ""


def drone_words(shown: Snapshot) -> str:
    """Say what the drone holds, or would hold."""
    drone, loud = shown.drone, volume_words(shown)
    notes = "  ".join(drone.notes)
    match drone.state:
        case "none":
            return ""
        case "off":
            return f"drone off (d: {notes})" if notes else "drone off (d begins it)"
        case "waiting":
            return "drone waits until the listening is over"
        case _:
            said = f"drone {notes}" if notes else "drone on"
            if not drone.cents and not drone.volume:
                return f"{said}, silent"
            return said + (f", rising {drone.volume:.0%}" if drone.volume < 1.0 else loud)
