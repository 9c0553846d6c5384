"""A long evening in short: a thousand messages a second through ``stillbeat play``, and a new table every second.

Run: ``python tests/bench/soak_live.py [--minutes N] [--method METHOD] [--on-change MODE]``. A prober on a JACK server
of its own plays and hears; every note that comes back is compared with those that were sent, channel by channel.
Printed each minute, and in all: messages sent, tables changed, notes lost, out of order within a channel, and stuck;
and the memory of the player's process. Ends with 1 if anything was lost, swapped or stuck.

The server waits for its clients, so that whatever is lost was lost by us.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

STEP_S = 60.0
COUNTS = ("sent", "changes", "lost", "swapped", "hanging")


def memory_kb(pid: int) -> int:
    """Return the resident memory of a process, without what it shares with the JACK server."""
    lines = (line.split() for line in Path(f"/proc/{pid}/status").read_text().splitlines())
    sizes = {words[0]: int(words[1]) for words in lines if words[0] in ("VmRSS:", "RssShmem:")}
    return sizes["VmRSS:"] - sizes["RssShmem:"]


def main() -> int:
    """Play, count and print."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--method", default="auto")
    parser.add_argument("--on-change", nargs="+", default=["glide", "0.3"], metavar="MODE")
    chosen = parser.parse_args()
    from support import jack
    from support.live import LiveRun, player_pid
    from support.prober import Prober

    total = dict.fromkeys(COUNTS, 0)
    with jack.JackServer() as server, tempfile.TemporaryDirectory() as state:
        prober = Prober(server.env, "soak")
        also = [part for name in ("G", "A", "D,b7=7/4") for part in ("--also", name)]
        options = ["--guitar", "open-d", "--in", "soak to", "--out", "soak from", "--synth", "fluidsynth"]
        options += ["--method", chosen.method, "--on-change", *chosen.on_change, *also]
        with LiveRun(server.env, Path(state), *options).ready() as run:
            player = player_pid(run)
            prober.ask(do="flood", side="soak", seconds=2.0, tables=4)  # everything has been used once
            begin_kb = memory_kb(player)
            print(f"begin: memory of the player {begin_kb} KB", flush=True)
            began_s = time.monotonic()
            while (left_s := 60.0 * chosen.minutes - (time.monotonic() - began_s)) > 0.5:
                result = prober.ask(
                    do="flood",
                    side="soak",
                    seconds=min(STEP_S, left_s),
                    tables=4,
                    any_channel=chosen.method in ("bend", "mpe"),
                )
                total = {name: total[name] + result[name] for name in COUNTS}
                print(f"{(time.monotonic() - began_s) / 60.0:5.1f} min: {_counted(total)}", end="")
                print(f"; memory {memory_kb(player) - begin_kb:+d} KB", flush=True)
            run.say("quit")
            code = run.exit_code()
            shown = [line for line in run.lines if "late" in line or "not sent" in line]
            errors = run.errors()
        prober.end()
    print(f"in all: {_counted(total)}; live ended with {code} {shown} {errors}".rstrip())
    return 1 if code or errors or total["lost"] or total["swapped"] or total["hanging"] else 0


def _counted(total: dict[str, int]) -> str:
    return (
        f"{total['sent']} messages, {total['changes']} tables, {total['lost']} lost, "
        f"{total['swapped']} out of order, {total['hanging']} stuck"
    )


if __name__ == "__main__":
    sys.exit(main())
