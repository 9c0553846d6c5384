"""Profiles that are written read back the same."""

from __future__ import annotations

import pytest
from support.described import profile_from_toml

from bridge.store.probe_profiles import profile_to_toml
from bridge.store.profiles import list_profiles, load_profile
from bridge.wire.profile import SynthProfile


@pytest.mark.parametrize("name", list_profiles())
def test_every_shipped_profile_survives_being_written(name: str) -> None:
    profile = load_profile(name)
    assert profile_from_toml(profile_to_toml(profile)) == profile


def test_what_is_not_known_stands_at_the_top_and_breaks_nothing() -> None:
    profile = SynthProfile(
        name="odd",
        title='A "quoted" synth',
        source="heard",
        methods=("bend",),
        quirks=('It says "no".', "Ünicode."),
    )
    text = profile_to_toml(profile, ["octave tables: unknown, the pitch wavers", "two\nlines = 1"])
    assert text.startswith('# A "quoted" synth\n# not known: octave tables')
    assert "# not known: two lines = 1\n" in text
    assert profile_from_toml(text) == profile
