"""Drones from a script: one sound file for each chord of a piece, all measured from the same string.

python examples/python/drones_for_practice.py FOLDER

HEARING: a drone never lets the ear rest. Start with the volume down, above all over headphones; take breaks.
"""

import sys
from pathlib import Path

import bridge

CHORDS = ["D", "G", "A"]
SECONDS = 8

folder = Path(sys.argv[1])
folder.mkdir(parents=True, exist_ok=True)
for tonic in CHORDS:
    written = bridge.drone(
        folder / f"drone-{tonic}.wav",
        "1",
        "5",
        guitar="open-d",
        reference="D3=146.5",
        tonic=tonic,
        hold=SECONDS,
    )
    print(f"drone-{tonic}.wav: {written.seconds:.0f} seconds over {tonic}")
