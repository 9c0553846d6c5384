"""What playing live costs, beside a bare pass-through on the same JACK server in the same run.

Run: ``python tests/bench/bench_live.py [--method METHOD] [--rounds N]``. Printed as ratios; nothing is asserted.

- Round trip: a prober sends a note and waits for it to come back, in turn through a bare pass-through (python-
  rtmidi's callback calls ``send_message``) and through ``stillbeat play``. Both stand on the server the whole time,
  and turns alternate, so that whatever else the machine does falls on both.
- CPU: user and system time of all processes of either, while a thousand messages a second go through it.
- Table change: from a program change on the control channel to the last byte of the new table, less the round trip of
  a note.
- Start: from the start of the command to its line ``ready``.

What is lost over a long time, and memory: ``soak_live.py``.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

ROUNDS = 1500
CPU_S = 10.0
PLAY = "from bridge.cli import main; main()"


# ---- processes of the bench


def pass_through() -> None:
    """Send on whatever comes, and nothing else: the floor."""
    import rtmidi

    out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name="floor out")
    into = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name="floor in")
    out.open_virtual_port("out")
    into.open_virtual_port("in")
    into.ignore_types(sysex=False, timing=False, active_sense=False)
    into.set_callback(lambda event, _: out.send_message(event[0]))
    print("ready", flush=True)
    sys.stdin.read()
    into.delete()
    out.close_port()
    out.delete()


# ---- the bench itself


class Floor:
    """The bare pass-through as a process."""

    def __init__(self, env: dict[str, str]) -> None:
        self.popen = subprocess.Popen(
            [sys.executable, __file__, "--pass"],
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        assert self.popen.stdout is not None
        self.popen.stdout.readline()

    def end(self) -> None:
        """Let it go."""
        assert self.popen.stdin is not None
        self.popen.stdin.close()
        self.popen.wait(10)


class Live:
    """``stillbeat play`` as a process, with the time that it took to be ready."""

    def __init__(self, env: dict[str, str], *options: str) -> None:
        began_s = time.perf_counter()
        self.popen = subprocess.Popen(
            [sys.executable, "-c", PLAY, "play", *options],
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.lines: list[str] = []
        ready = threading.Event()
        self.ready_s = 0.0

        def read() -> None:
            assert self.popen.stdout is not None
            for line in self.popen.stdout:
                self.lines.append(line.rstrip())
                if line.startswith("ready"):
                    self.ready_s = time.perf_counter() - began_s
                    ready.set()

        threading.Thread(target=read, daemon=True).start()
        if not ready.wait(20):
            raise SystemExit(f"live did not start: {self.lines}")

    def say(self, line: str) -> None:
        """Type a line."""
        assert self.popen.stdin is not None
        self.popen.stdin.write(line + "\n")
        self.popen.stdin.flush()

    def end(self) -> None:
        """Let it leave."""
        self.say("quit")
        self.popen.wait(20)


def family(pid: int) -> list[int]:
    """Return a process and its children."""
    found = [pid]
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rsplit(")", 1)[1].split()
        except OSError:
            continue
        if int(fields[1]) in found:
            found.append(int(path.parent.name))
    return found


def cpu_s(pid: int) -> float:
    """Return the user and system time of a process and its children."""
    ticks = 0
    for one in family(pid):
        fields = Path(f"/proc/{one}/stat").read_text().rsplit(")", 1)[1].split()
        ticks += int(fields[11]) + int(fields[12])
    return ticks / os.sysconf("SC_CLK_TCK")


def percentile(values: list[float], part: float) -> float:
    """Return a percentile."""
    ordered = sorted(values)
    return ordered[min(int(part * len(ordered)), len(ordered) - 1)]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--method", default="auto")
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--synchronous", action="store_true", help="a server that waits for its clients")
    chosen = parser.parse_args()
    from support import jack
    from support.prober import Prober

    with jack.JackServer(synchronous=chosen.synchronous) as server, tempfile.TemporaryDirectory() as state:
        env = {**server.env, "XDG_STATE_HOME": state}
        prober = Prober(env, "floor-probe", "live-probe")
        floor = Floor(env)
        options = [
            "--guitar",
            "open-d",
            "--reference",
            "D3=146.5",
            "--in",
            "live-probe to",
            "--out",
            "live-probe from",
        ]
        also = ["--also", "G", "--also", "A", "--also", "D,b7=7/4"]
        starts = []
        for _ in range(3):
            live = Live(env, *options, *also, "--synth", "fluidsynth", "--method", chosen.method)
            starts.append(live.ready_s)
            if len(starts) < 3:
                live.end()
        print(f"start to ready: {min(starts):.2f} to {max(starts):.2f} s")
        with jack.JackTap(server) as tap:
            tap.connect(f"{server.client('floor-probe to')}:out", "floor in:in")
            tap.connect("floor out:out", f"{server.client('floor-probe from')}:in")
        time.sleep(0.5)
        trips = prober.ask(do="trips", rounds=chosen.rounds)
        bare, ours = ([time_s for time_s in times if time_s] for times in trips.values())
        lost = [len(times) - len(good) for times, good in zip(trips.values(), (bare, ours), strict=True)]
        print(
            f"lost by the server: {lost[0]} through the pass-through, {lost[1]} through live, of {chosen.rounds}"
        )
        for name, of in (("median", statistics.median), ("p99", lambda times: percentile(times, 0.99))):
            print(
                f"round trip {name:<7} {of(ours) * 1e3:7.3f} ms   {of(ours) / of(bare):5.3f} x "
                f"bare pass-through ({of(bare) * 1e3:.3f} ms)"
            )
        times = prober.ask(do="change", side="live-probe", tables=4, rounds=60)
        good = [time_s for time_s in times if time_s]
        extra = statistics.median(good) - statistics.median(bare)
        print(
            f"table change, key to last byte: {statistics.median(good) * 1e3:.2f} ms, "
            f"{extra * 1e3:.2f} ms beyond a note"
        )
        used = {}
        for name, pid, side in (
            ("bare", floor.popen.pid, "floor-probe"),
            ("live", live.popen.pid, "live-probe"),
            ("bare", floor.popen.pid, "floor-probe"),
            ("live", live.popen.pid, "live-probe"),
        ):
            before = cpu_s(pid)
            prober.ask(do="flood", side=side, seconds=CPU_S / 2)
            used[name] = used.get(name, 0.0) + cpu_s(pid) - before
        print(
            f"CPU at 1,000 messages a second: {used['live'] / CPU_S:.1%} of a core   "
            f"{used['live'] / used['bare']:.2f} x bare pass-through ({used['bare'] / CPU_S:.1%})"
        )
        live.end()
        for line in live.lines[-3:]:
            print(f"  live: {line}")
        floor.end()
        prober.end()


if __name__ == "__main__":
    if sys.argv[1:] == ["--pass"]:
        pass_through()
    else:
        main()
