"""The live tuner on a JACK server: how soon a pluck is shown, and how much of a core the command takes.

Run as ``python tests/bench/bench_tuner.py``; needs jackd, JACK-Client and sounddevice. Prints

- the time from a pluck's first sample, as it enters the server, to the first reading shown, at 110 Hz (asked: 60 ms);
- the time of a bare input that only sees the sound rise, in the same run: the floor, which no tuner can go below;
- processor time over wall time of ``stillbeat tune``, as lines and as a picture, while plucks come in (asked: 30 %).
"""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import threading
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support import jack, takes
from support.children import Child
from support.jack_player import JackPlayer

TURNS = 12
LOAD_S = 10.0


def child() -> None:
    """Listen as the tuner does; say when the sound rose and when the first reading of each pluck was shown."""
    from bridge.live.desk.tuner import Steadied
    from bridge.sound.device.microphone import Microphone
    from bridge.sound.listening.meter import Meter
    from bridge.tuning.strings.aims import StringAim

    aims = {5: StringAim(5, "A2", 110.0, 146.5, 3, 4)}
    with Microphone("guitar") as microphone:
        print("ready", flush=True)
        meter, steadied = Meter(microphone.sample_rate, [(5, 110.0)]), Steadied(aims)
        rose = shown = False
        while True:
            block = microphone.read(0.2)
            loud = bool(block.size) and float(np.abs(block).max()) > 0.02
            if loud and not rose:
                rose = True
                print(f"rose {time.monotonic()}", flush=True)
            reading = meter.feed(block) if block.size else None
            if reading is not None and rose and steadied.take(reading) and not shown:
                shown = True
                print(f"shown {time.monotonic()}", flush=True)
            if rose and not loud and block.size and float(np.abs(block).max()) < 1e-5:
                rose = shown = False
                steadied.shown = None


def latency(server: jack.JackServer, player: JackPlayer) -> None:
    with Path(os.devnull).open("wb") as log:
        listener = Child([sys.executable, __file__, "--child"], server.env, log=log)
        assert listener.line(20.0) == "ready"
        rose_ms, shown_ms = [], []
        rng = np.random.default_rng(1)
        for _ in range(TURNS):
            sound = takes.pluck(110.0, 1.0, rng, decay_s=0.4)
            sound *= 0.5 / np.max(np.abs(sound))
            began_s = player.begin(np.concatenate([sound, np.zeros(player.rate_hz // 2)]))
            for _ in range(2):
                what, at_s = listener.line(5.0).split()
                (rose_ms if what == "rose" else shown_ms).append(1000 * (float(at_s) - began_s))
            player.finish()
        listener.end()
    for name, values in (("sound rises (floor)", rose_ms), ("first reading shown", shown_ms)):
        print(f"{name:22} median {np.median(values):6.1f} ms, worst {max(values):6.1f} ms")
    print(f"{'of which the meter':22} median {np.median(shown_ms) - np.median(rose_ms):6.1f} ms")


def load(server: jack.JackServer, player: JackPlayer, picture: bool) -> None:
    command = [sys.executable, "-c", "from bridge.cli import main; main()", "tune", "--guitar", "open-d"]
    leader, follower = pty.openpty()
    run = subprocess.Popen(
        [*command, "--mic", "guitar", *([] if picture else ["--lines"])],
        env={**server.env, "TERM": "xterm", "COLUMNS": "80", "LINES": "24"},
        stdin=subprocess.DEVNULL,
        stdout=follower,
    )
    drain = threading.Thread(target=_drain, args=(leader,), daemon=True)
    drain.start()
    time.sleep(3.0)
    strings = takes.open_d(146.83)
    sound = takes.take([strings[n] for n in (6, 5, 4, 3, 2, 1)], gap_s=LOAD_S / 6)
    before, began_s = _used_s(run.pid), time.monotonic()
    player.play(sound)
    used_s, wall_s = _used_s(run.pid) - before, time.monotonic() - began_s
    run.terminate()
    run.wait(15.0)
    os.close(follower)
    print(f"{'picture' if picture else 'lines':22} {100 * used_s / wall_s:6.1f} % of one core")


def _drain(leader: int) -> None:
    try:
        while os.read(leader, 65536):
            pass
    except OSError:
        return


def _used_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Measure on a server of 64 frames that does not wait for its clients."""
    with jack.JackServer(frames=64, synchronous=False) as server, JackPlayer(server) as player:
        takes.RATE = player.rate_hz
        latency(server, player)
        for picture in (False, True):
            load(server, player, picture)


if __name__ == "__main__":
    child() if "--child" in sys.argv else main()
