"""A synth profile written by hand, and a tune retuned for that synth.

python examples/python/profile_by_hand.py FOLDER

First find out what your synth obeys: `stillbeat probe` listens to it, and writes such a file itself. Here the synth
bends by two semitones at most and plays on four channels only.
"""

import sys
from pathlib import Path

import mido

import bridge

PROFILE = """
schema = 1
name = "kitchen-organ"
title = "The organ in the kitchen"
source = "tried out by hand with a tuner: what moved, and what did not"
units = "cents, semitones, seconds, bytes; channels 1 to 16"

methods = ["bend"]
select = "none"
channels = [1, 2, 3, 4]
bend_range_max_semitones = 2
bend_range_fixed_semitones = 2
sounding = ["bend"]
"""

folder = Path(sys.argv[1])
folder.mkdir(parents=True, exist_ok=True)
file = folder / "kitchen-organ.toml"
file.write_text(PROFILE, encoding="utf-8")
organ = bridge.profile(file)

song = mido.MidiFile(ticks_per_beat=96)
chord = (50, 57, 66)  # D3, A3, F#4
song.tracks.append(
    mido.MidiTrack(
        [mido.Message("note_on", note=key, velocity=70) for key in chord]
        + [mido.Message("note_off", note=key, time=384 if key == chord[0] else 0) for key in chord]
    )
)
pure = bridge.retune(song, guitar="open-d", reference="D3=146.5", synth=file)
pure.save(folder / "for-the-kitchen.mid")

used = sorted({message.channel + 1 for message in pure.tracks[0] if message.type == "note_on"})
print(f"{organ.title}: by {organ.methods[0]}, notes on channels {used}")
