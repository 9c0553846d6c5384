"""Followed harmony as independent synths sound it: TiMidity++ by `note`, TinySoundFont by `bend`, measured from audio.

Every third, fourth, fifth and sixth that sounds together is measured. Tolerances are the synths' own resolution:
TiMidity++ 2.14 sounds single note tunings within 0.05 cents, TinySoundFont bends within 0.05 up to four semitones; an
interval has two notes.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import pytest
from harmony.scores import PIECES
from jobs.test_follow_harmony import spec_of, write_piece
from support import measure, synths, written

from bridge.harmony.asked import FollowRequest
from bridge.jobs.retune import retune_file
from bridge.jobs.retuned import RetuneRequest

INTERVAL_CENTS = 0.12
COMMA = 1200 * math.log2(81 / 80)
NAMES = ("pump", "to-V-and-back", "drone")

Render = Callable[[Path, Path], synths.Rendering]
SYNTHS = [
    pytest.param("note", "timidity", synths.render_timidity, id="timidity-note"),
    pytest.param(
        "bend",
        "tinysoundfont",
        synths.render_tinysoundfont,
        id="tinysoundfont-bend",
        marks=pytest.mark.fetched,
    ),
]


def rendered(
    folder: Path, name: str, method: str, synth: str, render: Render, font: Path, follow: bool = True
) -> synths.Rendering:
    output = folder / f"{name}-{follow}.mid"
    request = RetuneRequest(
        spec=spec_of(name), method=method, synth=synth, follow_harmony=FollowRequest() if follow else None
    )
    retune_file(write_piece(folder, name), output, request, overwrite=True)
    return render(output, font)


def off_cents(name: str, rendering: synths.Rendering) -> dict[tuple[float, int, int], float]:
    """Return for each start and pair of keys how far the interval is from pure, from the sound."""
    rows = PIECES[name]["notes"]
    assert isinstance(rows, list)
    found = {}
    for start in sorted({row[0] for row in rows}):
        alive = [row for row in rows if row[0] <= start + 0.01 < row[0] + row[1]]
        end = min(row[0] + row[1] for row in alive)
        keys = sorted({row[2] for row in alive})
        heard = measure.window(rendering.samples, rendering.rate_hz, start + 0.2, end - start - 0.4)
        near = [440.0 * 2 ** ((key - 69) / 12) for key in keys]
        hz = dict(zip(keys, measure.tones_hz(heard, rendering.rate_hz, near, within_cents=45), strict=True))
        for low in keys:
            for high in keys:
                folded = (high - low) % 12
                if low < high and folded in written.PURE:
                    size = measure.cents(hz[high], hz[low]) % 1200.0
                    found[start, low, high] = size - 1200 * math.log2(Fraction(written.PURE[folded]))
    return found


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("method", "synth", "render"), SYNTHS)
def test_every_interval_is_pure_in_the_sound(
    name: str, method: str, synth: str, render: Render, sine_font: Path, tmp_path: Path
) -> None:
    found = off_cents(name, rendered(tmp_path, name, method, synth, render, sine_font))
    assert len(found) >= 20
    assert max(map(abs, found.values())) <= INTERVAL_CENTS
    # The control: as the table has it, the same measurement finds a comma somewhere.
    fixed = off_cents(name, rendered(tmp_path, name, method, synth, render, sine_font, follow=False))
    if name == "pump":
        assert fixed[4.0, 62, 69] == pytest.approx(-COMMA, abs=INTERVAL_CENTS)
    assert max(map(abs, fixed.values())) == pytest.approx(COMMA, abs=INTERVAL_CENTS)


@pytest.mark.slow
@pytest.mark.parametrize(("method", "synth", "render"), SYNTHS)
def test_the_beats_of_ii_are_gone(
    method: str, synth: str, render: Render, organ_font: Path, tmp_path: Path
) -> None:
    # The third partial of D4 and the second of A4 meet; a comma apart they beat 3·D4 - 2·A4 times a second.
    fixed = rendered(tmp_path, "pump", method, synth, render, organ_font, follow=False)
    heard = measure.window(fixed.samples, fixed.rate_hz, 4.2, 1.6)
    d4_hz, a4_hz = measure.tones_hz(heard, fixed.rate_hz, [293.7, 440.0], within_cents=45)
    rate = measure.beats_per_s(heard, fixed.rate_hz, 2 * a4_hz)
    assert rate == pytest.approx(abs(3 * d4_hz - 2 * a4_hz), abs=0.1)
    assert rate > 5
    followed = rendered(tmp_path, "pump", method, synth, render, organ_font)
    heard = measure.window(followed.samples, followed.rate_hz, 4.2, 1.6)
    with pytest.raises(measure.NoTone):
        measure.beats_per_s(heard, followed.rate_hz, 2 * a4_hz)
