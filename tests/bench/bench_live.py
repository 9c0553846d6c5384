"""What playing live costs, beside a bare pass-through on the same JACK server in the same run.

Run: ``python tests/bench/bench_live.py [--soak SECONDS] [--method METHOD]``. Printed as ratios; nothing is asserted.

- Round trip: a prober sends a note and waits for it to come back, in turn through a bare pass-through (python-
  rtmidi's callback calls ``send_message``) and through ``stillbeat live``. Both stand on the server the whole time,
  and turns alternate, so that whatever else the machine does falls on both.
- CPU: user and system time of all processes of either, while a thousand messages a second go through it. - Table
  change: from a program change on the control channel to the last byte of the new table, and the same for a typed
  line; less the round trip of a note.
- Start: from the start of the command to its line ``ready``. - Soak: a thousand messages a second and a table change
  every second; counts what was lost or changed places, and how the memory of the player grew.
"""

from __future__ import annotations

import argparse
import json
import os
import queue
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

ROUNDS = 1500
CPU_S = 10.0
RATE = 1000.0
LIVE = "from bridge.cli import main; main()"


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
    into.close_port()
    out.close_port()


class Side:
    """One way through: a pair of ports of the prober."""

    def __init__(self, name: str) -> None:
        import rtmidi

        self.arrived: queue.SimpleQueue[tuple[float, bytes]] = queue.SimpleQueue()
        self.out = rtmidi.MidiOut(rtmidi.API_UNIX_JACK, name=f"{name} to")
        self.into = rtmidi.MidiIn(rtmidi.API_UNIX_JACK, name=f"{name} from")
        self.out.open_virtual_port("out")
        self.into.open_virtual_port("in")
        self.into.ignore_types(sysex=False, timing=False, active_sense=False)
        self.into.set_callback(lambda event, _: self.arrived.put((time.perf_counter(), bytes(event[0]))))

    def drain(self) -> list[tuple[float, bytes]]:
        """Return all that has arrived."""
        found = []
        while not self.arrived.empty():
            found.append(self.arrived.get())
        return found

    def trip_s(self, message: bytes) -> float | None:
        """Send a message and wait for it to come back; None if the server lost it, as it may under load."""
        began_s = time.perf_counter()
        self.out.send_message(message)
        try:
            while True:
                at_s, data = self.arrived.get(timeout=0.2)
                if data == message:
                    return at_s - began_s
        except queue.Empty:
            return None


def probe() -> None:
    """Measure on command: one JSON object a line in, one out."""
    sides = {name: Side(name) for name in ("floor-probe", "live-probe")}
    print(json.dumps({"ready": True}), flush=True)
    for line in sys.stdin:
        order = json.loads(line)
        answer: Any = {}
        if order["do"] == "trips":
            times: dict[str, list[float | None]] = {name: [] for name in sides}
            for number in range(order["rounds"]):
                for name, side in sides.items():
                    key = 40 + number % 40
                    times[name].append(side.trip_s(bytes((0x90, key, 90))))
                    time.sleep(random.uniform(0.001, 0.004))
                    side.trip_s(bytes((0x80, key, 0)))
                    time.sleep(random.uniform(0.001, 0.004))
            answer = times
        elif order["do"] == "flood":
            answer = flood(sides[order["side"]], order["seconds"], order.get("tables", 0))
        elif order["do"] == "change":
            answer = [
                change(sides["live-probe"], number % order["tables"]) for number in range(order["rounds"])
            ]
        print(json.dumps(answer), flush=True)


def change(side: Side, table: int) -> float:
    """Choose a table; return how long it takes until the last byte of it has come."""
    side.drain()
    began_s = time.perf_counter()
    side.out.send_message(bytes((0xCF, table)))
    time.sleep(0.05)
    tuning = [at_s for at_s, _ in side.drain()]
    return max(tuning) - began_s if tuning else 0.0


def flood(side: Side, seconds: float, tables: int) -> dict[str, Any]:
    """Send a thousand messages a second; count what comes back, in what order."""
    side.drain()
    sent: list[bytes] = []
    began_s = time.perf_counter()
    number = changes = 0
    lost = swapped = 0
    expected: list[list[bytes]] = [[] for _ in range(16)]
    seen = [0] * 16
    while (now_s := time.perf_counter() - began_s) < seconds or number % 2:
        if now_s * RATE <= number and number % 2 == 0:
            time.sleep(0.0005)
            continue
        channel = number // 2 % 9
        key = 36 + number // 18 % 48
        message = (
            bytes((0x90 | channel, key, 1 + number // 2 % 126))
            if number % 2 == 0
            else bytes((0x80 | channel, key, number // 2 % 127))
        )
        side.out.send_message(message)
        expected[channel].append(message)
        number += 1
        if tables and now_s > changes + 1:
            changes += 1
            side.out.send_message(bytes((0xCF, changes % tables)))
        if number % 500 == 0:
            lost, swapped = check(side, expected, seen, lost, swapped)
    time.sleep(0.3)
    lost, swapped = check(side, expected, seen, lost, swapped)
    lost += sum(len(some) for some in expected)
    return {"sent": number, "changes": changes, "lost": lost, "swapped": swapped, "kept": len(sent)}


def check(
    side: Side, expected: list[list[bytes]], seen: list[int], lost: int, swapped: int
) -> tuple[int, int]:
    """Compare notes that have come with those that were sent, channel by channel."""
    for _, data in side.drain():
        if data[0] >= 0xA0:
            continue
        waiting = expected[data[0] & 0x0F]
        seen[data[0] & 0x0F] += 1
        if waiting and waiting[0] == data:
            waiting.pop(0)
        elif data in waiting:
            swapped += 1
            waiting.remove(data)
        else:
            lost += 1
    return lost, swapped


# ---- the bench itself


class Helper:
    """A process of this file."""

    def __init__(self, role: str, env: dict[str, str]) -> None:
        self.popen = subprocess.Popen(
            [sys.executable, __file__, role],
            env=env,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        self.line()

    def line(self) -> str:
        """Return its next line."""
        assert self.popen.stdout is not None
        return self.popen.stdout.readline()

    def ask(self, **order: Any) -> Any:
        """Give an order and return the answer."""
        assert self.popen.stdin is not None
        self.popen.stdin.write(json.dumps(order) + "\n")
        self.popen.stdin.flush()
        return json.loads(self.line())

    def end(self) -> None:
        """Let it go."""
        assert self.popen.stdin is not None
        self.popen.stdin.close()
        self.popen.wait(10)


class Live:
    """``stillbeat live`` as a process, with the time that it took to be ready."""

    def __init__(self, env: dict[str, str], *options: str) -> None:
        began_s = time.perf_counter()
        self.popen = subprocess.Popen(
            [sys.executable, "-c", LIVE, "live", *options],
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


def memory_kb(pid: int) -> int:
    """Return the resident memory of a process and its children."""
    total = 0
    for one in family(pid):
        for line in Path(f"/proc/{one}/status").read_text().splitlines():
            if line.startswith("VmRSS:"):
                total += int(line.split()[1])
    return total


def percentile(values: list[float], part: float) -> float:
    """Return a percentile."""
    ordered = sorted(values)
    return ordered[min(int(part * len(ordered)), len(ordered) - 1)]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument(
        "--soak", type=float, default=0.0, help="seconds of a soak after the other measurements"
    )
    parser.add_argument("--method", default="auto")
    parser.add_argument("--rounds", type=int, default=ROUNDS)
    parser.add_argument("--synchronous", action="store_true", help="a server that waits for its clients")
    chosen = parser.parse_args()
    from support import jack

    with jack.JackServer(synchronous=chosen.synchronous) as server, tempfile.TemporaryDirectory() as state:
        env = {**server.env, "XDG_STATE_HOME": state}
        prober = Helper("--probe", env)
        floor = Helper("--pass", env)
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
        slots = ["--slot", "D", "--slot", "G", "--slot", "A", "--slot", "D,b7=7/4"]
        starts = []
        for _ in range(3):
            live = Live(env, *options, *slots, "--synth", "fluidsynth", "--method", chosen.method)
            starts.append(live.ready_s)
            if len(starts) < 3:
                live.end()
        print(f"start to ready: {min(starts):.2f} to {max(starts):.2f} s")
        with jack.JackTap(server) as tap:
            tap.connect("floor-probe to:out", "floor in:in")
            tap.connect("floor out:out", "floor-probe from:in")
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
        times = prober.ask(do="change", tables=4, rounds=60)
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
        if chosen.soak:
            before = memory_kb(live.popen.pid)
            result = prober.ask(do="flood", side="live-probe", seconds=chosen.soak, tables=4)
            grown = memory_kb(live.popen.pid) - before
            print(
                f"soak {chosen.soak:g} s: {result['sent']} messages, {result['changes']} table changes, "
                f"{result['lost']} lost, {result['swapped']} out of order; memory {grown:+d} KB"
            )
        live.end()
        for line in live.lines[-3:]:
            print(f"  live: {line}")
        floor.end()
        prober.end()


if __name__ == "__main__":
    if sys.argv[1:] == ["--probe"]:
        probe()
    elif sys.argv[1:] == ["--pass"]:
        pass_through()
    else:
        main()
