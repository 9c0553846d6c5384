"""Descriptions from text instead of a file: what a loader makes of it, with errors that name `where`."""

from __future__ import annotations

from bridge.store.descriptions import table_of
from bridge.store.profiles import profile_of
from bridge.store.toml import parse_toml
from bridge.tuning.spec import TableSpec
from bridge.wire.profile import SynthProfile


def table_from_toml(text: str, where: str = "table") -> TableSpec:
    """Inverse of `bridge.store.descriptions.save_table`."""
    return table_of(parse_toml(text.encode(), where), where)


def profile_from_toml(text: str, where: str = "synth profile") -> SynthProfile:
    """Inverse of `bridge.store.probe_profiles.profile_to_toml`."""
    return profile_of(parse_toml(text.encode(), where))
