"""The demo: its files, what it says, and whether the sound bears it out."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile
from support import independent, measure

from bridge.errors import OutputProblem
from bridge.jobs.demo import Demo, lowered_bars, run_demo
from bridge.jobs.demo_music import BARS, BEATS_PER_MINUTE, bars_on

BAR_S = 4 * 60 / BEATS_PER_MINUTE
REFERENCE_HZ = 195.1  # G3 of the demo's guitar (invented data, for the demo only)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Demo:
    return run_demo(tmp_path_factory.mktemp("demo") / "out")


def bar(demo: Demo, name: str, number: int) -> tuple[np.ndarray, int]:
    """Return the sound of one bar's first three beats, in which organ and bass hold, without the attack."""
    path = next(path for path in demo.files if path.name == name)
    samples, rate = soundfile.read(path, always_2d=True)
    return measure.window(samples, rate, (number - 1) * BAR_S + 0.4, 0.75 * BAR_S - 0.5), rate


def test_the_piece_uses_what_a_rehearsal_needs() -> None:
    assert {bar.degree for bar in BARS} >= {"I", "ii", "IV", "V", "vi"}
    sevenths = [
        bar
        for bar in BARS
        if {(key - bar.bass) % 12 for key in bar.keys} >= {0, 4, 10} or bar.chord.endswith("7")
    ]
    assert sevenths


def test_files_of_the_demo(demo: Demo) -> None:
    assert [path.name for path in demo.files] == [
        "as-written.mid", "equal.mid", "equal.wav", "just.mid", "just.wav",
        "just-lowered-ii.mid", "just-lowered-ii.wav",
    ]  # fmt: skip
    assert all(path.stat().st_size > 1000 for path in demo.files)
    notes = [independent.notes(track) for track in independent.read(demo.files[0]).tracks]
    for path in demo.files[1::2]:
        assert [independent.notes(track) for track in independent.read(path).tracks] == notes


def test_a_second_run_replaces_nothing_unasked(demo: Demo) -> None:
    before = {path: path.read_bytes() for path in demo.files}
    with pytest.raises(OutputProblem, match="--overwrite"):
        run_demo(demo.files[0].parent)
    again = run_demo(demo.files[0].parent, overwrite=True)
    assert {
        path: path.read_bytes() for path in again.files
    } == before  # and the bytes are the same on every run


def test_equal_thirds_beat_and_just_ones_stand_still(demo: Demo) -> None:
    # Bar 14: G3 and B4 (an octave and a third). Partial 5 of G3 against partial 2 of B4, in equal temperament
    # through the same reference: |5 f - 2 f 2^(16/12)| beats a second; pure: none.
    near = 5 * REFERENCE_HZ
    expected = abs(near - 2 * REFERENCE_HZ * 2 ** (16 / 12))
    equal, rate = bar(demo, "equal.wav", 14)
    assert measure.beats_per_s(equal, rate, near, low=3) == pytest.approx(expected, abs=0.05)
    just, rate = bar(demo, "just.wav", 14)
    with pytest.raises(measure.NoTone, match="steady"):
        measure.beats_per_s(just, rate, near, low=3)


def test_the_lowered_second_degree_cures_ii_and_leaves_v(demo: Demo) -> None:
    # Am in bar 6: A3 and E4, a fifth. With one fixed scale it is 40/27 (680.4 cents), a comma narrow.
    a3, e4 = REFERENCE_HZ * 9 / 8, REFERENCE_HZ * 5 / 3
    assert measure.cents(e4, a3) == pytest.approx(680.449, abs=0.001)
    # The plucked bass's second partial fades at the same pitch and pulls the measurement by a tenth of a cent or two.
    sound, rate = bar(demo, "just.wav", 6)
    assert abs(measure.cents(measure.tone_hz(sound, rate, a3, within_cents=10), a3)) < 0.5
    sound, rate = bar(demo, "just-lowered-ii.wav", 6)
    lowered = REFERENCE_HZ * 10 / 9
    assert abs(measure.cents(measure.tone_hz(sound, rate, lowered, within_cents=10), lowered)) < 0.5
    # D in bar 13 needs A as a pure fifth: 9/8 of the tonic again.
    sound, rate = bar(demo, "just-lowered-ii.wav", 13)
    assert abs(measure.cents(measure.tone_hz(sound, rate, a3, within_cents=10), a3)) < 0.5


def test_what_the_demo_says_agrees_with_the_textbook(demo: Demo) -> None:
    by_name = {(one.chord, one.interval): one for one in demo.heard}
    # Equal temperament's major third is 13.69 cents wide, its minor third 15.64 and its fifth 1.955 narrow (derived).
    assert by_name["G", "third"].off_cents == pytest.approx((13.686, 0, 0), abs=0.001)
    assert by_name["Em", "third"].off_cents == pytest.approx((-15.641, 0, 0), abs=0.001)
    assert by_name["C", "fifth"].off_cents == pytest.approx((-1.955, 0, 0), abs=0.001)
    assert by_name["Am", "fifth"].off_cents == pytest.approx((-1.955, -21.506, 0), abs=0.001)
    assert by_name["Am", "fifth"].bars == tuple(bars_on("ii"))
    assert [change.place for change in lowered_bars()] == ["bar 5", "bar 7", "bar 12", "bar 13"]
