"""Writes a synth profile as TOML, in the form that `bridge.store.profiles` reads.

Entries that keep the default of a plain receiver are left out, but for those that a reader looks for first. What is
not known stands as comments at the top.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from typing import Any

from bridge.store.toml import SCHEMA, write_toml
from bridge.wire.profile import METHODS, SynthProfile

_UNITS = "cents, semitones, seconds, bytes; channels 1 to 16"
_ALWAYS = frozenset(("methods", "select", "device_id", "sounding", "rounding"))
_COMMENTS = {
    "methods": "what it obeys, the best first",
    "bend_range_sounding": "whether a range moves notes which are sounding already",
    "sounding": "methods that move notes which are sounding already",
    "quirks": "what else a player should know",
}


def profile_to_toml(profile: SynthProfile, unknown: Sequence[str] = ()) -> str:
    """Return the TOML text of a profile; comments at the top say what is unknown, a sentence each."""
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "name": profile.name,
        "title": profile.title,
        "source": profile.source,
        "units": _UNITS,
    }
    for entry in dataclasses.fields(profile):
        value = getattr(profile, entry.name)
        default = (
            entry.default_factory() if entry.default_factory is not dataclasses.MISSING else entry.default
        )
        if entry.name in data or value is None or (value == default and entry.name not in _ALWAYS):
            continue
        if entry.name == "sounding":
            value = [method for method in METHODS if method in value]
        data[entry.name] = list(value) if isinstance(value, tuple) else value
    head = [profile.title, *(f"not known: {_plain(text)}" for text in unknown)]
    return write_toml(data, {**_COMMENTS, "": "\n".join(head)})


def _plain(text: str) -> str:
    return " ".join(text.split())
