"""Real backing tracks, with all their oddities, through a session: built, and every file of the bundle read back."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from support import corpus

from bridge.errors import StillbeatError
from bridge.jobs.session.build import build_session
from bridge.jobs.session.reading_back.verify import verify_session
from bridge.store.smf import read_midi
from bridge.store.timeline import BarMap

pytestmark = pytest.mark.fetched

HEAD = """\
schema = 1
title = "Real"
guitar = "open-d"
reference = "D3=146.5"

[trims]
range_cents = 0
"""
SECTIONS = (
    '[[pieces.sections]]\nbar = 3\ntonic = "A"\n\n[[pieces.sections]]\nbar = 5\ndegrees = { 2 = "10/9" }\n'
)


def test_real_tracks_read_back_as_they_should(tmp_path: Path) -> None:
    parts = [
        HEAD,
        *(f'[[synths]]\nprofile = "{name}"\n' for name in ("fluidsynth", "timidity", "bend-only", "gm2")),
    ]
    pieces = 0
    for number, path in enumerate(corpus.real_midi_files()[::3]):
        try:
            midi = read_midi(path)
            bars = BarMap(midi).bars
        except StillbeatError:
            continue
        shutil.copy(path, tmp_path / f"{number}.mid")
        sections = SECTIONS if bars >= 6 else ""
        parts.append(f'[[pieces]]\ntitle = "p{number}"\ntrack = "{number}.mid"\n{sections}')
        pieces += 1
    assert pieces > 15
    (tmp_path / "real.toml").write_text("\n".join(parts))
    built = build_session(tmp_path / "real.toml", tmp_path / "out", processes=1)
    tracks = [facts for facts in built.manifest.files.values() if facts["what"] == "track"]
    assert len(tracks) == 4 * pieces
    assert sum(facts["notes"] for facts in tracks) > 10_000
    verified = verify_session(tmp_path / "out")
    assert {one.path: one.problem for one in verified.problems} == {}
