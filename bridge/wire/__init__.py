"""MIDI bytes both ways, and nothing but bytes: no files, no ports, no clocks.

Modules, in building order:

- `frequency`: Hz to the 21-bit frequency data of the tuning standard and back.
- `bend`: cents to pitch-bend values and back.
- `rpn`: registered parameter sequences, and a reader that follows them.
- `records`, `specs`, `mts`: every message of the MIDI Tuning standard, driven by one row each.
- `mpe`: zones, their configuration, and a receiver's view of them.
- `stream`: a byte stream cut into messages.
- `resets`: which SysEx messages put a synth back, and which turn a part into drums.
- `profile`: what one synth obeys.

Conventions: channels are 1 to 16 in every argument and record; nibbles of status bytes stay inside. Residuals are
*sent minus wanted*, in cents. Decoders raise `bridge.errors.WireError` only. Standard library only.
"""
