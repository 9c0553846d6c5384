"""What a test needs beyond Python and this project, asked for in one way: there, or skipped and said, or failed in CI.

Three rules, kept here alone.

- What is missing skips the test on a user's machine, with the command that installs it. Where the environment variable
  ``CI`` is set it fails, because there everything has been installed. The packages of the extra ``test-more`` are the
  one exception: the extra ``test`` leaves them out, so they fail a test only where ``STILLBEAT_TEST_MORE`` is set.
- A test that uses a JACK server, a browser, fetched files or the extra ``test-more`` bears the mark of that name
  (`MARKS`), so that a quick run can leave it out. Who forgets the mark is told so by a failure, on every machine.
- At the end of a run one line says how many tests were skipped for want of something, and what installs it (`summary`).

Imports nothing of the project.

Index: `MARKS`, `missing`, `program`, `portaudio`, `rtmidi`, `more`, `often`, `uses`, `begin`, `summary`.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterable, Sequence
from functools import cache
from importlib import import_module
from types import ModuleType
from typing import Any, NoReturn

import pytest

MARKS = ("jack", "browser", "fetched", "more")
"""Marks of tests that need something slow to have; each of them makes a test ``slow`` as well."""

APT = "apt-get install"
TEST = "pip install -e '.[test]'"
TEST_MORE = "pip install -e '.[test-more]'"

_PACKAGES = {"fluidsynth": "fluidsynth", "timidity": "timidity", "jackd": "jackd2", "npm": "npm"}
_PACKAGES |= dict.fromkeys(("pdftotext", "pdfinfo", "pdffonts", "pdftoppm"), "poppler-utils")
_PACKAGES |= dict.fromkeys(("chromium", "chromium-browser", "google-chrome"), "chromium")
_NOT_TESTED = "so this was NOT tested here"
_LIMIT_S = 60.0

_now: list[pytest.Item] = []  # the test that runs, at most one


def missing(what: str, install: str = "", *, must: bool | None = None) -> NoReturn:
    """Skip the test for want of `what`, or fail it where it must not be missing.

    Parameters
    ----------
    what : str
        What is missing, and why where that is known.
    install : str
        The command that installs it; "" where no command helps.
    must : bool, optional
        Whether to fail; by default where ``CI`` is set.
    """
    if bool(os.environ.get("CI")) if must is None else must:
        pytest.fail(f"{what}: missing, and CI must have it", pytrace=False)
    pytest.skip(f"{what}: missing, {_NOT_TESTED}" + (f" ({install})" if install else ""))


def program(*names: str) -> str:
    """Return the path of the first of these programs that is installed; skip (fail under CI) without one."""
    for name in names:
        found = shutil.which(name)
        if found is not None:
            return found
    missing(" or ".join(names), f"{APT} {_PACKAGES.get(names[0], names[0])}")


@cache
def _imports(module: str) -> bool:
    # In a process of its own: a library of sound or MIDI is loaded by the test that wants it, not by the question.
    command = [sys.executable, "-P", "-c", f"import {module}"]
    return subprocess.run(command, capture_output=True, check=False, timeout=_LIMIT_S).returncode == 0


def jack_client() -> None:
    """Skip (fail under CI) where the Python package JACK-Client or its library is missing."""
    if not _imports("jack"):
        missing("the Python package JACK-Client with libjack", f"{APT} jackd2; {TEST}")


def portaudio() -> None:
    """Skip (fail under CI) where the package sounddevice or its library PortAudio is missing."""
    if not _imports("sounddevice"):
        missing("the Python package sounddevice with PortAudio", f"{APT} libportaudio2; {TEST}")


def rtmidi() -> ModuleType:
    """Return the module rtmidi; skip (fail under CI) without it."""
    try:
        return import_module("rtmidi")
    except ImportError as error:
        missing(f"the Python package python-rtmidi ({error})", "pip install -e '.[ports]'")


def more(name: str) -> Any:
    """Return a module of the extra ``test-more``; skip without it (fail where ``STILLBEAT_TEST_MORE`` is set)."""
    uses("more")
    try:
        return import_module(name)
    except ModuleNotFoundError:
        must = bool(os.environ.get("STILLBEAT_TEST_MORE"))
        missing(f"the Python package {name}", TEST_MORE, must=must)


def often(times: int, *, long: int) -> int:
    """How often a campaign repeats something: more often where the environment variable ``STILLBEAT_LONG`` is set."""
    return long if os.environ.get("STILLBEAT_LONG") else times


def begin(item: pytest.Item) -> None:
    """Remember the test that begins, so that `uses` knows whose marks to look at."""
    _now[:] = [item]


def uses(mark: str) -> None:
    """Say that what runs now uses something; fails a test that does not bear the mark."""
    if _now and _now[0].get_closest_marker(mark) is None:
        pytest.fail(
            f"it uses what the mark {mark!r} stands for: put @pytest.mark.{mark} on it", pytrace=False
        )


def summary(reasons: Sequence[str]) -> str:
    """Return one line for all tests skipped for want of something, with what installs it; "" if there are none.

    Parameters
    ----------
    reasons : sequence of str
        Why each skipped test was skipped, others than ours among them.
    """
    ours = [reason for reason in reasons if _NOT_TESTED in reason]
    if not ours:
        return ""
    found = re.findall(r"\(([^()]+)\)$", "\n".join(ours), re.MULTILINE)
    commands = _together(command.strip() for text in found for command in text.split(";"))
    end = "; ".join(commands) or "no command installs it (see the reasons above)"
    tests = "1 test was" if len(ours) == 1 else f"{len(ours)} tests were"
    return f"NOT TESTED HERE: {tests} skipped for want of something. To run all: {end}"


def _together(commands: Iterable[str]) -> list[str]:
    """Every command once, those of apt-get made one."""
    packages: set[str] = set()
    others: set[str] = set()
    for command in commands:
        name, _, rest = command.partition(f"{APT} ")
        if rest and not name:
            packages.update(rest.split())
        else:
            others.add(command)
    return ([f"{APT} {' '.join(sorted(packages))}"] if packages else []) + sorted(others)
