"""What can be named: shipped and own scales, guitars, synths and tables, with titles and sources."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bridge.store.descriptions import load_guitar, load_scale
from bridge.store.finding import list_guitars, list_scales, user_dir
from bridge.store.profiles import list_profiles, load_profile


@dataclass(frozen=True)
class Entry:
    """One thing that can be named."""

    name: str
    title: str
    source: str
    own: bool


def own_folder() -> Path:
    """Return the folder for the user's own descriptions."""
    return user_dir()


def catalogue() -> dict[str, list[Entry]]:
    """Return all entries by kind: scales, guitars, synths.

    InputProblem if a description is broken; names file and line.
    """
    return {
        "scales": [_entry("scales", name, load_scale(name)) for name in list_scales()],
        "guitars": [_entry("guitars", name, load_guitar(name)) for name in list_guitars()],
        "synths": [_entry("synths", name, load_profile(name)) for name in list_profiles()],
    }


def _entry(kind: str, name: str, thing: object) -> Entry:
    own = (user_dir() / kind / f"{name}.toml").exists()
    return Entry(name, getattr(thing, "title", ""), getattr(thing, "source", ""), own)
