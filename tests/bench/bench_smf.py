"""What loading and saving MIDI files costs in time and memory, beside mido on the same file in the same run.

Run: ``python tests/bench/bench_smf.py [--long]``. Each figure comes from a fresh interpreter: seconds are the best of
three, memory is the peak of the process less that of the same interpreter with its imports done. "Order and weave" is
the frame of every retuning: events into playing order with their times, and back into tracks, untouched.
``--long`` goes on to 2,000,000 events (without mido, which would take minutes). Nothing is asserted on time.
"""

from __future__ import annotations

import json
import random
import struct
import subprocess
import sys
import tempfile
from pathlib import Path

ROUNDS = 3
TRACKS = 8

_JOBS = {
    "mido": """
import mido
def work():
    mido.MidiFile(source).save(target)
""",
    "ours": """
from bridge.store.smf import read_midi, write_midi
def work():
    write_midi(target, read_midi(source), overwrite=True)
""",
    "weave": """
from bridge.store.playing import sequences
from bridge.store.smf import read_midi, rebuild, write_midi
def work():
    mf = read_midi(source)
    [playing] = sequences(mf)
    woven = playing.weave((anchor, None, data) for anchor, (_, data) in enumerate(playing))
    write_midi(target, rebuild(mf, [woven[number] for number in playing.numbers]), overwrite=True)
""",
}

_FRAME = """
import json, resource, sys, time
source, target = sys.argv[1:]
{job}
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
start = time.perf_counter()
work()
seconds = time.perf_counter() - start
print(json.dumps([seconds, (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024]))
"""


def write_piece(path: Path, events: int) -> None:
    """Write a file of `events` channel messages, with random keys, velocities and steps, in eight tracks."""
    dice = random.Random(events)
    chunks = [b"MThd" + struct.pack(">IHHH", 6, 1, TRACKS, 480)]
    for channel in range(TRACKS):
        body = bytearray()
        for _ in range(events // TRACKS // 2):
            key, velocity = dice.randrange(30, 90), dice.randrange(1, 128)
            body += bytes((dice.randrange(40), 0x90 | channel, key, velocity))
            body += bytes((0x81, dice.randrange(128), 0x80 | channel, key, 64))
        body += b"\x00\xff\x2f\x00"
        chunks.append(b"MTrk" + struct.pack(">I", len(body)) + body)
    path.write_bytes(b"".join(chunks))


def measure(job: str, source: Path) -> tuple[float, float]:
    """Return seconds (best) and peak MiB (least) of a job in fresh interpreters; check that nothing got lost."""
    target = source.with_suffix(".out.mid")
    results = []
    for _ in range(ROUNDS):
        command = [sys.executable, "-c", _FRAME.format(job=_JOBS[job]), str(source), str(target)]
        results.append(json.loads(subprocess.run(command, check=True, capture_output=True).stdout))
    if job != "mido" and target.read_bytes() != source.read_bytes():
        raise SystemExit(f"{job} changed the file")
    return min(result[0] for result in results), min(result[1] for result in results)


def main() -> None:
    """Measure and print."""
    sizes = [20_000, 200_000] + ([2_000_000] if "--long" in sys.argv else [])
    print(
        f"{'events':>9}  {'job':<28} {'seconds':>9} {'µs/event':>9} {'× mido':>7} {'peak MiB':>9} {'× mido':>7}"
    )
    with tempfile.TemporaryDirectory() as folder:
        for size in sizes:
            source = Path(folder) / f"{size}.mid"
            write_piece(source, size)
            floor = measure("mido", source) if size <= 200_000 else None
            rows = {"mido, load and save": floor} if floor else {}
            rows["ours, load and save"] = measure("ours", source)
            rows["ours, with order and weave"] = measure("weave", source)
            for name, (seconds, peak) in rows.items():
                ratios = (f"{seconds / floor[0]:7.3f}", f"{peak / floor[1]:7.3f}") if floor else ("", "")
                print(
                    f"{size:>9,}  {name:<28} {seconds:9.3f} {seconds / size * 1e6:9.3f} {ratios[0]:>7} "
                    f"{peak:9.1f} {ratios[1]:>7}"
                )


if __name__ == "__main__":
    main()
