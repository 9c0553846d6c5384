"""How near, how soon and how quickly a voice's pitch is heard, beside Praat's tracker on the same sounds.

    python tests/bench/bench_voice.py [--notes 200]

Synthetic vowels (`support.voices`): 90 to 800 Hz, vibrato of 4 to 7 Hz and 20 to 100 cents to either side, breath 20 to
40 dB below. The centre is that of `voice.vibrato` for both trackers. Speed is by processor time, so that other work on
the machine does not count.
Prints figures, asserts nothing.
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

from support.voices import random_sung

from bridge.sound.analysis.contour import CLEAR
from bridge.sound.listening.voice.follow import follow_voice, frame_s
from bridge.sound.listening.voice.meter import VoiceMeter
from bridge.sound.listening.voice.vibrato import centre_of

RATE = 44100


def takes(count: int, seconds: float) -> None:
    import parselmouth

    rng = np.random.default_rng(1)
    ours, theirs, our_s, their_s, wrong, frames = [], [], 0.0, 0.0, 0, 0
    for _ in range(count):
        note = random_sung(rng)
        sound = note.samples(seconds, RATE, rng)
        start = time.process_time()
        track = follow_voice(sound, RATE)
        ok = (track.clarity >= CLEAR) & (track.hz > 0)
        off = 1200 * np.log2(track.hz[ok] / note.hz)
        ours.append(abs(centre_of(track.t[ok], off, frame_s(note.hz)).cents))
        our_s += time.process_time() - start
        wrong, frames = wrong + int(np.sum(np.abs(off) > 300)), frames + int(ok.sum())
        start = time.process_time()
        pitch = parselmouth.Sound(sound, RATE).to_pitch_ac(
            time_step=0.0116, pitch_floor=60, pitch_ceiling=1500
        )
        their_s += time.process_time() - start
        hz = pitch.selected_array["frequency"]
        theirs.append(abs(centre_of(pitch.xs()[hz > 0], 1200 * np.log2(hz[hz > 0] / note.hz), 0.05).cents))
    print(f"{count} vowels of {seconds} s, error of the centre in cents: median, 95 %, worst")
    for name, values in (("ours", ours), ("Praat", theirs)):
        print(f"  {name:6} {np.median(values):6.2f} {np.quantile(values, 0.95):6.2f} {max(values):6.2f}")
    print(f"  octave errors: {wrong} of {frames} frames (asked: 1 in 1,000)")
    spent = count * seconds
    print(f"  {spent / our_s:.0f} times as fast as the sound (asked: 20); Praat {spent / their_s:.0f}")


def live(count: int) -> None:
    rate = 48000
    rng = np.random.default_rng(2)
    first_s, after, used = [], [], 0.0
    for _ in range(count):
        note = random_sung(rng)
        sound = np.concatenate([1e-4 * rng.standard_normal(rate // 5), note.samples(1.4, rate, rng)])
        ear, start, readings = VoiceMeter(rate), time.process_time(), []
        for at in range(0, sound.size, 256):
            reading = ear.feed(sound[at : at + 256])
            if reading is not None:
                readings.append(((at + 256) / rate - 0.2, reading))
        used += time.process_time() - start
        first_s.append(readings[0][0])
        after += [abs(1200 * math.log2(r.centre_hz / note.hz)) for _, r in readings if r.held_s >= 1.0]
    print(f"live, {count} vowels in blocks of 256 at 48 kHz:")
    print(
        f"  first reading after {1e3 * np.median(first_s):.0f} ms, at most {1e3 * max(first_s):.0f} (asked: 120)"
    )
    print(
        f"  after a second: median {np.median(after):.2f}, 95 % {np.quantile(after, 0.95):.2f} cents (asked: 1)"
    )
    print(f"  {100 * used / (count * 1.6):.1f} % of a core (asked: 25)")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--notes", type=int, default=100, metavar="COUNT")
    count = options.parse_args().notes
    for seconds in (0.6, 1.0):
        takes(count, seconds)
    live(count)


if __name__ == "__main__":
    main()
