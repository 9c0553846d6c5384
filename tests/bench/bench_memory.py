"""What a player's process takes of the memory, on a JACK server of its own.

Run: ``python tests/bench/bench_memory.py``. Printed; nothing is asserted (Linux only).

- own: what no other process shares (private pages); shared: code of libraries, which others use too; JACK: the server's
  memory, which every client maps. Its *resident* size, as ``top`` shows it, is the sum of these.
- The floor is a bare pass-through through python-rtmidi.
"""

from __future__ import annotations

import re
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

PLANS = {
    "note": ("--synth", "fluidsynth", "--method", "note"),
    "bend": ("--method", "bend"),
    "four tables": ("--also", "G", "--also", "A", "--also", "D,b7=7/4"),
    "following the harmony": ("--follow-harmony",),
}


def memory_mb(pid: int) -> dict[str, float]:
    """Return resident, own, shared and JACK's megabytes of a process."""
    sums = {"resident": 0, "own": 0, "JACK": 0}
    jack = False
    for line in Path(f"/proc/{pid}/smaps").read_text().splitlines():
        if re.match(r"^[0-9a-f]+-[0-9a-f]+ ", line):
            jack = "/dev/shm/jack" in line
        elif match := re.match(r"^(Rss|Private_Clean|Private_Dirty):\s+(\d+)", line):
            size = int(match[2])
            if match[1] == "Rss":
                sums["resident"] += size
                sums["JACK"] += size * jack
            elif not jack:
                sums["own"] += size
    found = {name: size / 1024 for name, size in sums.items()}
    return found | {"shared": found["resident"] - found["own"] - found["JACK"]}


def main() -> None:
    """Measure and print."""
    from bench_live import Floor
    from support import jack
    from support.live import LiveRun, player_pid

    rows: list[tuple[str, dict[str, float]]] = []
    with (
        jack.JackServer() as server,
        jack.JackTap(server) as tap,
        jack.JackTap(server, name="box") as box,
        tempfile.TemporaryDirectory() as state,
    ):
        floor = Floor(server.env)
        rows.append(("bare pass-through", memory_mb(floor.popen.pid)))
        floor.end()
        ends = ("--guitar", "open-d", "--in", tap.midi_out, "--out", box.midi_in)
        for name, options in PLANS.items():
            with LiveRun(server.env, Path(state), *ends, *options) as run:
                run.ready()
                tap.send(b"\x90\x40\x50", b"\x80\x40\x50")
                rows.append((name, memory_mb(player_pid(run))))
                run.say("quit")
                run.exit_code()
    columns = ("resident", "own", "shared", "JACK")
    print(f"{'MB':<24}" + "".join(f"{name:>10}" for name in columns))
    for name, found in rows:
        print(f"{name:<24}" + "".join(f"{found[column]:>10.1f}" for column in columns))


if __name__ == "__main__":
    main()
