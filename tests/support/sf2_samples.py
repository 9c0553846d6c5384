"""Reads the recorded samples of one instrument out of a SoundFont 2 file.

Only what a test of pitch measurement needs: the mono waveform, its rate, and what the font's maker says of its
pitch. Imports nothing of the project.

Source: *SoundFont Technical Specification* 2.01 (E-mu Systems, 1998): RIFF ``sfbk`` with the lists ``sdta``
(``smpl``, 16-bit samples) and ``pdta`` (``inst``, ``ibag``, ``igen``, ``shdr``); generators 52 (fineTune), 53
(sampleID) and 58 (overridingRootKey); section 8.1.2 for their meaning.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from support import needs

FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
"""Where the Debian package ``fluid-soundfont-gm`` puts its font."""

FINE_TUNE, SAMPLE_ID, ROOT_KEY = 52, 53, 58


@dataclass(frozen=True)
class FontSample:
    """One zone's sample; `samples` is float64 of shape ``(n,)``, full scale 1.0."""

    name: str
    sample_rate: int
    root_key: int
    fine_tune_cents: int
    samples: np.ndarray

    @property
    def maker_hz(self) -> float:
        """The pitch that the font's maker gives the sample: root key, less the tuning that corrects it."""
        return float(440.0 * 2 ** ((self.root_key - self.fine_tune_cents / 100 - 69) / 12))


@cache
def font_guitar(instrument: str) -> dict[str, FontSample]:
    """The samples of one guitar of the installed font, by name; skips (fails under CI) without the font."""
    if not FONT.exists():
        needs.missing("FluidR3_GM.sf2", f"{needs.APT} fluid-soundfont-gm")
    return {sample.name: sample for sample in instrument_samples(FONT, instrument)}


def _chunks(data: bytes, start: int, end: int):
    while start + 8 <= end:
        name, size = data[start : start + 4], struct.unpack_from("<I", data, start + 4)[0]
        if name == b"LIST":
            yield from _chunks(data, start + 12, start + 8 + size)
        else:
            yield name, start + 8, size
        start += 8 + size + (size & 1)


def instrument_samples(path: Path, instrument: str) -> list[FontSample]:
    """All distinct samples that the zones of `instrument` play, in the order of its zones."""
    data = path.read_bytes()
    found = {name: (at, size) for name, at, size in _chunks(data, 12, len(data))}
    names = [r[0].split(b"\0")[0].decode("latin-1").strip() for r in _rows(data, found[b"inst"], "<20sH")]
    bags = [r[1] for r in _rows(data, found[b"inst"], "<20sH")]
    zones = [r[0] for r in _rows(data, found[b"ibag"], "<HH")]
    generators = _rows(data, found[b"igen"], "<Hh")
    headers = _rows(data, found[b"shdr"], "<20sIIIIIBbHH")
    at = names.index(instrument)
    base = found[b"smpl"][0]
    out: dict[str, FontSample] = {}
    shared: dict[int, int] = {}
    for bag in range(bags[at], bags[at + 1]):
        zone = dict(generators[zones[bag] : zones[bag + 1]])
        if SAMPLE_ID not in zone:
            shared = zone
            continue
        zone = {**shared, **zone}
        name, start, end, _, _, rate, original, correction, _, _ = headers[zone[SAMPLE_ID] & 0xFFFF]
        title = name.split(b"\0")[0].decode("latin-1").strip()
        samples = np.frombuffer(data, "<i2", end - start, base + 2 * start) / 32768.0
        out.setdefault(
            title,
            FontSample(
                title, rate, zone.get(ROOT_KEY, original), zone.get(FINE_TUNE, 0) + correction, samples
            ),
        )
    return list(out.values())


def _rows(data: bytes, where: tuple[int, int], layout: str) -> list[tuple]:
    at, size = where
    step = struct.calcsize(layout)
    return [struct.unpack_from(layout, data, at + i * step) for i in range(size // step)]
