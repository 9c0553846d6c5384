"""What strings are tuned to by a meter: aims, beats against the reference, direction."""

from __future__ import annotations

import pytest

from bridge.errors import TuningProblem
from bridge.store.descriptions import load_guitar, load_scale
from bridge.tuning.reference import parse_reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.strings.aims import aim_for, string_aims


def open_d(fret: int = 0, reference: str = "D3=146.5", guitar: str | None = "open-d") -> TableSpec:
    return TableSpec(
        name="open-d",
        scale=load_scale("five-limit"),
        home="D",
        tonic="D",
        reference=parse_reference(reference),
        guitar=load_guitar(guitar) if guitar else None,
        fret=fret,
    )


def test_open_d_is_part_of_one_harmonic_series() -> None:
    # 2 : 3 : 4 : 5 : 6 : 8 over the fourth string (common practice).
    aims = string_aims(open_d())
    assert list(aims) == [6, 5, 4, 3, 2, 1]
    wanted = {6: 2, 5: 3, 4: 4, 3: 5, 2: 6, 1: 8}
    for number, part in wanted.items():
        assert aims[number].hz == pytest.approx(146.5 * part / 4, rel=1e-12)
        assert aims[number].beats_hz(aims[number].hz) == pytest.approx(0.0, abs=1e-9)
        assert aims[number].turn(aims[number].hz) == ""
    assert [aims[n].note for n in wanted] == ["D2", "A2", "D3", "F#3", "A3", "D4"]
    assert (aims[3].partial, aims[3].other_partial) == (5, 4)


def test_equal_temperament_beats_as_published() -> None:
    # F#3 against D3 (4 : 5) at A440 in equal temperament: 5.827 beats a second; A2 against D3 (4 : 3): 0.497.
    aims = string_aims(open_d(reference="D3"))
    assert aims[3].beats_hz(184.9972) == pytest.approx(5.827, abs=0.002)
    assert aims[5].beats_hz(110.0) == pytest.approx(0.497, abs=0.001)
    # Octaves do not beat.
    assert aims[1].beats_hz(293.6648) == pytest.approx(0.0, abs=1e-3)


def test_direction_and_cents() -> None:
    aim = string_aims(open_d())[4]
    assert aim.cents(146.5 * 2 ** (3 / 1200)) == pytest.approx(3.0)
    assert aim.turn(146.5 * 2 ** (3 / 1200)) == "loosen"
    assert aim.turn(146.5 * 2 ** (-0.6 / 1200)) == "tighten"
    assert aim.turn(146.5 * 2 ** (0.4 / 1200)) == ""


def test_with_a_capo_the_aims_are_as_they_sound() -> None:
    aims = string_aims(open_d(fret=2))
    assert aims[4].hz == pytest.approx(146.5 * 2 ** (2 / 12))
    assert aims[3].note == "G#3"
    assert aims[3].beats_hz(aims[3].hz) == pytest.approx(0.0, abs=1e-9)


def test_the_nearest_string_is_meant() -> None:
    aims = string_aims(open_d())
    assert aim_for(150.0, aims).string == 4
    assert aim_for(70.0, aims).string == 6
    assert aim_for(1000.0, aims).string == 1


def test_without_a_guitar_there_is_nothing_to_tune() -> None:
    with pytest.raises(TuningProblem, match="--guitar open-d"):
        string_aims(open_d(guitar=None))


@pytest.mark.parametrize("name", ["standard", "open-g", "open-c"])
def test_tempered_strings_have_beats_at_their_aim(name: str) -> None:
    guitar = load_guitar(name)
    spec = TableSpec(
        name=name,
        scale=load_scale("five-limit"),
        home=guitar.tonic,
        tonic=guitar.tonic,
        reference=parse_reference(guitar.note_of(guitar.reference_string)),
        guitar=guitar,
    )
    for number, aim in string_aims(spec).items():
        beats_hz = aim.beats_hz(aim.hz)
        if guitar.intervals[number].ratio is not None:
            assert beats_hz == pytest.approx(0.0, abs=1e-9)
        else:
            assert beats_hz is None or beats_hz > 0
