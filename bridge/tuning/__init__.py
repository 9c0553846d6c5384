"""Exact tuning: ratios, notes, scales, guitars and the tables of 128 frequencies built from them.

Pure and exact: no bytes, no files, no clock. Ratios are `fractions.Fraction` until the last step, where a
table multiplies them by the reference frequency. Units stand in names: ``_cents``, ``_hz``, ``_semitones``.
MIDI keys run from 0 (C-1) to 127 (G9) with middle C = C4 = 60; the note that a scale is built on is its
*tonic*, never its key.
"""
