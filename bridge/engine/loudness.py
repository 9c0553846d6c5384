"""How loud a note is, as far as its messages tell: what it weighs where not all notes can be pure."""

from __future__ import annotations


def loudness(velocity: int, volume: int = -1, expression: int = -1) -> float:
    """Return how loud a note is, 0 to 1: velocity times volume times expression, each as a share of 127.

    In General MIDI amplitude goes with the square of each; loudness as heard goes with about the 0.6th power of
    amplitude (Stevens 1955), so nearly in proportion. -1 stands for a controller never set (100 and 127).
    """
    gain = (100 if volume < 0 else volume) * (127 if expression < 0 else expression)
    return velocity * gain / 127.0**3
