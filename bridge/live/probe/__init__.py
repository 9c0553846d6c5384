"""Examining a synth at its port from a `seat`: `open` what it needs, `examine` by listening or `ask` the musician."""
