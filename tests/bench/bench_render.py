"""How fast the tone generator renders, as a ratio to real time, beside a floor measured in the same run.

Run: ``python tests/bench/bench_render.py [FILE.mid …]``. Without files a piece of two minutes is made up here: bass,
strummed guitar, held organ and strings, drums, pedal, bends and a table change at every bar; 6 to 10 notes sound at a
time. The floor is what numpy takes to compute one plain sine for each sounding note, without envelope, partials or mix.
Times are the best of three rounds; nothing is asserted.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np

from bridge.sound.generator.synth import Generator
from bridge.sound.render import render_blocks
from bridge.store.playing import sequences
from bridge.store.smf import read_midi
from bridge.wire import mts

RATE = 44_100
Events = list[tuple[float, bytes]]


def best_s(call: Callable[[], object], rounds: int = 3) -> float:
    """Return the time of one call in seconds, the best of some rounds."""
    times = []
    for _ in range(rounds):
        begin = time.perf_counter()
        call()
        times.append(time.perf_counter() - begin)
    return min(times)


def made_up_piece(bars: int = 60) -> Events:
    """Return a piece of two seconds a bar."""
    events: Events = [
        (0.0, bytes((0xC0 | channel, program))) for channel, program in enumerate((33, 25, 19, 48))
    ]
    for bar in range(bars):
        start = 2.0 * bar
        root = (50, 55, 52, 57, 59, 50)[bar % 6]
        shift = bar % 3 << 5
        keys = tuple((key, (key << 14) + shift) for key in range(root, root + 12))
        events.append((start, mts.encode(mts.NoteTuning(0x7F, 0, keys))))
        chord = (root, root + 4, root + 7, root + 12)
        for channel, notes, begin, length in (
            (0, (root - 12,), 0.0, 0.95),
            (0, (root - 5,), 1.0, 0.95),
            (1, chord, 0.0, 0.9),
            (1, chord, 1.0, 0.9),
            (2, (root, root + 7), 0.0, 1.98),
            (3, (root + 12, root + 16), 0.0, 1.98),
        ):
            for index, key in enumerate(notes):
                at = start + begin + 0.015 * index * (channel == 1)
                events.append((at, bytes((0x90 | channel, key, 80))))
                events.append((at + length, bytes((0x80 | channel, key, 0))))
        for eighth in range(8):
            at = start + eighth / 4
            events.append((at, bytes((0x99, 42, 70))))
            events.append((at, bytes((0x99, 36 if eighth % 4 == 0 else 38, 90))))
            events.append((at, bytes((0xE3, 0, 64 + eighth))))
        events += [(start + 0.05, b"\xb1\x40\x7f"), (start + 1.95, b"\xb1\x40\x00")]
    return sorted(events, key=lambda event: event[0])


def counted(events: Events) -> tuple[float, float, int]:
    """Return length in seconds, mean number of sounding notes (those dying away included), and the most."""
    generator = Generator(8000)
    for time_s, data in events:
        if data[:1] != b"\xff":
            generator.feed(data, round(time_s * 8000))
    seconds = events[-1][0]
    counts = []
    while generator.position < seconds * 8000:
        generator.block(800)
        counts.append(generator.note_count)
    return seconds, float(np.mean(counts)), max(counts)


def floor_s(seconds: float, notes: float) -> float:
    """Return the time of a plain sine for each note, for as long as the piece."""
    step = np.linspace(0.01, 0.1, max(1, round(notes)))[:, None]
    index = np.arange(4096.0)
    blocks = max(1, round(seconds * RATE / len(index)))

    def sines() -> None:
        for _ in range(blocks):
            np.sin(step * index).sum(axis=0)

    return best_s(sines, 1)


def report(name: str, events: Events) -> None:
    """Render a piece and print its speed."""
    seconds, mean, most = counted(events)
    spent = best_s(lambda: sum(len(block) for block in render_blocks(events, RATE)))
    floor = floor_s(seconds, mean)
    print(
        f"{name:<28} {seconds:7.1f} s, {mean:5.1f} notes (at most {most:3d}): "
        f"{seconds / spent:7.1f} × real time, {spent / floor:5.2f} × the floor"
    )


def report_live(frames: int, notes: int) -> None:
    """Print what small blocks cost."""
    generator = Generator(48_000, ceiling=0.5)
    generator.feed(b"\xc0\x13" + b"".join(bytes((0x90, 40 + 3 * index, 80)) for index in range(notes)))
    generator.block(4800)
    blocks = 48_000 // frames
    spent = best_s(lambda: [generator.block(frames) for _ in range(blocks)])
    print(
        f"live, blocks of {frames:4d}, {notes:2d} notes: {100 * spent:5.1f} % of one processor at 48,000 a second"
    )


def main() -> None:
    """Measure and print."""
    report("made-up piece", made_up_piece())
    for path in sys.argv[1:]:
        for playing in sequences(read_midi(path)):
            report(path.rsplit("/", 1)[-1], list(playing))
    for frames, notes in ((64, 1), (64, 8), (256, 8), (256, 32), (1024, 8)):
        report_live(frames, notes)


if __name__ == "__main__":
    main()
