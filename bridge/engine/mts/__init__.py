"""Retuning by MIDI Tuning messages: the methods `note`, `octave` and `dump`.

`tuner` knows which messages make one synth sound one table. `file` places them in a file and `report` tells of it.
`live` sends them while one plays: `cells` says what a synth's tuning consists of, `pacing` when each part goes.
"""
