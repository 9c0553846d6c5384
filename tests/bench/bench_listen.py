"""How exact and how quick listening is, beside ``librosa.pyin`` in the same run.

    python tests/bench/bench_listen.py                   the recordings, the stiff synthetic strings, the meter
    python tests/bench/bench_listen.py --octaves 10000   strings drawn until so many, counting octave errors

The floor is ``librosa.pyin`` with its default resolution and frames of 4096 samples. Prints ratios, asserts nothing.
"""

from __future__ import annotations

import argparse
import math
import os
import sys
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.plucks import Pluck, crb_cents, noise_sigma, noisy, random_pluck
from support.sounding import sharp_at_first_cents

from bridge.sound.listening.listen import hear
from bridge.sound.listening.meter import Meter

RATE = 44100


def pyin_hz(sound: np.ndarray, rate: int) -> float:
    """Median of the voiced frames, as one would read it."""
    import librosa

    hz, voiced, _ = librosa.pyin(sound, fmin=36, fmax=1500, sr=rate, frame_length=4096)
    return float(np.nanmedian(hz[voiced])) if voiced.any() else math.nan


def timed(function, *args) -> tuple[object, float]:
    start = time.perf_counter()
    result = function(*args)
    return result, time.perf_counter() - start


def synthetic(count: int) -> None:
    rng = np.random.default_rng(1)
    ours, theirs, bound, our_s, their_s = [], [], [], 0.0, 0.0
    for _ in range(count):
        pluck = random_pluck(rng)
        pluck = Pluck(pluck.f0_hz, rng.uniform(1e-4, 2e-4), pluck.decay_s, phases=pluck.phases)
        clean = pluck.samples(2.0, RATE)
        sound = noisy(clean, 30.0, rng)
        heard, seconds = timed(hear, sound, RATE)
        our_s += seconds
        ours.append(abs(1200 * math.log2(heard.notes[0].hz / pluck.first_hz)))
        bound.append(crb_cents(pluck, 2.0, RATE, noise_sigma(clean, 30.0)))
        hz, seconds = timed(pyin_hz, sound, RATE)
        their_s += seconds
        theirs.append(abs(1200 * math.log2(hz / pluck.first_hz)) if hz > 0 else 1200.0)
    print(f"stiff synthetic strings at 30 dB, {count} of 2 s:")
    print(f"  median error: listen {np.median(ours):.5f} cents, pyin {np.median(theirs):.3f} cents")
    print(f"  pyin / listen: {np.median(theirs) / np.median(ours):.0f} times (asked: 50)")
    print(
        f"  listen / Cramer-Rao bound: {np.sqrt(np.mean(np.square(np.divide(ours, bound)))):.2f} (asked: 3)"
    )
    print(f"  time: listen {1e3 * our_s / count:.1f} ms, pyin {1e3 * their_s / count:.0f} ms a string")
    print(f"  pyin / listen: {their_s / our_s:.1f} times (asked: 20)")


def recorded() -> None:
    import soundfile
    from support.corpus import guitar_notes

    our_s = their_s = total_s = 0.0
    for path in guitar_notes()[::3]:
        samples, rate = soundfile.read(path, always_2d=True)
        sound = samples[: 3 * rate].mean(axis=1)
        total_s += sound.size / rate
        our_s += timed(hear, sound, rate)[1]
        their_s += timed(pyin_hz, sound, rate)[1]
    print(f"recorded strings, {total_s:.0f} s in all:")
    print(f"  listen {total_s / our_s:.0f} times as fast as the sound, pyin {total_s / their_s:.1f} times")
    print(f"  pyin / listen: {their_s / our_s:.1f} times (asked: 20)")


def meter() -> None:
    rate, block = 48000, 64
    sound = noisy(Pluck(110.0, 1e-4, 3.0).samples(10.0, rate), 30, np.random.default_rng(2))
    ear = Meter(rate)
    worst = 0.0
    start = time.process_time()
    for at in range(0, sound.size, block):
        before = time.perf_counter()
        ear.feed(sound[at : at + block])
        worst = max(worst, time.perf_counter() - before)
    used = time.process_time() - start
    print("live meter, 110 Hz, blocks of 64 at 48 kHz:")
    print(f"  {100 * used / 10.0:.1f} % of a core (asked: 30), longest block {1e3 * worst:.1f} ms")
    first = Meter(rate)
    lead = np.concatenate([1e-5 * np.random.default_rng(3).standard_normal(rate // 2), sound[:rate]])
    for at in range(0, lead.size, block):
        if first.feed(lead[at : at + block]) is not None:
            print(f"  first reading {1e3 * ((at + block) / rate - 0.5):.0f} ms after the onset (asked: 60)")
            break


def first_readings() -> None:
    """Recorded notes into the meter: how soon, how near to what they sound then and to where they settle."""
    import json

    import soundfile
    from support.corpus import guitar_notes

    rows = json.loads((Path(__file__).parents[1] / "sound" / "recordings_reference.json").read_text())
    settled_hz = {row["file"]: row["measured_hz"] for row in rows["guitar_acoustic"]}
    lead_s = 0.3
    when_s, sharp, first, settled = [], [], [], []
    for path in guitar_notes():
        samples, rate = soundfile.read(path, always_2d=True)
        sound = samples[: 2 * rate].mean(axis=1)
        sound = (
            0.5 * sound[int(np.argmax(np.abs(sound) > 0.02 * np.abs(sound).max())) :] / np.abs(sound).max()
        )
        lead = 1e-5 * np.random.default_rng(0).standard_normal(round(lead_s * rate))
        ear, whole = Meter(rate), np.concatenate([lead, sound])
        readings = []
        for at in range(0, whole.size, 441):
            reading = ear.feed(whole[at : at + 441])
            if reading is not None and not readings:
                when_s.append((at + 441) / rate - lead_s)
            if reading is not None:
                readings.append(reading)
        off = [1200 * math.log2(r.hz / settled_hz[path.name]) for r in readings]
        first.append(off[0])
        sharp.append(sharp_at_first_cents(sound, rate, settled_hz[path.name], readings[0].time_s - lead_s))
        settled += [cents for cents, r in zip(off, readings, strict=True) if r.steady]
    print(f"first readings of {len(first)} recorded notes, distances in cents:")
    print(
        f"  after {1e3 * np.median(when_s):.0f} ms at the median, {1e3 * max(when_s):.0f} at most (asked: 90)"
    )
    for label, cents, asked in (
        (
            "from what an independent tracker hears in the same moments",
            np.subtract(first, sharp),
            "; asked: 1.5",
        ),
        ("from where independent estimators see the note settle", first, ""),
        ("for comparison: the string then from where it settles, by that tracker", sharp, ""),
        ("settled readings from where the note settles", settled, "; asked: never over 10"),
    ):
        size = np.abs(cents)
        print(f"  {label}: median {np.median(size):.2f}, worst {size.max():.1f}{asked}")


def octaves(count: int) -> None:
    rng = np.random.default_rng(10000)
    wrong = refused = 0
    start = time.perf_counter()
    for k in range(count):
        pluck = random_pluck(rng)
        heard = hear(noisy(pluck.samples(2.0, RATE), rng.uniform(10.0, 40.0), rng), RATE)
        refused += len(heard.notes) != 1
        for note in heard.notes:
            wrong += abs(1200 * math.log2(note.hz / pluck.first_hz)) > 50.0
        if (k + 1) % 1000 == 0:
            seconds = time.perf_counter() - start
            print(f"  {k + 1} strings: {wrong} an octave off, {refused} not heard as one ({seconds:.0f} s)")
    print(f"octave errors: {wrong} in {count} (asked: 0); not heard as one note: {refused}")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--octaves", type=int, default=0, metavar="COUNT")
    options.add_argument("--strings", type=int, default=40, metavar="COUNT")
    chosen = options.parse_args()
    if chosen.octaves:
        octaves(chosen.octaves)
        return
    pyin_hz(np.sin(np.arange(RATE) / 20.0), RATE)  # compiles what librosa compiles
    synthetic(chosen.strings)
    recorded()
    meter()
    first_readings()


if __name__ == "__main__":
    main()
