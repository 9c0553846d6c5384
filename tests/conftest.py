"""What every test may ask for: measuring soundfonts, a JACK server, and a home without the user's own descriptions.

Fixtures
--------
sine_font, organ_font : paths of soundfonts whose pitch is exactly known (`support.soundfont`), written once a run.
evening_bundle : the example session, built once a run.
librosa : an independent library of music, out of the extra ``test-more``.
jack_server : a running JACK server with the dummy driver (`support.jack`), the same for a file's tests; this process's
    environment points to it.

Environment: the folders of the user's own settings and state are empty ones for the whole run, so that a scale or
guitar of the user's own cannot change what the shipped ones mean, and no test leaves anything there. numpy computes
in one thread.
"""

from __future__ import annotations

import os

# Before numpy is loaded: each worker has one core's worth to do, and threads of numpy's own only wait for each other
# (measured: a fit of partials costs six times as much with them where the cores are busy).
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("OMP_NUM_THREADS", "1")

import shutil
from collections.abc import Generator, Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from support import evening, jack, needs, once, soundfont, workers

# Examples on a machine that does other work too may take their time; the whole run has its own limit. The same
# examples every time: a test says the same today and tomorrow. New ones are hunted for in a run of its own,
# `pytest -m hypothesis --hypothesis-profile=hunt`, which prints how to repeat what it found.
hypothesis.settings.register_profile("stillbeat", deadline=None, derandomize=True)
hypothesis.settings.register_profile(
    "hunt", deadline=None, derandomize=False, max_examples=500, print_blob=True, database=None
)
hypothesis.settings.load_profile("stillbeat")

_SYNTHS = ("fluidsynth", "timidity", "jackd")
_FIXTURE_MARKS = {"jack_server": "jack", "librosa": "more"}
_QUICK_S = 2.0
"""A test that takes longer bears the mark ``slow``."""


def pytest_report_header() -> str:
    """Say at the top which independent synths this run can hear."""
    missing = [name for name in _SYNTHS if shutil.which(name) is None]
    if not missing:
        return f"independent synths: {', '.join(_SYNTHS)}"
    end = "FAIL, because CI is set" if os.environ.get("CI") else "be SKIPPED"
    return f"independent synths: {', '.join(missing)} NOT INSTALLED; tests that need them will {end}"


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """What needs a server, a browser, fetched files or heavy packages is slow as well; workers have their order."""
    for item in items:
        for fixture in _FIXTURE_MARKS.keys() & set(getattr(item, "fixturenames", ())):
            item.add_marker(_FIXTURE_MARKS[fixture])
        if any(item.get_closest_marker(mark) for mark in needs.MARKS):
            item.add_marker("slow")
    if hasattr(config, "workerinput"):
        items[:] = workers.in_order(items)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_make_scheduler(config: pytest.Config, log: Any) -> Any:
    """Share the tests between workers as `support.workers` says, unless another way was asked for."""
    return workers.scheduler(config, log) if config.option.dist == "load" else None


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """Let `support.needs` know whose marks count now."""
    needs.begin(item)


@pytest.hookimpl(wrapper=True, tryfirst=True)
def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> Generator[None, None, None]:
    """At the very end one line on what was not tested here; in a quick run also which tests were not quick."""
    yield
    stats = terminalreporter.stats
    if "not slow" in config.option.markexpr:
        reports = [report for report in stats.get("passed", ()) if report.duration > _QUICK_S]
        for report in sorted(reports, key=lambda report: -report.duration):
            took = f"took {report.duration:.1f} s without the mark slow: {report.nodeid}"
            terminalreporter.write_line(took)
    skips = [report.longrepr for report in stats.get("skipped", ()) if isinstance(report.longrepr, tuple)]
    line = needs.summary([str(reason) for _, _, reason in skips])
    if line:
        terminalreporter.write_line(line, yellow=True)


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


@pytest.fixture(scope="session")
def evening_bundle(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The session of ``examples/evening``, built: to be read, not written to."""
    from bridge.jobs.session.build import build_session

    def make(folder: Path) -> None:
        build_session(evening.FOLDER / "evening.toml", folder / "bundle", processes=1)

    return once.folder(tmp_path_factory, "evening", make) / "bundle"


@pytest.fixture(scope="session")
def librosa() -> Any:
    """The library of that name, an independent reference, out of the extra ``test-more``."""
    return needs.more("librosa")


@pytest.fixture(scope="module")
def _jack_server_of_the_file() -> Iterator[jack.JackServer]:
    with jack.JackServer() as server:
        yield server


@pytest.fixture
def jack_server(
    _jack_server_of_the_file: jack.JackServer, monkeypatch: pytest.MonkeyPatch
) -> jack.JackServer:
    """A JACK server; clients in this process and its children find it through the environment."""
    server = _jack_server_of_the_file
    if not server.alive:  # a test before has killed it
        server.start()
    for name in ("JACK_DEFAULT_SERVER", "JACK_NO_START_SERVER", "STILLBEAT_NAME"):
        monkeypatch.setenv(name, server.env[name])
    return server
