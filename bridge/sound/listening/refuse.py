"""What cannot be measured, and why, in words that a player understands."""

from __future__ import annotations

TOO_SHORT = "the sound is too short to measure: let the string ring for at least a quarter of a second"
SILENCE = "there is nothing to hear: check the microphone, or move it nearer"
CLIPPED = "the sound is clipped: turn the input level down, or move the microphone away"
NOISE = "no note stands out of the noise: find a quieter place, or pluck harder"
TOGETHER = "two strings were plucked within 80 ms of each other: pluck one at a time"
NO_STRING = "several strings sound at once and none stands out: pluck one at a time and damp the others"
UNSTEADY = "the pitch does not settle long enough to measure: let the note ring"

#: Below this peak (full scale 1) there is nothing to hear: 80 dB down.
SILENT_PEAK = 1e-4


def is_silent(peak: float) -> bool:
    """Whether a sound whose greatest distance from nought is `peak` is silence."""
    return peak < SILENT_PEAK
