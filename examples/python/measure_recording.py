"""Measure a recording: which strings were plucked, and how far each lies from the table.

python examples/python/measure_recording.py take.wav
"""

import sys

import bridge

heard = bridge.listen(sys.argv[1], guitar="open-d", reference="D3=146.5")
for note in heard.notes:
    string = f"string {note.string}" if note.string else "no string"
    print(
        f"{note.start_s:5.2f} s  {string}  {note.note:4} {note.hz:8.3f} Hz"
        f"  {note.cents_from_table:+6.2f} cents from the table (sure to {note.cents_sd:.2f})"
    )
for refusal in heard.refusals:
    print(f"{refusal.start_s:5.2f} s  not measured: {refusal.reason}")
