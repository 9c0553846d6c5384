"""What the player's process loads: only what is played with, and JACK's memory once."""

from __future__ import annotations

import ctypes
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from support import jack
from support.live import LiveRun, player_pid

HEAVY = ("numpy", "hashlib", "email", "rich", "click", "jinja2", "sounddevice")
WITH_JACK = ("lzma",)
"""What only looking for a JACK library in other places loads, where none has the usual name."""
LOADS = """
import sys
from bridge.live.player import process
process._warm()
from bridge.engine.bend.live import BendEngine
from bridge.engine.mts.live import MtsLiveEngine
print(*sys.modules)
"""


def test_the_player_loads_nothing_heavy_for_a_keyboard_and_a_synth() -> None:
    done = subprocess.run(
        [sys.executable, "-c", LOADS], capture_output=True, text=True, check=True, timeout=60
    )
    loaded = set(done.stdout.split())
    assert "bridge.live.player.player" in loaded
    heavy = {*HEAVY, *(WITH_JACK if _has_jack() else ())}
    assert not loaded & heavy, sorted(loaded & heavy)


def _has_jack() -> bool:
    try:
        ctypes.CDLL("libjack.so.0")
    except OSError:
        return False
    return True


@pytest.mark.jack
def test_one_jack_library_maps_the_servers_memory_once(tmp_path: Path) -> None:
    with jack.JackServer() as server, jack.JackTap(server) as tap, jack.JackTap(server, name="box") as box:
        ends = ("--guitar", "open-d", "--in", tap.midi_out, "--out", box.midi_in)
        with LiveRun(server.env, tmp_path / "state", *ends) as run:
            run.ready()
            maps = Path(f"/proc/{player_pid(run)}/maps").read_text().splitlines()
            run.say("quit")
            assert run.exit_code() == 0
    sizes: Counter[str] = Counter()
    for line in maps:
        ends_of, path = line.split()[0], line.split(maxsplit=5)[-1]
        if path.startswith("/dev/shm/jack-") and path.count("-") == 2:
            low, high = (int(end, 16) for end in ends_of.split("-"))
            if high - low > 10_000_000:
                sizes[path] += 1
    assert list(sizes.values()) == [1], sizes
