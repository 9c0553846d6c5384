"""Examining a synth at its port: `open` what it needs, `examine` by listening or `ask` the player, from the `seat`."""
