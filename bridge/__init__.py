"""Stillbeat: makes electronic instruments match a guitar tuned to a pure open chord.

A description of a tuning becomes 128 frequencies, the frequencies become bytes that one particular synth
obeys, and the bytes go to a port or a file. The rooms, in building order (each imports only from earlier
ones): `errors`, `tuning`, `wire`, `engine`, `store`, `sound`, `jobs`, `cli`.

Conventions everywhere: MIDI keys are 0-127 with C4 = 60; channels are 1-16 where a person reads or writes
them; units stand in names (`_hz`, `_cents`, `_semitones`, `_s`); ratios are `fractions.Fraction` until the
last step.
"""

__version__ = "0.1.0"
