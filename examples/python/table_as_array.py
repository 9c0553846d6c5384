"""A table as a numpy array: how far each note of a just scale lies from equal, and how fast its third would beat.

python examples/python/table_as_array.py
"""

import numpy as np

import bridge

GUITAR = {"guitar": "open-d", "reference": "D3=146.5"}

just_hz = bridge.frequencies(**GUITAR)
equal_hz = 146.5 * 2 ** ((np.arange(128) - 50) / 12)  # through the same string: key 50 is D3
cents = 1200 * np.log2(just_hz / equal_hz)

table = bridge.table(**GUITAR)
for key in range(50, 63):
    print(f"{table.note(key):4} {just_hz[key]:8.3f} Hz  {cents[key]:+6.2f} cents from equal")

# In a major third, the fifth partial of the lower note meets the fourth of the upper one.
beats_hz = abs(5 * just_hz[50] - 4 * equal_hz[54])
print(f"D3 with an equal F#3 beats {beats_hz:.2f} times a second; with the just one it stands still.")
