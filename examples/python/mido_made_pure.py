"""A mido program made pure: the only line that is about tuning is the one that opens the port.

python examples/python/mido_made_pure.py "part of the synth's port's name"

Start at a low level, above all over headphones.
"""

import sys
import time

import mido

mido.set_backend("bridge.mido_backend")

MELODY = [(62, 1), (66, 1), (69, 2), (71, 1), (69, 1), (66, 2), (64, 1), (66, 1), (62, 4)]  # key, beats
BEAT_S = float(sys.argv[2]) if len(sys.argv) > 2 else 0.4

with mido.open_output(sys.argv[1], guitar="open-d", reference="D3=146.5") as port:
    port.send(mido.Message("program_change", program=19))
    port.send(mido.Message("note_on", note=50, velocity=50))  # D3, the string itself, held below
    for key, beats in MELODY:
        port.send(mido.Message("note_on", note=key, velocity=70))
        time.sleep(beats * BEAT_S)
        port.send(mido.Message("note_off", note=key))
    port.send(mido.Message("note_off", note=50))
print(f"played {len(MELODY)} notes; the synth has its own tuning back")
