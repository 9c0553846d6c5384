"""The sounds of a drone. Program numbers from the sound set of *General MIDI System Level 1*, counted from 0."""

from __future__ import annotations

import pytest

from bridge.engine.beat_hiders import GM_PROGRAMS
from bridge.engine.play.drones.sounds import SOUND, SOUNDS, about_sound, drone_program
from bridge.errors import ValueProblem


@pytest.mark.parametrize(
    ("sound", "program", "name"),
    [
        ("organ", 19, "Church Organ"),
        ("flute", 73, "Flute"),
        ("pipe", 75, "Pan Flute"),
        ("reed", 68, "Oboe"),
        ("accordion", 21, "Accordion"),
        ("strings", 48, "String Ensemble 1"),
        ("choir", 52, "Choir Aahs"),
        ("pad", 89, "Pad 2 (warm)"),
    ],
)
def test_programs(sound: str, program: int, name: str) -> None:
    assert (drone_program(sound), GM_PROGRAMS[program]) == (program, name)


def test_the_list_is_whole_and_the_usual_one_stands_still() -> None:
    assert len(SOUNDS) == 9
    assert drone_program("keep") is None
    assert SOUND == "organ"


@pytest.mark.parametrize("sound", ["organ", "flute", "pipe", "reed", "keep"])
def test_what_stands_still_needs_no_word(sound: str) -> None:
    assert about_sound(sound) == ""


@pytest.mark.parametrize("sound", ["accordion", "strings", "choir", "pad"])
def test_what_wavers_is_told_with_what_does_not(sound: str) -> None:
    said = about_sound(sound)
    assert said.startswith(f"the sound {sound} hides beats, for ")
    assert said.endswith("these stand still: organ, flute, pipe, reed")


def test_near_names() -> None:
    with pytest.raises(ValueProblem, match=r"no sound 'organs'.*did you mean organ"):
        drone_program("organs")
