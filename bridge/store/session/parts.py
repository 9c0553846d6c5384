"""The smaller parts of a session file: spans of numbers, drones, trims, controls of playing, chords, names of synths.

Each reads one entry or section of a session file (`bridge.store.toml.Section`) and refuses what cannot be, with file
and line. The schema stands in ``tables/README.md``.
"""

from __future__ import annotations

import re
from dataclasses import replace

from bridge.engine.play.controls import parse_feet, unfit_controller
from bridge.engine.play.drones.sounds import SOUNDS
from bridge.engine.play.keyboards import MOST_KEYBOARDS, parse_keyboard
from bridge.errors import StillbeatError, near_names
from bridge.harmony.asked import PINNED, FollowRequest
from bridge.harmony.charts.chart import Chart, parse_chart
from bridge.harmony.choice.costs import MOVES
from bridge.store.session.model import AUTO, Drone, LiveControls, Trims
from bridge.store.toml import Section
from bridge.tuning.chords.names import parse_chord
from bridge.tuning.drone_notes import VOICES, check_notes
from bridge.wire.profile import METHODS, SynthProfile

TRANSPOSING = ("Bb", "Eb", "F")
PAPERS = ("a4", "letter")
TAKES = ("reference_from", "as_tuned")
MOST_CHORDS = 24
ON_CHANGE = ("now", "next", "glide")

_SPAN = re.compile(r"(\d{1,3})(?:-(\d{1,3}))?", re.ASCII)


def check_method(section: Section, method: str, profile: SynthProfile) -> None:
    if method == AUTO or method in profile.methods:
        return
    if method not in METHODS:
        raise section.problem(f"method = {method!r}", near_names(method, [AUTO, *METHODS]), "method")
    obeys = ", ".join(profile.methods) or "none: it is tuned by hand"
    raise section.problem(f"{profile.title} does not obey method {method!r}", f"it obeys {obeys}", "method")


def read_spans(section: Section, key: str, low: int, high: int) -> tuple[int, ...]:
    """Read numbers such as ``0-7, 16``."""
    found: set[int] = set()
    text = section.text(key)
    for part in text.split(","):
        match = _SPAN.fullmatch(part.strip())
        if match is None:
            raise section.problem(
                f"{key} = {text!r}: {part.strip()!r} is no number or span", f'such as "{low}-{high}"', key
            )
        first, last = int(match[1]), int(match[2] or match[1])
        if not low <= first <= last <= high:
            raise section.problem(
                f"{key} = {text!r}: {part.strip()} is out of range", f"{low} to {high}", key
            )
        found.update(range(first, last + 1))
    return tuple(sorted(found))


def _texts(section: Section, key: str) -> tuple[str, ...]:
    value = section.data[key]
    if not isinstance(value, list) or not all(isinstance(item, str) for item in value):
        raise section.problem(f"{key} = {value!r} is no list of texts", f'such as {key} = ["…", "…"]', key)
    return tuple(item.strip() for item in value)


def synth_names(section: Section, known: tuple[str, ...]) -> tuple[str, ...]:
    if "synths" not in section:
        return known
    names = _texts(section, "synths")
    for name in names:
        if name not in known:
            hint = near_names(name, known) or "begin each synth with a line [[synths]]"
            raise section.problem(f"unknown synth {name!r}", hint, "synths")
    return tuple(name for name in known if name in names)


def read_transposing(section: Section) -> tuple[str, ...]:
    if "transposing" not in section:
        return ()
    names = _texts(section, "transposing")
    for name in names:
        if name not in TRANSPOSING:
            raise section.problem(
                f"transposing: {name!r} is not known", f"there are: {', '.join(TRANSPOSING)}", "transposing"
            )
    return tuple(name for name in TRANSPOSING if name in names)


def read_chords(section: Section, tonic: str) -> tuple[str, ...] | None:
    """Return the chords that are played, as written; None if none are named."""
    if "chords" not in section:
        return None
    names = _texts(section, "chords")
    if len(names) > MOST_CHORDS:
        raise section.problem(
            f"chords names {len(names)}",
            f"a sheet has room for {MOST_CHORDS}; name those that matter",
            "chords",
        )
    for name in names:
        try:
            parse_chord(name, tonic)
        except StillbeatError as problem:
            raise section.problem(f"chords: {problem.message}", problem.hint, "chords") from problem
    return names


def read_chart(section: Section, tonic: str) -> tuple[Chart | None, tuple[str, ...]]:
    """Read the chords of a piece: a chart of bars, or those that are played; and which of them a sheet shows."""
    value = section.data.get("chords")
    if not isinstance(value, str) or "|" not in value:
        return None, read_chords(section, tonic) or ()
    try:
        chart = parse_chart(value)
    except StillbeatError as problem:
        raise section.problem(f"chords: {problem.message}", problem.hint, "chords") from problem
    section.text("chords")
    names = dict.fromkeys(str(one.chord) for bar in chart.bars for one in bar.chords if one.chord is not None)
    return chart, tuple(name for name in names if _on_sheets(name, tonic))[:MOST_CHORDS]


def _on_sheets(name: str, tonic: str) -> bool:
    """Tell whether a sheet knows a kind of chord."""
    try:
        parse_chord(name, tonic)
    except StillbeatError:
        return False
    return True


def take_entry(section: Section) -> str:
    """Return which entry names a take, ``reference_from`` or ``as_tuned``; empty if none does."""
    there = [key for key in TAKES if key in section]
    if len(there) > 1:
        raise section.problem(
            "reference_from and as_tuned are both there",
            "a take of all strings holds the reference too: as_tuned alone will do",
            there[0],
        )
    return there[0] if there else ""


def read_paper(section: Section) -> str:
    """Return the paper of pages, ``a4`` or ``letter``."""
    paper = section.text("paper", PAPERS[0]).strip().lower()
    if paper not in PAPERS:
        raise section.problem(f"paper = {paper!r}", f"there are: {', '.join(PAPERS)}", "paper")
    return paper


def read_trims(section: Section) -> Trims:
    trims = Trims(
        range_cents=section.whole("range_cents", 0, 50, 20),
        step_cents=section.whole("step_cents", 1, 50, 5),
        tracks=section.flag("tracks", True),
    )
    section.refuse_others()
    if trims.range_cents and trims.range_cents % trims.step_cents:
        raise section.problem(
            f"steps of {trims.step_cents} cents do not end at {trims.range_cents}", "such as 20 in steps of 5"
        )
    return trims


def read_play(top: Section) -> LiveControls:
    """Read what leads a session while it is played."""
    if "live" in top:
        raise top.problem("the section [live] is called [play] now", "type [play] in its place", "live")
    section = top.section("play")
    if "device" in section:
        raise section.problem(
            "the microphone is named by mic here", f"type mic = {section.data['device']!r}", "device"
        )
    controllers = {
        key: section.whole(key, 0, 119) if key in section else None
        for key in ("next_controller", "previous_controller")
    }
    for key, controller in controllers.items():
        if controller is not None and unfit_controller(controller):
            raise section.problem(
                f"controller {controller} cannot be a foot switch: it means something else",
                "1 to 95 and 102 to 119, without 6, 32 and 38",
                key,
            )
    if controllers["next_controller"] is not None and len(set(controllers.values())) == 1:
        raise section.problem(
            f"one foot switch cannot mean both: {controllers['next_controller']}",
            "give next and previous controllers of their own",
            "previous_controller",
        )
    feet = _texts(section, "feet") if "feet" in section else ()
    try:
        parse_feet(feet)
    except StillbeatError as problem:
        raise section.problem(f"feet: {problem.message}", problem.hint, "feet") from problem
    live = LiveControls(
        inputs=_inputs(section),
        mic=section.text("mic", "").strip(),
        card=section.text("card", "").strip(),
        control_channel=section.whole("control_channel", 1, 16, 16),
        next_controller=controllers["next_controller"],
        previous_controller=controllers["previous_controller"],
        feet=feet,
        drone=section.flag("drone", False),
        on_change=section.text("on_change", "now"),
        glide_s=section.number("glide_s", 0.01, 60.0, 1.0),
    )
    if live.on_change not in ON_CHANGE:
        raise section.problem(
            f"on_change = {live.on_change!r}", f"there are: {', '.join(ON_CHANGE)}", "on_change"
        )
    section.refuse_others()
    return live


def _inputs(section: Section) -> tuple[str, ...]:
    """Read the keyboards: one text, or a list of them."""
    if "input" not in section:
        return ()
    alone = isinstance(section.data["input"], str)
    texts = (section.text("input").strip(),) if alone else _texts(section, "input")
    texts = tuple(text for text in texts if text)
    if len(texts) > MOST_KEYBOARDS:
        raise section.problem(f"input names {len(texts)} keyboards", f"at most {MOST_KEYBOARDS}", "input")
    for text in texts:
        try:
            parse_keyboard(text)
        except StillbeatError as problem:
            raise section.problem(f"input: {problem.message}", problem.hint, "input") from problem
    return texts


def read_follow(section: Section, signatures: bool) -> FollowRequest | None:
    """Read how the harmony of a piece is followed, its track's and what is played: true, false, or a section."""
    key = "follow_harmony"
    if key not in section or section.data[key] is False:
        return None
    if signatures:
        raise section.problem(
            "follow_harmony and follow_key_signatures both move notes where the key changes",
            "choose one",
            key,
        )
    if section.data[key] is True:
        return FollowRequest()
    words = section.section(key)
    values = {word: words.text(word) for word in ("pinned", "moves") if word in words}
    for word, known in (("pinned", PINNED), ("moves", MOVES)):
        if word in values and values[word] not in known:
            raise words.problem(f"{word} = {values[word]!r}", near_names(values[word], known), word)
    natural = words.flag("natural_sevenths", False)
    equal = words.flag("equal_chords", False)
    words.refuse_others()
    return FollowRequest(values.get("pinned", PINNED[0]), values.get("moves", "some"), natural, equal)


def piece_drone(section: Section, standing: Drone) -> Drone:
    """Read a drone: false for none, notes, or a section; what it leaves out stays as it stands."""
    if "drone" not in section:
        return standing
    value = section.data["drone"]
    if value is False:
        return replace(standing, notes=())
    if isinstance(value, list | str):
        return replace(standing, notes=_drone_notes(section, "drone"))
    return read_drone(section.section("drone"), standing)


def read_drone(section: Section, standing: Drone) -> Drone:
    """Read the section of a drone; a voice or an octave says where degree 1 stands, and takes the other's place."""
    voice = section.text("voice", "") if "voice" in section else None
    sound = section.text("sound", "") if "sound" in section else None
    if sound is None and voice in SOUNDS:
        voice, sound = None, voice  # as older files say it
    octave = section.whole("octave", 0, 6) if "octave" in section else None
    if voice is not None and voice not in VOICES:
        raise section.problem(f"voice = {voice!r}", near_names(voice, [*VOICES, *SOUNDS]), "voice")
    if sound is not None and sound not in SOUNDS:
        raise section.problem(f"sound = {sound!r}", near_names(sound, SOUNDS), "sound")
    if voice is not None and octave is not None:
        raise section.problem(
            "voice and octave both say where degree 1 stands", "leave one of them out", "octave"
        )
    placed = replace(standing, octave=None, voice=voice) if voice is not None else standing
    drone = replace(
        placed,
        notes=_drone_notes(section, "notes") if "notes" in section else standing.notes,
        octave=placed.octave if octave is None else octave,
        seconds=section.number("seconds", 2.0, 3600.0, standing.seconds),
        sound=standing.sound if sound is None else sound,
    )
    section.refuse_others()
    return drone


def _drone_notes(section: Section, key: str) -> tuple[str, ...]:
    """Read notes: a list of texts, or one text such as ``1,5``."""
    value = section.data[key]
    notes = (section.text(key),) if isinstance(value, str) else _texts(section, key)
    for note in notes:
        try:
            check_notes(note)
        except StillbeatError as problem:
            raise section.problem(f"{key}: {problem.message}", problem.hint, key) from problem
    return notes
