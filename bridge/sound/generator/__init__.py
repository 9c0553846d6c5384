"""The built-in tone generator: a MIDI receiver that obeys every method, and the tones that it plays.

`receiver` turns bytes into notes with frequencies (`channels`, `tunings`, `held`), and asks a `tone_maker`;
`synth` is one (`voices`, `wavetables`, `oscillators`, `drums`, `limiter`).
"""
