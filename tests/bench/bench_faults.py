"""How soon playing goes on after what goes wrong on a stage, on a JACK server of its own.

Run: ``python tests/bench/bench_faults.py [--rounds N]``. Printed; nothing is asserted.

- Loop: our output is patched into our input. A note goes round then, with the periods chosen here about a hundred
  messages a second. Until the input is cut, from the patch on; the floor is a period.
- SysEx without an end: a keyboard begins one, then strikes a note that it holds. Until that note is out; the library
  swallows it until the next pulse, four times a second, and a first pulse that is swallowed with it may double that.
- The synth's port goes and comes back: from its return until the table is there again, so that it sounds in tune.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

FRAMES, RATE_HZ = 512, 48_000
ON = bytes((0x90, 50, 100))
WORDS = ("--guitar", "open-d", "--synth", "fluidsynth", "--method", "note")


def until(what: Callable[[], bool]) -> float:
    """Wait for something; return when it was so."""
    while not what():
        time.sleep(0.001)
    return time.monotonic()


def main() -> None:
    """Measure and print."""
    from support import jack
    from support.live import LiveRun

    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=5)
    rounds = parser.parse_args().rounds
    found: dict[str, list[float]] = {"loop": [], "SysEx without an end": [], "synth back": []}
    a_second: list[float] = []
    with (
        jack.JackServer(frames=FRAMES, rate_hz=RATE_HZ, synchronous=False) as server,
        jack.JackTap(server) as tap,
        tempfile.TemporaryDirectory() as state,
    ):
        ours_out, ours_in = (
            f"{server.client('stillbeat')} {end}" for end in ("synth:synth", "keyboard:keyboard")
        )
        for number in range(rounds):
            box = jack.JackTap(server, name="box")
            box.__enter__()
            ends = ("--in", tap.midi_out, "--out", box.midi_in)
            with LiveRun(server.env, Path(state) / str(number), *ends, *WORDS) as run:
                run.ready()
                # A loop that shows sooner is refused, not cut; each round meets the pulses elsewhere.
                time.sleep(3.0 + 0.25 * number / rounds)
                box.start()
                tap.send(b"\xf0\x43\x10\x01", ON)
                began_s = time.monotonic()
                found["SysEx without an end"].append(until(lambda: ON in heard(box)) - began_s)  # noqa: B023
                tap.send(bytes((0x80, 50, 0)))
                time.sleep(0.5)
                tap.connect(ours_out, ours_in)
                time.sleep(0.5)  # JACK may lose a period where it is patched anew
                box.start()
                began_s = time.monotonic()
                tap.send(ON)
                run.wait("comes back on", limit_s=20.0)
                found["loop"].append(time.monotonic() - began_s)
                a_second.append(len(heard(box)) / found["loop"][-1])
                tap.disconnect(ours_out, ours_in)
                run.wait("nothing comes back any more", limit_s=20.0)
                box.stop()
                run.wait("is gone", limit_s=20.0)
                box = jack.JackTap(server, name="box")
                box.__enter__()
                began_s = time.monotonic()
                run.wait("is back", limit_s=20.0)
                found["synth back"].append(time.monotonic() - began_s)
                run.say("quit")
                run.exit_code()
            box.stop()
    print(
        f"a period is {1000 * FRAMES / RATE_HZ:.1f} ms; in the loop {statistics.median(a_second):.0f} messages a second"
    )
    for name, seconds in found.items():
        print(f"{name:<24} median {statistics.median(seconds):6.3f} s   slowest {max(seconds):6.3f} s")


def heard(box: object) -> list[bytes]:
    """Return what a synth got."""
    return [data for _, data in box.heard()]  # type: ignore[attr-defined]


if __name__ == "__main__":
    main()
