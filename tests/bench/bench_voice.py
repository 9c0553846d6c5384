"""How near, how soon and how quickly a voice's pitch is heard, beside Praat's tracker on the same sounds.

    python tests/bench/bench_voice.py [--notes 200] [--seed 1] [--only vowels|live|drone|winds|speech]

vowels: synthetic ones (`support.voices`), 90 to 800 Hz, vibrato of 4 to 7 Hz and 20 to 100 cents to either side, breath
20 to 40 dB below. The centre is that of `voice.vibrato` for both trackers. Speed is by processor time, so that other
work on the machine does not count.

live: the same in blocks of 256 samples; how long after the sound begins the first reading comes, and how far the centre
lies off from 0.6 s, and from one second on.

drone: a voice that comes in after a drone of two notes has sounded alone in a room for 1.8 s
(`support.beside_drone`), by the drone's level and by how far the clocks of loudspeaker and microphone lie apart; all
readings from 0.6 s on, and how many voices were not heard at all.

winds: the samples of the General MIDI font of Debian's fluid-soundfont-gm, each key of the instrument's range, in which
octave errors are counted frame by frame, and reading by reading live.

speech: espeak-ng's voices; how far from Praat's pitch in frames that both hear, and in how many another octave.

Prints figures, asserts nothing.
"""

from __future__ import annotations

import argparse
import math
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command has it

import numpy as np
import soundfile

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from support.beside_drone import beside, singer
from support.sf2_samples import FONT
from support.synths import render_fluidsynth
from support.voices import random_sung

from bridge.sound.analysis.contour import CLEAR
from bridge.sound.listening.voice.follow import follow_voice, frame_s
from bridge.sound.listening.voice.meter import VoiceMeter
from bridge.sound.listening.voice.vibrato import centre_of

RATE = 44100
WINDS = {
    "violin": (40, range(55, 94, 2)),
    "cello": (42, range(36, 72, 2)),
    "trumpet": (56, range(55, 84, 2)),
    "saxophone": (65, range(50, 80, 2)),
    "oboe": (68, range(58, 90, 2)),
    "bassoon": (70, range(36, 65, 2)),
    "clarinet": (71, range(50, 88, 2)),
    "flute": (73, range(60, 96, 2)),
    "recorder": (74, range(65, 96, 2)),
    "voices": (53, range(48, 84, 2)),
}
"""General MIDI's program, counted from 0, and keys."""


def takes(count: int, seconds: float, seed: int) -> None:
    import parselmouth

    rng = np.random.default_rng(seed)
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


def live(count: int, seed: int) -> None:
    rate = 48000
    rng = np.random.default_rng(seed)
    first_s, soon, after, used = [], [], [], 0.0
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
        soon += [abs(1200 * math.log2(r.centre_hz / note.hz)) for _, r in readings if 0.6 <= r.held_s < 1.0]
        after += [abs(1200 * math.log2(r.centre_hz / note.hz)) for _, r in readings if r.held_s >= 1.0]
    print(f"live, {count} vowels in blocks of 256 at 48 kHz:")
    print(
        f"  first reading after {1e3 * np.median(first_s):.0f} ms, at most {1e3 * max(first_s):.0f} (asked: 120)"
    )
    for name, off, asked in (("0.6 s", soon, 3), ("a second", after, 1)):
        figures = (
            f"median {np.median(off):.2f}, 95 % {np.quantile(off, 0.95):.2f}, worst {max(off):.2f} cents"
        )
        print(f"  after {name}: {figures} (asked: {asked})")
    print(f"  {100 * used / (count * 1.6):.1f} % of a core (asked: 25)")


def drone(count: int, seed: int) -> None:
    print(
        f"beside a drone, {count} voices each: worst centre after 0.6 s, in cents (asked: 5), and not heard"
    )
    for level_db in (-20.0, -10.0, 0.0):
        for off_ppm in (0.0, 20.0, 60.0, 100.0):
            worst, unheard = 0.0, 0
            for k in range(count):
                rng = np.random.default_rng([seed, k, int(-level_db), int(off_ppm)])
                note = singer(k, rng)
                late = [one for one in beside(note, level_db, rng, off_ppm) if one.held_s >= 0.6]
                worst = max([worst, *(abs(1200 * math.log2(one.centre_hz / note.hz)) for one in late)])
                unheard += not late
            print(
                f"  {level_db:4.0f} dB, clocks {off_ppm:3.0f} ppm apart: {worst:5.2f}; {unheard}", flush=True
            )


def winds() -> None:
    print("recorded winds and strings: octave errors in frames, and in readings; first reading")
    for name, (program, keys) in WINDS.items():
        wrong, frames, live_wrong, count, first_s = 0, 0, 0, 0, []
        for key in keys:
            hz = 440 * 2 ** ((key - 69) / 12)
            events = [
                (0.0, bytes((0xC0, program))),
                (0.2, bytes((0x90, key, 90))),
                (1.4, bytes((0x80, key, 0))),
            ]
            sound = render_fluidsynth(events, FONT, rate_hz=RATE).samples.mean(axis=1)[: round(1.4 * RATE)]
            track = follow_voice(sound, RATE)
            heard = track.hz[(track.clarity >= CLEAR) & (track.hz > 0)]
            wrong += int(np.sum(np.abs(1200 * np.log2(heard / hz)) > 300))
            frames += heard.size
            ear = VoiceMeter(RATE)
            fed = [
                ((at + 256) / RATE - 0.2, ear.feed(sound[at : at + 256])) for at in range(0, sound.size, 256)
            ]
            read = [(at_s, one.hz) for at_s, one in fed if one is not None]
            first_s += [at_s for at_s, _ in read[:1]]
            live_wrong += sum(abs(1200 * math.log2(one / hz)) > 300 for _, one in read)
            count += len(read)
        late = 1e3 * max(first_s)
        print(
            f"  {name:9} {wrong} of {frames}; {live_wrong} of {count}; {1e3 * np.median(first_s):.0f} ms, {late:.0f}"
        )


def speech() -> None:
    import parselmouth

    print("espeak-ng's voices: median distance from Praat in cents, frames in another octave")
    text = "la la la, mamma mia, oh where are you now, low and slow, all the way home again"
    for voice in ("en", "en+m3", "en+f2", "en+f5", "it", "de", "fr+m7", "es+f4"):
        with tempfile.TemporaryDirectory() as folder:
            path = str(Path(folder) / "speech.wav")
            subprocess.run(["espeak-ng", "-v", voice, "-s", "90", "-w", path, text], check=True, timeout=60)
            sound, rate = soundfile.read(path)
        track = follow_voice(sound, rate)
        pitch = parselmouth.Sound(sound, rate).to_pitch_ac(time_step=0.005, pitch_floor=60, pitch_ceiling=800)
        theirs = pitch.selected_array["frequency"][np.abs(pitch.xs() - track.t[:, None]).argmin(axis=1)]
        both = (
            (track.clarity >= CLEAR)
            & (track.hz > 0)
            & (theirs > 0)
            & (track.level > 0.02 * track.level.max())
        )
        off = np.abs(1200 * np.log2(track.hz[both] / theirs[both]))
        print(f"  {voice:6} {np.median(off):5.2f}; {int(np.sum(off > 300))} of {off.size}")


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--notes", type=int, default=100, metavar="COUNT")
    options.add_argument("--seed", type=int, default=1)
    options.add_argument("--only", choices=("vowels", "live", "drone", "winds", "speech"))
    chosen = options.parse_args()
    parts = {
        "vowels": lambda: [takes(chosen.notes, seconds, chosen.seed) for seconds in (0.6, 1.0)],
        "live": lambda: live(chosen.notes, chosen.seed + 1),
        "drone": lambda: drone(max(1, chosen.notes // 10), chosen.seed + 2),
        "winds": winds,
        "speech": speech,
    }
    for name, part in parts.items():
        if chosen.only in (None, name):
            part()


if __name__ == "__main__":
    main()
