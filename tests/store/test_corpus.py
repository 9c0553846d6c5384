"""The source of real files says clearly what is missing, and CI does not pass without it."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from support import corpus

NPM = corpus.MIDI_PACKAGES[3]


@pytest.fixture
def empty_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A new cache, and programs only from a folder of our own."""
    programs = tmp_path / "programs"
    programs.mkdir()
    monkeypatch.setenv("STILLBEAT_CORPUS", str(tmp_path / "corpus"))
    monkeypatch.setenv("PATH", str(programs))
    monkeypatch.delenv("CI", raising=False)
    corpus._fetched.cache_clear()
    yield programs
    corpus._fetched.cache_clear()


@pytest.mark.fetched
def test_a_missing_tool_skips_with_the_reason(empty_cache: Path) -> None:
    with pytest.raises(
        pytest.skip.Exception,
        match=r"midiconvert-0\.4\.7: npm is not installed: missing, so this was NOT.*install npm",
    ):
        corpus.midi_files(NPM)


@pytest.mark.fetched
def test_a_missing_tool_fails_in_ci(empty_cache: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CI", "1")
    with pytest.raises(pytest.fail.Exception, match=r"npm is not installed: missing, and CI must have it"):
        corpus.midi_files(NPM)


@pytest.mark.fetched
@pytest.mark.skipif(os.name != "posix", reason="the stand-in for a tool is a shell script")
@pytest.mark.parametrize(
    ("script", "reason"),
    [
        ("echo >&2 'no network'; exit 1", r"npm could not fetch it \(no network\)"),
        ("exit 0", r"npm could not fetch it \(it gave nothing\)"),
        ("echo other > midiconvert-0.4.7.tgz", "not the file that the tests know"),
    ],
)
def test_a_failed_download_leaves_nothing(
    empty_cache: Path, tmp_path: Path, script: str, reason: str
) -> None:
    npm = empty_cache / "npm"
    npm.write_text(f"#!/bin/sh\n{script}\n")
    npm.chmod(0o755)
    with pytest.raises(pytest.skip.Exception, match=reason):
        corpus.midi_files(NPM)
    assert [path.name for path in (tmp_path / "corpus").iterdir()] == ["midiconvert-0.4.7.lock"]


@pytest.mark.fetched
def test_recordings_are_all_there() -> None:
    assert len(corpus.guitar_notes()) == 37
    assert len(corpus.solo_voices()) == 2


@pytest.mark.fetched
def test_the_synth_module_is_where_it_says() -> None:
    assert (corpus.tinysoundfont_path() / "tinysoundfont" / "__init__.py").is_file()
