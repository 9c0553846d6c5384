"""What following costs while somebody plays: every note-on of real files in the engine, and a round trip on JACK.

Run: ``python tests/bench/bench_following.py [--method METHOD] [--files N] [--jack [--rounds N]]``. Asserts nothing.

- Note-on: microseconds of this thread (what others do meanwhile is not counted) for one note-on through the engine, by
  its table and followed: median, 99 in 100, the worst. All that a file plays goes through, in order and at its times.
- Round trip (``--jack``): a prober sends a note and waits for it, in turn through a bare pass-through and through
  ``stillbeat play``: first by its table, then with ``--follow-harmony``.
"""

from __future__ import annotations

import argparse
import gc
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harmony.scores import FIVE_LIMIT
from support.corpus import MIDI_PACKAGES, midi_files

from bridge.engine.bend.live import BendEngine
from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.following import FollowingEngine
from bridge.engine.protocols import LiveEngine
from bridge.harmony.choice.variants import palette_of
from bridge.store.descriptions import load_guitar
from bridge.store.playing import sequences
from bridge.store.profiles import load_profile
from bridge.store.smf import read_midi
from bridge.tuning.notes import key_to_hz
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table

METHODS = ("note", "octave", "bend", "mpe")


def engine_of(method: str, hz: list[float]) -> LiveEngine:
    if method in ("bend", "mpe"):
        return BendEngine(None, hz, None, "mpe" if method == "mpe" else "bend")
    return MtsLiveEngine(load_profile("full-midi-tuning"), hz, method)


def strokes(methods: list[str], count: int) -> None:
    """Print what a note-on costs."""
    guitar = load_guitar("open-d")
    key = guitar.key_of(guitar.reference_string)
    table = build_table(
        TableSpec("bench", FIVE_LIMIT, guitar.tonic, guitar.tonic, Reference(key, key_to_hz(key)), guitar)
    )
    hz = [float(value) for value in table.hz]
    palette = palette_of(table)
    files = midi_files(MIDI_PACKAGES[0])[:count]
    pieces = [
        [(at_s, data) for at_s, data in sequences(read_midi(path))[0] if data and 0x80 <= data[0] < 0xF0]
        for path in files
    ]
    print(f"{'note-on, microseconds':24} median    p99  worst   sent a stroke   ({len(files)} files)")
    for method in methods:
        for followed in (False, True):
            took, sent = [], 0
            for events in pieces:
                engine = engine_of(method, hz)
                if followed:
                    engine = FollowingEngine(engine, hz, lambda _: palette)
                engine.start(0.0)
                gc.collect()
                for at_s, data in events:
                    if data[0] & 0xF0 == 0x90 and data[2] and data[0] & 15 != 9:
                        began = time.thread_time_ns()
                        due = engine.feed(data, at_s)
                        took.append((time.thread_time_ns() - began) / 1000)
                        sent += len(due)
                    else:
                        engine.feed(data, at_s)
            took.sort()
            name = f"{method}, {'followed' if followed else 'its table'}"
            print(
                f"{name:24} {statistics.median(took):6.1f} {took[int(0.99 * len(took))]:6.1f} {took[-1]:6.0f}"
                f"   {sent / len(took):13.2f}   of {len(took)}"
            )


def trips(method: str, rounds: int) -> None:
    """Print how long a note takes there and back."""
    from bench_live import Floor, Live, percentile
    from support import jack
    from support.prober import Prober

    with jack.JackServer() as server, tempfile.TemporaryDirectory() as state:
        env = {**server.env, "XDG_STATE_HOME": state}
        prober = Prober(env, "floor-probe", "live-probe")
        floor = Floor(env)
        with jack.JackTap(server) as tap:
            tap.connect(f"{server.client('floor-probe to')}:out", "floor in:in")
            tap.connect("floor out:out", f"{server.client('floor-probe from')}:in")
        options = ["--guitar", "open-d", "--in", "live-probe to", "--out", "live-probe from"]
        options += ["--synth", "full-midi-tuning", "--method", method]
        both: list[
            float
        ] = []  # the pass-through is the same process in both turns, and differs most by chance
        ours: dict[str, list[float]] = {}
        for name, more in (("its table", ()), ("followed", ("--follow-harmony",))):
            live = Live(env, *options, *more)
            time.sleep(0.5)
            bare, ours[name] = (
                [time_s for time_s in times if time_s]
                for times in prober.ask(do="trips", rounds=rounds).values()
            )
            both += bare
            live.end()
        for name, times in ours.items():
            for word, of in (("median", statistics.median), ("p99", lambda some: percentile(some, 0.99))):
                print(
                    f"round trip {method}, {name:10} {word:7} {of(times) * 1e3:7.3f} ms   "
                    f"{of(times) / of(both):5.3f} x bare pass-through ({of(both) * 1e3:.3f} ms)"
                )
        floor.end()
        prober.end()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--method", choices=METHODS)
    parser.add_argument("--files", type=int, default=8)
    parser.add_argument("--jack", action="store_true")
    parser.add_argument("--rounds", type=int, default=1500)
    asked = parser.parse_args()
    if asked.jack:
        for method in [asked.method] if asked.method else ["octave", "note", "bend"]:
            trips(method, asked.rounds)
        return
    strokes([asked.method] if asked.method else list(METHODS), asked.files)


if __name__ == "__main__":
    main()
