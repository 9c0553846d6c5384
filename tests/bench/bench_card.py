"""How much later a key is heard on the sound card: from the MIDI message on a JACK server to the first sample there.

Run: ``python tests/bench/bench_card.py [--strikes N]``. Printed for three sizes of a period; nothing is asserted.

Sound card and keyboard are on the same server, without hardware, so what a converter adds is left out. A message takes
effect one block after it came (`bridge.sound.device.mixer`): what is measured beyond that is the way from the port to
the process that makes the sound, and the first millisecond of an organ's attack.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from support import jack
from support.live import LiveRun

WORDS = ("--guitar", "open-d", "--in", "tap", "--card", "usual")
HEARD = 1e-5
ORGAN = bytes((0xC0, 19))


def measured(frames: int, strikes: int) -> tuple[str, list[float]]:
    """Return what is said at the beginning, and the delay of each strike in milliseconds."""
    with (
        jack.JackServer(frames=frames, portaudio=True, synchronous=False) as server,
        jack.JackTap(server) as tap,
        tempfile.TemporaryDirectory() as state,
        LiveRun(server.env, Path(state), *WORDS) as run,
    ):
        said = run.wait("^what you play is heard")
        run.ready()
        tap.hear(jack.PORTAUDIO_PORTS)
        tap.connect(tap.midi_out, tap.midi_in)
        time.sleep(2.5)  # it swells
        tap.send(ORGAN)
        tap.start()
        for number in range(strikes):
            tap.send(bytes((0x90, 66, 100)))
            time.sleep(0.15 + 0.0013 * (number % 17))  # anywhere in a period
            tap.send(bytes((0x80, 66, 0)))
            time.sleep(0.6)
        sound = tap.stop_recording()
        run.say("quit")
        run.exit_code()
    level = np.abs(sound.samples).max(axis=1)
    delays = []
    for at_s, message in sound.midi:
        begin = round(at_s * sound.rate_hz)
        after = level[begin : begin + round(0.15 * sound.rate_hz)]
        spoiled = any(at_s - 0.1 < gap < at_s + 0.15 for gap in sound.dropouts_s)
        if message[0] == 0x90 and not spoiled and not level[max(0, begin - 48) : begin].any() and after.any():
            delays.append(1000.0 * float(np.flatnonzero(after > HEARD)[0]) / sound.rate_hz)
    return said, delays


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--strikes", type=int, default=30)
    strikes = parser.parse_args().strikes
    for frames in (64, 256, 1024):
        said, delays = measured(frames, strikes)
        block_ms = 1000.0 * frames / 48_000
        print(f"{frames} frames, a block of {block_ms:.1f} ms; {said}")
        if delays:
            middle, high = np.percentile(delays, (50, 99))
            print(
                f"  median {middle:.1f} ms, p99 {high:.1f} ms, {len(delays)} of {strikes} without a dropout"
            )
        else:
            print("  nothing without a dropout: this computer is too busy")


if __name__ == "__main__":
    main()
