"""What every test may ask for: measuring soundfonts, a JACK server, and a home without the user's own descriptions.

Fixtures
--------
sine_font, organ_font : paths of soundfonts whose pitch is exactly known (`support.soundfont`), written once a run.
jack_server : a running JACK server with the dummy driver (`support.jack`); this process's environment points to it.

Environment: the folders of the user's own settings and state are empty ones for the whole run, so that a scale or
guitar of the user's own cannot change what the shipped ones mean, and no test leaves anything there.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import hypothesis
import pytest
from support import jack, soundfont

# Examples on a machine that does other work too may take their time; the whole run has its own limit.
hypothesis.settings.register_profile("stillbeat", deadline=None)
hypothesis.settings.load_profile("stillbeat")

_SYNTHS = ("fluidsynth", "timidity", "jackd")


def pytest_report_header() -> str:
    """Say at the top which independent synths this run can hear."""
    missing = [name for name in _SYNTHS if shutil.which(name) is None]
    if not missing:
        return f"independent synths: {', '.join(_SYNTHS)}"
    end = "FAIL, because CI is set" if os.environ.get("CI") else "be SKIPPED"
    return f"independent synths: {', '.join(missing)} NOT INSTALLED; tests that need them will {end}"


@pytest.fixture(scope="session", autouse=True)
def _own_folders(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        for kind in ("CONFIG", "STATE", "DATA"):
            patch.setenv(f"XDG_{kind}_HOME", str(tmp_path_factory.mktemp(kind.lower())))
        yield


@pytest.fixture(scope="session")
def sine_font(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A soundfont of one steady sine on all programs and drums."""
    return soundfont.write_soundfont(tmp_path_factory.mktemp("font") / "sine.sf2")


@pytest.fixture(scope="session")
def organ_font(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A soundfont of one steady tone of eight partials on all programs and drums."""
    return soundfont.write_soundfont(tmp_path_factory.mktemp("font") / "organ.sf2", soundfont.ORGAN)


@pytest.fixture
def jack_server(monkeypatch: pytest.MonkeyPatch) -> Iterator[jack.JackServer]:
    """A JACK server; clients in this process and its children find it through the environment."""
    with jack.JackServer() as server:
        for name in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER", "STILLBEAT_NAME"):
            monkeypatch.setenv(name, server.env[name])
        yield server
