"""The sound card in the place of a synth's port: what a plan says then, and what of a synth makes no sense.

Index: `BUILT_IN`, `plan_fields`, `card_method`, `own_channel`, `refuse_words_of_ports`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Any

from bridge.engine.play.controls import Controls
from bridge.errors import ValueProblem
from bridge.live.player.sound_card import USUAL

BUILT_IN = "builtin"
"""Profile of the built-in tone generator, which obeys every method."""


def plan_fields(name: str | None) -> dict[str, Any]:
    """Return what a `bridge.live.plan.LivePlan` says of a sound card; None: the usual one.

    It keeps no journal: nothing hangs once the process that makes the sound is gone.
    """
    return {"out_port": name or USUAL, "card": True, "local": "keep", "state_dir": None}


def card_method(method: str) -> str:
    """Return how tables reach the tone generator, as it was asked for or by its most exact way."""
    return "note" if method == "auto" else method


def own_channel(controls: Controls, taken: Collection[int]) -> Controls:
    """Give the keyboard a channel that a song leaves free, so that it has a sound, pedals and notes of its own.

    Nothing changes where a channel is named, or none is free.
    """
    free = (channel for channel in range(1, 17) if channel not in {10, controls.channel, *taken})
    return replace(controls, play_on=controls.play_on or next(free, None))


def refuse_words_of_ports(card: str | None, out_port: str | None, **given: object) -> None:
    """Refuse a sound card beside a port, and on the sound card what belongs to a port.

    Parameters
    ----------
    given : object
        What else was asked for, by the option that names it; None: it was not.

    Raises
    ------
    ValueProblem
        They do not go together.
    """
    if out_port is not None:
        if card is not None:
            raise ValueProblem("a port and a sound card were both named", "leave --out or --card out")
        return
    named = [f"--{name.replace('_', '-')}" for name, value in given.items() if value is not None]
    if named:
        raise ValueProblem(
            f"{' and '.join(named)} belong{'s' * (len(named) == 1)} to a synth's port, "
            "and the sound card plays here",
            "name the port with --out",
        )
