"""The sounds of a drone: one list for every door.

Those that stand still come first. The others last as well, but waver by themselves: whoever chooses one is told that it
hides the beats that a drone is listened to for.

Source: *General MIDI System Level 1*, sound set (The MIDI Association): program numbers, from 0 as on the wire. What
hides beats, and why, stands in `bridge.engine.beat_hiders`.
"""

from __future__ import annotations

from bridge.engine.beat_hiders import hides_beats
from bridge.errors import ValueProblem, near_names

SOUND = "organ"
"""The sound unless somebody names another."""

SOUNDS: dict[str, int | None] = {
    "organ": 19,
    "flute": 73,
    "pipe": 75,
    "reed": 68,
    "accordion": 21,
    "strings": 48,
    "choir": 52,
    "pad": 89,
    "keep": None,
}
"""Sounds that last, as MIDI programs 0 to 127; ``keep`` leaves the synth's own."""


def drone_program(sound: str) -> int | None:
    """Return the MIDI program of a sound, from 0; None for what the synth is set to.

    ValueProblem if there is no such sound.
    """
    if sound not in SOUNDS:
        raise ValueProblem(f"there is no sound {sound!r}", near_names(sound, SOUNDS))
    return SOUNDS[sound]


def about_sound(sound: str) -> str:
    """Return what to tell somebody who chose a sound that hides beats; empty if it does not."""
    program = drone_program(sound)
    why = "" if program is None else hides_beats(program)
    if not why:
        return ""
    stills = [name for name, number in SOUNDS.items() if number is not None and not hides_beats(number)]
    return f"the sound {sound} hides beats, for {why}; these stand still: {', '.join(stills)}"
