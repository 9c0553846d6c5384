"""Soundfonts made for measuring: looped tones whose pitch is known exactly.

A soundfont of the usual kind cannot serve as a ruler: its samples were recorded, so their pitch is known to a
cent at best, they decay, and their makers added vibrato. The fonts written here hold one computed cycle, looped:

* the cycle is 3,200 samples long at 44,000 Hz, so its recorded pitch is 13.75 Hz *by arithmetic*, which is key 9, the
  root key, with a pitch correction of 0: what a synth plays is what the synth computed, nothing else;
* a cycle so finely sampled matters because a synth may step through a sample in units of 1/4096 (TiMidity++). With
  the usual one sample to an output frame the step alone costs up to 0.24 cents. Here it costs at most 0.008 cents at
  A4 and 0.025 at C3 for an output of 48 kHz, a third of that for 16 kHz. 13.75 Hz is also the lowest root that
  TiMidity++, which keeps it in whole millihertz, does not round;
* the envelope is flat (5 ms up, full level, 5 ms down), the filter open, no low-frequency oscillator moves anything,
  and the two default modulators that would add vibrato (modulation wheel, channel pressure) are switched off;
* every one of the 128 programs sounds the same; percussion (bank 128, program 0) too unless asked otherwise, so
  that a test can see whether a rhythm channel was moved by a tuning.

Two timbres: ``SINE`` (a single partial, for measuring) and ``ORGAN`` (eight partials, so that beats between partials
can be heard and measured). Partials that would pass 18 kHz are left out, zone by zone.

Index: :func:`write_soundfont`, :data:`SINE`, :data:`ORGAN`.

Source: *SoundFont Technical Specification* 2.04 (E-mu Systems / Creative Technology, 2006): file layout in
sections 5 to 7, generators in 8.1, default modulators in 8.4.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SINE: tuple[float, ...] = (1.0,)
"""Amplitudes of partials 1, 2, …: one partial only."""

ORGAN: tuple[float, ...] = (1.0, 0.6, 0.45, 0.3, 0.25, 0.2, 0.12, 0.1)
"""Amplitudes of partials 1, 2, … of a steady, organ-like tone."""

_ROOT_KEY = 9
_SAMPLE_RATE_HZ = 44_000
_CYCLE_SAMPLES = 3_200
_GUARD_SAMPLES = 256  # on both sides of the loop, so that interpolation finds the right neighbours
_SILENCE_SAMPLES = 46  # after every sample, section 6.1
_HIGHEST_PARTIAL_HZ = 18_000.0
_ZONE_TOPS = (75, 87, 99, 111, 127)

# Generators (section 8.1.2)
_GEN_ATTACK = 34
_GEN_RELEASE = 38
_GEN_INSTRUMENT = 41
_GEN_KEY_RANGE = 43
_GEN_ATTENUATION = 48
_GEN_SAMPLE = 53
_GEN_LOOP = 54
_GEN_ROOT_KEY = 58
_FIVE_MS_TIMECENTS = -9173  # 1200 * log2(0.005)

# Default modulators 8.4.5 and 8.4.6 by source; both act on generator 6, vibLfoToPitch
_MOD_WHEEL = 0x0081
_CHANNEL_PRESSURE = 0x000D
_VIBRATO_TO_PITCH = 6


def write_soundfont(
    path: Path,
    partials: Sequence[float] = SINE,
    *,
    drums: bool = True,
    attenuation_db: float = 0.0,
) -> Path:
    """Write a soundfont of one steady tone on all 128 programs.

    Parameters
    ----------
    path
        Where the ``.sf2`` file goes.
    partials
        Amplitudes of partials 1, 2, …; scaled so that the loudest instant stays within full scale.
    drums
        Whether bank 128 (percussion) holds the same tone.
    attenuation_db
        Lowers every note, for tests that sound very many at once.

    Returns
    -------
    Path
        The path given.
    """
    if not partials or not any(partials):
        raise ValueError("a tone needs at least one partial that sounds")
    zones: list[tuple[int, int, int]] = []  # lowest key, highest key, audible partials
    for high in _ZONE_TOPS:
        audible = max(1, min(len(partials), int(_HIGHEST_PARTIAL_HZ / _key_hz(high))))
        if zones and zones[-1][2] == audible:
            zones[-1] = (zones[-1][0], high, audible)
        else:
            zones.append((zones[-1][1] + 1 if zones else 0, high, audible))
    path.write_bytes(_riff(partials, zones, drums, attenuation_db))
    return path


def _key_hz(key: int) -> float:
    return float(440.0 * 2.0 ** ((key - 69) / 12))


def _cycle(partials: Sequence[float], audible: int) -> NDArray[np.int16]:
    """One period of the first ``audible`` partials, scaled by the peak of all so that zones match in level."""
    angle = 2.0 * np.pi * np.arange(_CYCLE_SAMPLES) / _CYCLE_SAMPLES
    waves = np.cumsum([a * np.sin(n * angle) for n, a in enumerate(partials, start=1)], axis=0)
    peak = float(np.max(np.abs(waves[-1])))
    scaled: NDArray[np.int16] = np.round(waves[audible - 1] * 32_000.0 / peak).astype("<i2")
    return scaled


def _chunk(name: bytes, body: bytes) -> bytes:
    return name + struct.pack("<I", len(body)) + body + b"\0" * (len(body) % 2)


def _list(name: bytes, *chunks: bytes) -> bytes:
    return _chunk(b"LIST", name + b"".join(chunks))


def _name(text: str) -> bytes:
    return text.encode("ascii")[:19].ljust(20, b"\0")


def _gen(number: int, amount: int) -> bytes:
    return struct.pack("<Hh", number, amount)


def _riff(
    partials: Sequence[float], zones: list[tuple[int, int, int]], drums: bool, attenuation_db: float
) -> bytes:
    samples = bytearray()
    headers = bytearray()
    for _, high, audible in zones:
        start = len(samples) // 2
        wave = np.resize(_cycle(partials, audible), _CYCLE_SAMPLES + 2 * _GUARD_SAMPLES)
        samples += wave.astype("<i2").tobytes()
        end = len(samples) // 2
        samples += bytes(2 * _SILENCE_SAMPLES)
        loop = (start + _GUARD_SAMPLES, end - _GUARD_SAMPLES)
        headers += _name(f"Tone to key {high}")
        headers += struct.pack("<IIIIIBbHH", start, end, *loop, _SAMPLE_RATE_HZ, _ROOT_KEY, 0, 0, 1)
    headers += _name("EOS") + bytes(26)

    # One instrument: a zone for each key range. Generator order is fixed by section 8.1.2: range first, sample last.
    bags = bytearray()
    gens = bytearray()
    mods = bytearray()
    for sample, (low, high, _) in enumerate(zones):
        bags += struct.pack("<HH", len(gens) // 4, len(mods) // 10)
        gens += struct.pack("<HBB", _GEN_KEY_RANGE, low, high)
        gens += _gen(_GEN_ATTACK, _FIVE_MS_TIMECENTS) + _gen(_GEN_RELEASE, _FIVE_MS_TIMECENTS)
        if attenuation_db:
            gens += _gen(_GEN_ATTENUATION, round(attenuation_db * 10))
        gens += _gen(_GEN_LOOP, 1) + _gen(_GEN_ROOT_KEY, _ROOT_KEY) + _gen(_GEN_SAMPLE, sample)
        for source in (_MOD_WHEEL, _CHANNEL_PRESSURE):
            mods += struct.pack("<HHhHH", source, _VIBRATO_TO_PITCH, 0, 0, 0)
    bags += struct.pack("<HH", len(gens) // 4, len(mods) // 10)
    gens += bytes(4)
    mods += bytes(10)
    instruments = _name("Tone") + struct.pack("<H", 0) + _name("EOI") + struct.pack("<H", len(zones))

    programs = [(0, program) for program in range(128)] + ([(128, 0)] if drums else [])
    presets = bytearray()
    preset_bags = bytearray()
    preset_gens = bytearray()
    for number, (bank, program) in enumerate(programs):
        presets += _name(f"Tone {bank} {program}") + struct.pack("<HHHIII", program, bank, number, 0, 0, 0)
        preset_bags += struct.pack("<HH", number, 0)
        preset_gens += _gen(_GEN_INSTRUMENT, 0)
    presets += _name("EOP") + struct.pack("<HHHIII", 0, 0, len(programs), 0, 0, 0)
    preset_bags += struct.pack("<HH", len(programs), 0)
    preset_gens += bytes(4)

    info = _list(
        b"INFO",
        _chunk(b"ifil", struct.pack("<HH", 2, 1)),
        _chunk(b"isng", b"EMU8000\0"),
        _chunk(b"INAM", b"Steady tone\0"),
    )
    data = _list(b"sdta", _chunk(b"smpl", bytes(samples)))
    hydra = _list(
        b"pdta",
        _chunk(b"phdr", bytes(presets)),
        _chunk(b"pbag", bytes(preset_bags)),
        _chunk(b"pmod", bytes(10)),
        _chunk(b"pgen", bytes(preset_gens)),
        _chunk(b"inst", instruments),
        _chunk(b"ibag", bytes(bags)),
        _chunk(b"imod", bytes(mods)),
        _chunk(b"igen", bytes(gens)),
        _chunk(b"shdr", bytes(headers)),
    )
    return _chunk(b"RIFF", b"sfbk" + info + data + hydra)
