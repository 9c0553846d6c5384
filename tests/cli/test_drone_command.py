"""``stillbeat drone`` into a file: what it says, and what is heard in the file."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
from click.testing import CliRunner
from support import measure

from bridge.cli.drone import drone_command
from bridge.engine.drone_plan import DronePlan
from bridge.errors import StillbeatError, ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import LESSON, DroneRequest, plan_drone

D3_HZ = 146.5  # invented reading of a guitar's fourth string
OPEN_D = ("--guitar", "open-d", "--reference", "D3=146.5")


def run(*arguments: str) -> str:
    result = CliRunner().invoke(drone_command, list(arguments))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.output


def heard(path: Path) -> tuple[np.ndarray, int]:
    samples, rate = soundfile.read(path, always_2d=True)
    assert np.abs(samples).max() < 0.5  # far from full scale: no clipping, and no shock
    return samples, rate


def keys(*notes: str, voice: str = "tenor", tonic: str = "D", steps: tuple[str, ...] = ()) -> list[list[int]]:
    spec = choose_table(TableRequest(tonic=tonic))
    plan = plan_drone(DroneRequest(notes=notes, steps=steps, voice=voice), spec)
    return [[note.key for note in step.notes] for step in plan.steps]


def test_a_third_settles_in_the_file_as_it_says(tmp_path: Path) -> None:
    path = tmp_path / "third.wav"
    said = run(
        "third", *OPEN_D, "--settle", "tempered", "--hold", "36", "--settle-wait", "8", "--settle-time", "12",
        "-o", str(path),
    )  # fmt: skip
    # An equal third beats 4 f (2^(4/12) - 5/4) times a second: 5.81 at 146.5 Hz.
    expected = 4 * D3_HZ * (2 ** (4 / 12) - 5 / 4)
    assert f"D3 - F#3: from {expected:.2f} beats a second to none" in said
    assert "start with the volume down" in said
    sound, rate = heard(path)
    near = 5 * D3_HZ
    tempered = measure.window(sound, rate, 3.2, 7.5)
    assert measure.beats_per_s(tempered, rate, near, low=1) == pytest.approx(expected, abs=0.05)
    # 3 s swell, 8 s wait: half-way through 12 s of settling a quarter of the distance is left.
    middle = measure.window(sound, rate, 16.0, 2.0)
    assert measure.cents(measure.tone_hz(middle, rate, D3_HZ * 5 / 4), D3_HZ * 5 / 4) == pytest.approx(
        13.686 / 4, abs=0.4
    )
    still = measure.window(sound, rate, 23.5, 11.0)
    found = measure.tones_hz(still, rate, [D3_HZ, D3_HZ * 5 / 4])
    assert measure.cents(found[0], D3_HZ) == pytest.approx(0.0, abs=0.005)
    assert measure.cents(found[1], D3_HZ * 5 / 4) == pytest.approx(0.0, abs=0.005)
    with pytest.raises(measure.NoTone, match="steady"):
        measure.beats_per_s(still, rate, near, low=1)


def test_a_lesson_has_its_steps_and_silence_between_them(tmp_path: Path) -> None:
    path = tmp_path / "lesson.flac"
    said = run("--lesson", *OPEN_D, "--hold", "6", "--rest", "2", "--swell", "2", "-o", str(path))
    assert "step 4: D3 146.500 Hz" in said
    assert "each step 6 seconds, then 2 of silence" in said
    sound, rate = heard(path)
    assert len(sound) / rate == pytest.approx(4 * 8.0, abs=0.5)
    ratios = [(1,), (1, 5 / 4), (1, 3 / 2), (1, 5 / 4, 3 / 2)]
    levels = []
    for number, notes in enumerate(ratios):
        start_s = 8.0 * number
        assert np.abs(measure.window(sound, rate, start_s, 0.15)).max() < 0.002  # from silence
        loud = measure.window(sound, rate, start_s + 2.2, 3.0)
        levels.append(np.sqrt(np.mean(loud**2)))
        wanted = [D3_HZ * ratio for ratio in notes]
        for found, hz in zip(measure.tones_hz(loud, rate, wanted), wanted, strict=True):
            assert measure.cents(found, hz) == pytest.approx(0.0, abs=0.02)
        assert np.abs(measure.window(sound, rate, start_s + 6.05, 1.9)).max() < 1e-5  # silence
    assert max(levels) / min(levels) < 1.3  # a chord is no louder than a single note
    with pytest.raises(measure.NoTone):  # the first step is the tonic alone
        measure.tone_hz(measure.window(sound, rate, 2.2, 3.0), rate, D3_HZ * 3 / 2, within_cents=20)


def test_a_unison_settles_between_two_voices(tmp_path: Path) -> None:
    path = tmp_path / "unison.wav"
    run(
        "unison",
        *OPEN_D,
        "--settle",
        "-20",
        "--hold",
        "22",
        "--settle-wait",
        "8",
        "--settle-time",
        "5",
        "-o",
        str(path),
    )
    sound, rate = heard(path)
    expected = D3_HZ * (1 - 2 ** (-20 / 1200))
    beating = measure.window(sound, rate, 3.2, 7.5)
    assert measure.beats_per_s(beating, rate, D3_HZ, low=0.5) == pytest.approx(expected, abs=0.05)
    assert measure.tone_hz(measure.window(sound, rate, 16.5, 4.5), rate, D3_HZ) == pytest.approx(
        D3_HZ, abs=1e-3
    )


def test_output_is_replaced_only_when_asked(tmp_path: Path) -> None:
    path = tmp_path / "drone.wav"
    path.write_bytes(b"mine")
    with pytest.raises(StillbeatError, match="exists"):
        run("--tonic", "D", "--hold", "4", "-o", str(path))
    assert path.read_bytes() == b"mine"
    run("--tonic", "D", "--hold", "4", "-o", str(path), "--overwrite")
    assert path.read_bytes()[:4] == b"RIFF"


@pytest.mark.parametrize(
    ("voice", "tonic", "low"),
    # Usual lowest notes of choir voices: E2, C3, F3, C4 (common practice).
    [
        ("bass", "E", 40),
        ("bass", "D", 50),
        ("tenor", "C", 48),
        ("tenor", "B", 59),
        ("alto", "F", 53),
        ("soprano", "G", 67),
    ],
)
def test_the_tonic_lies_in_the_lowest_octave_of_the_voice(voice: str, tonic: str, low: int) -> None:
    assert keys("tonic", voice=voice, tonic=tonic) == [[low]]


def test_notes_are_degrees_or_notes_or_intervals() -> None:
    assert keys() == [[50, 57]]  # tonic and fifth
    assert keys("1", "b3", "5") == [[50, 53, 57]]
    assert keys("1,8") == keys("octave") == [[50, 62]]
    assert keys("D3", "F#3") == keys("third") == [[50, 54]]
    assert keys("F#") == [[54]]
    assert keys("C") == [[60]]  # from the tonic upward
    assert keys("B3") == [[59]]
    assert keys("b3") == [[53]]
    assert keys("5 1 5") == [[50, 57]]
    assert keys(steps=LESSON) == [[50], [50, 54], [50, 57], [50, 54, 57]]


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (DroneRequest(notes=("thrid",)), "'thrid' is no note, degree or interval.*third"),
        (DroneRequest(notes=("H",)), "German H is B"),
        (DroneRequest(notes=("1",), steps=("1",)), "notes to hold and steps"),
        (DroneRequest(steps=(" ",)), "a step without notes"),
        (DroneRequest(notes=("octave",), settle="tempered"), "nothing can settle"),
        (DroneRequest(settle="somewhat"), "settling from 'somewhat'"),
        (DroneRequest(settle="0"), "cents from -100 to 100"),
        (DroneRequest(settle="nan"), "cents from -100 to 100"),
        (DroneRequest(settle="120"), "cents from -100 to 100"),
        (DroneRequest(voice="tenner"), "no voice 'tenner'.*tenor"),
        (DroneRequest(sound="organs"), "no sound 'organs'.*organ"),
        (DroneRequest(swell_s=0.5), "2 to 60: a drone that starts at once can hurt"),
    ],
)
def test_mistakes_are_answered_in_the_words_of_a_musician(request_: DroneRequest, message: str) -> None:
    with pytest.raises(ValueProblem) as caught:
        plan_drone(request_, choose_table(TableRequest(tonic="D")))
    assert re.search(message, f"{caught.value.message}; {caught.value.hint}")


def test_a_drone_goes_one_way_at_a_time() -> None:
    with pytest.raises(ValueProblem, match="-o and --out were both asked for"):
        run("--tonic", "D", "-o", "a.wav", "--out", "synth")


def test_help_warns_of_continuous_sound() -> None:
    text = " ".join(run("--help").split())
    assert "what is loud for minutes can harm for good" in text
    assert "swells for at least two seconds" in text


def test_one_that_is_held_has_no_end_but_in_a_file() -> None:
    spec = choose_table(TableRequest(tonic="D"))
    assert math.isinf(plan_drone(DroneRequest(), spec).length_s)
    ended: DronePlan = plan_drone(DroneRequest(), spec, endless=False)
    assert 20.0 < ended.length_s < 60.0
