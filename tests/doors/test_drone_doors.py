"""A drone's words mean the same at every door: the same keys over the same table, and the same sound.

What the words mean is tested in `tests/tuning/test_drone_notes.py`.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.doors import parsed

from bridge.cli.drone import drone_command, drone_request
from bridge.cli.parts.options import take_table
from bridge.cli.play import play_command, prepare_tables
from bridge.engine.play.drones.sounds import SOUNDS
from bridge.errors import StillbeatError
from bridge.live.plan import StepsDrone, TablesDrone
from bridge.live.prepare.drone import prepare_drone
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.store.session.model import built
from bridge.store.session.reading import load_session

pytestmark = pytest.mark.filterwarnings("ignore::bridge.errors.OffGuitarWarning")

SESSION = """\
schema = 1
title = "Drones"
guitar = "open-d"
pages = false
[drone]
{drone}
[[synths]]
profile = "fluidsynth"
port = "synth"
[[pieces]]
title = "One"
tonic = "{tonic}"
fret = {fret}
"""

WORDS = (
    *("1", "b3", "3", "5", "b7", "8", "9", "12", "b9", "14", "b5", "0", "15"),
    *(
        "D2",
        "A3",
        "F#",
        "Bb",
        "B3",
        "b",
        "bb3",
        "H3",
        "third",
        "fifth",
        "Octave",
        "chord",
        "tonic",
        "thrid",
        "louder",
    ),
)
NOTES = st.lists(st.sampled_from(WORDS), min_size=1, max_size=4)


def by_command(notes: list[str], joint: str, tonic: str, fret: int, voice: str) -> tuple[int, ...]:
    line = [
        "--guitar=open-d",
        f"--tonic={tonic}",
        f"--fret={fret}",
        f"--voice={voice}",
        "--",
        joint.join(notes),
    ]
    values = parsed(drone_command, line)
    plan = prepare_drone(take_table(values), drone_request(values), out_port="synth").plan.drone
    assert isinstance(plan, StepsDrone)
    return tuple(note.key for note in plan.plan.steps[0].notes)


def by_play(notes: list[str], joint: str, tonic: str, fret: int) -> tuple[int, ...]:
    line = ["--guitar=open-d", f"--tonic={tonic}", f"--fret={fret}", f"--drone={joint.join(notes)}"]
    values = parsed(play_command, [*line, "--in=keys", "--out=synth"])
    drone = prepare_tables(take_table(values), values).plan.drone
    assert isinstance(drone, TablesDrone)
    return drone.plan.tables[0].keys


def by_session(text: str, folder: Path) -> tuple[int, ...]:
    """A session file, as it is built and as it is played."""
    (folder / "drones.toml").write_text(text)
    piece = load_session(folder / "drones.toml").pieces[0]
    keys = piece.drone.keys(built(piece.spec).tonic)
    drone = prepare_evening(EveningRequest(file=folder / "drones.toml", in_port="keys")).plan.drone
    assert isinstance(drone, TablesDrone)
    assert drone.plan.tables[0].keys == keys
    return keys


def answer(door, *words) -> tuple[int, ...] | str:  # type: ignore[no-untyped-def]
    try:
        return door(*words)
    except StillbeatError as problem:
        return problem.message


@pytest.mark.slow
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    notes=NOTES,
    joint=st.sampled_from([",", " ", "+", ", "]),
    tonic=st.sampled_from(["D", "A", "Bb", "E"]),
    fret=st.integers(0, 7),
    voice=st.sampled_from(["bass", "tenor", "alto", "soprano"]),
)
def test_the_same_notes(
    notes: list[str], joint: str, tonic: str, fret: int, voice: str, tmp_path: Path
) -> None:
    said = answer(by_command, notes, joint, tonic, fret, voice)
    listed = "notes = [" + ", ".join(f'"{note}"' for note in notes) + "]"
    for written in (listed, f'notes = "{joint.join(notes)}"'):
        text = SESSION.format(drone=f'{written}\nvoice = "{voice}"', tonic=tonic, fret=fret)
        found = answer(by_session, text, tmp_path)
        if isinstance(said, str):
            assert isinstance(found, str)
            assert said in found, "the same reason, with file and line"
        else:
            assert found == said
    if voice == "tenor":
        assert answer(by_play, notes, joint, tonic, fret) == said


def test_tonic_and_fifth_are_d3_and_a3_everywhere(tmp_path: Path) -> None:
    text = SESSION.format(drone='notes = ["1", "5"]', tonic="D", fret=0)
    assert by_session(text, tmp_path) == (50, 57)
    assert by_play(["1", "5"], ",", "D", 0) == (50, 57)
    assert by_command(["1", "5"], ",", "D", 0, "tenor") == (50, 57)


def test_in_the_singers_key_notes_with_a_name_move_at_every_door(tmp_path: Path) -> None:
    """A whole tone lower D2 and A2 are C2 and G2 (36, 43), and the fifth above the tonic is G3 (55)."""
    words = ["--guitar=open-d", "--transpose=-2"]
    values = parsed(drone_command, [*words, "D2,A2,5"])
    steps = prepare_drone(take_table(values), drone_request(values), out_port="synth").plan.drone
    assert isinstance(steps, StepsDrone)
    values = parsed(play_command, [*words, "--drone=D2,A2,5", "--in=keys", "--out=synth"])
    held = prepare_tables(take_table(values), values).plan.drone
    assert isinstance(held, TablesDrone)
    drone = 'notes = ["D2", "A2", "5"]'
    text = SESSION.format(drone=drone, tonic="D", fret="0\ntranspose = -2")
    assert by_session(text, tmp_path) == (36, 43, 55)
    assert tuple(note.key for note in steps.plan.steps[0].notes) == (36, 43, 55)
    assert held.plan.tables[0].keys == (36, 43, 55)


@pytest.mark.parametrize("sound", [sound for sound in SOUNDS if sound != "keep"])
@pytest.mark.parametrize("entry", ["sound", "voice"])
def test_the_same_sounds(sound: str, entry: str, tmp_path: Path) -> None:
    """In the entry `voice` as files had them that were written before `sound` was one."""
    values = parsed(drone_command, ["--guitar=open-d", f"--sound={sound}"])
    prepared = prepare_drone(take_table(values), drone_request(values), out_port="synth")
    assert isinstance(prepared.plan.drone, StepsDrone)
    (tmp_path / "drones.toml").write_text(
        SESSION.format(drone=f'notes = "1"\n{entry} = "{sound}"', tonic="D", fret=0)
    )
    evening = prepare_evening(EveningRequest(file=tmp_path / "drones.toml", in_port="keys"))
    assert isinstance(evening.plan.drone, TablesDrone)
    assert evening.plan.drone.plan.tables[0].program == prepared.plan.drone.plan.program == SOUNDS[sound]
    warned = [
        any(f"the sound {sound} hides beats" in said for said in one.notices) for one in (prepared, evening)
    ]
    assert warned == [sound in ("accordion", "strings", "choir", "pad")] * 2
