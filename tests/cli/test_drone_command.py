"""``stillbeat drone`` into files: pitches, beats, silences and loudness as measured there; and what it refuses.

Expected frequencies are worked out here from ratios (five-limit: third 5/4, fifth 3/2) and the reference named; equal
temperament's third is 400 cents, so above a just one of 386.314 it begins 13.686 cents wide (derived).
"""

from __future__ import annotations

import re
import subprocess
import sys
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
from support import measure
from support.synths import Rendering, write_midi

from bridge.cli import main
from bridge.errors import ValueProblem
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import LESSON, DroneRequest, drone_events, parse_settle, plan_drone
from bridge.tuning.tables import build_table

D3 = 146.5
GUITAR = ("--guitar", "open-d", "--reference", "D3=146.5")
NARROW_LIMIT_CENTS = 0.01
"""The built-in generator's note tuning is exact to 0.003 cents; the measurement adds a little."""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Run the command, which must succeed; return what it printed."""
    with pytest.raises(SystemExit) as left:
        main(("drone", *arguments))
    out, err = capsys.readouterr()
    assert left.value.code == 0, err
    return out


def fails(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Run the command, which must fail for a wrong value; return what it says."""
    with pytest.raises(SystemExit) as left:
        main(("drone", *arguments))
    out, err = capsys.readouterr()
    assert (left.value.code, out) == (2, "")
    assert err.startswith("stillbeat: ")
    assert err.count("\n") == 1
    return err


def heard(name: str) -> Rendering:
    samples, rate_hz = soundfile.read(name, always_2d=True)
    return Rendering(samples, rate_hz)


def off_cents(sound: Rendering, wanted_hz: list[float], start_s: float, length_s: float) -> list[float]:
    found = sound.tones_hz(wanted_hz, start_s, length_s)
    return [measure.cents(hz, want) for hz, want in zip(found, wanted_hz, strict=True)]


def rms(sound: Rendering, start_s: float, length_s: float) -> float:
    return float(np.sqrt(np.mean(sound.window(start_s, length_s) ** 2)))


def beats_of(sound: Rendering, start_s: float, length_s: float) -> float:
    """Beats of the fifth partial of D3 with the fourth of F#3."""
    return measure.beats_per_s(sound.window(start_s, length_s), sound.rate_hz, 5 * D3)


def test_tonic_and_fifth_in_a_file_have_the_tables_pitch_and_start_quiet(
    capsys: pytest.CaptureFixture[str],
) -> None:
    said = run(capsys, *GUITAR, "--hold", "12", "-o", "drone.wav")
    assert "start with the volume down" in said
    assert "D3 146.500 Hz" in said
    sound = heard("drone.wav")
    assert max(map(abs, off_cents(sound, [D3, 1.5 * D3], 4.0, 6.0))) < NARROW_LIMIT_CENTS
    with pytest.raises(measure.NoTone, match="steady"):
        measure.beats_per_s(sound.window(4.0, 6.0), sound.rate_hz, 3 * D3)
    # Quiet at first, ever louder for three seconds, then the same.
    levels = [rms(sound, at_s, 0.3) for at_s in np.arange(0.0, 3.0, 0.3)]
    assert all(later > earlier for earlier, later in pairwise(levels))
    full = rms(sound, 5.0, 4.0)
    assert levels[0] < 0.03 * full
    assert rms(sound, 0.0, 0.1) < 0.005 * full
    assert sound.peak(0.0, sound.length_s) < 0.9, "far from full scale"
    # It ends by fading, not by breaking off.
    assert np.max(np.abs(np.diff(sound.samples[:, 0]))) < 0.2
    assert sound.peak(sound.length_s - 0.1, 0.1) < 0.001


def test_settling_from_tempered_beats_as_stated_and_then_stands_still(
    capsys: pytest.CaptureFixture[str],
) -> None:
    options = ("--settle", "tempered", "--settle-wait", "6", "--settle-time", "20", "--hold", "36")
    said = run(capsys, "third", *GUITAR, *options, "-o", "third.flac")
    stated = float(re.search(r"from ([\d.]+) beats a second to none", said)[1])  # type: ignore[index]
    begin_hz = 4 * D3 * 2 ** (400 / 1200) - 5 * D3
    assert stated == pytest.approx(begin_hz, abs=0.005)
    sound = heard("third.flac")
    assert beats_of(sound, 3.2, 5.6) == pytest.approx(begin_hz, abs=0.02)
    with pytest.raises(measure.NoTone, match="steady"):
        beats_of(sound, 29.2, 6.0)
    assert max(map(abs, off_cents(sound, [D3, 1.25 * D3], 29.2, 6.0))) < NARROW_LIMIT_CENTS
    assert abs(off_cents(sound, [D3], 3.2, 5.6)[0]) < NARROW_LIMIT_CENTS, "the lower note never moves"
    for at_s in (11.0, 14.0, 18.0, 23.0):
        u = (at_s - 9.0) / 20.0
        wanted = 1.25 * D3 * 2 ** (13.686 * (1 - u) ** 2 / 1200)
        assert off_cents(sound, [wanted], at_s - 0.25, 0.5)[0] == pytest.approx(0.0, abs=0.15)


def test_a_unison_settles_onto_itself(capsys: pytest.CaptureFixture[str]) -> None:
    options = ("--settle", "-20", "--settle-wait", "6", "--settle-time", "4", "--hold", "22")
    run(capsys, "unison", *GUITAR, *options, "-o", "unison.wav")
    sound = heard("unison.wav")
    apart = D3 * (1 - 2 ** (-20 / 1200))
    assert measure.beats_per_s(sound.window(3.2, 5.6), sound.rate_hz, D3) == pytest.approx(apart, abs=0.02)
    with pytest.raises(measure.NoTone, match="steady"):
        measure.beats_per_s(sound.window(13.5, 7.5), sound.rate_hz, D3)


def test_a_lesson_leaves_silence_to_sing_into(capsys: pytest.CaptureFixture[str]) -> None:
    said = run(capsys, "--lesson", *GUITAR, "--hold", "5", "--rest", "3", "--swell", "2", "-o", "l.wav")
    assert re.findall(r"step (\d): ([^\n]*) Hz \(", said)[0][0] == "1"
    assert "each step 5 seconds, then 3 of silence" in said
    sound = heard("l.wav")
    steps = [[D3], [D3, 1.25 * D3], [D3, 1.5 * D3], [D3, 1.25 * D3, 1.5 * D3]]
    levels = [rms(sound, 8.0 * number + 2.2, 2.0) for number in range(4)]
    assert max(levels) / min(levels) < 1.3, "a chord is no louder than a single note"
    for number, wanted in enumerate(steps):
        from_s = 8.0 * number
        assert max(map(abs, off_cents(sound, wanted, from_s + 2.2, 2.0))) < NARROW_LIMIT_CENTS
        assert rms(sound, from_s, 0.1) < 0.005 * rms(sound, from_s + 2.2, 2.0)
        # the release dies away in a moment; pcm16 dither remains (2 of 32768)
        assert sound.peak(from_s + 5.5, 2.4) <= 3 / 32768
    for hz in (1.25 * D3, 1.5 * D3):
        with pytest.raises(measure.NoTone):
            sound.tone_hz(hz, 2.2, 2.0)
    assert sound.length_s == pytest.approx(32.0, abs=0.6)


def test_eight_loud_notes_do_not_clip(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "1,b3,3,5,b7,8,10,12", *GUITAR, "--level", "100", "--hold", "8", "-o", "eight.wav")
    sound = heard("eight.wav")
    assert sound.peak(0.0, sound.length_s) < 0.95
    magnitudes = np.abs(sound.samples[:, 0])
    assert np.sum(magnitudes > 0.999 * magnitudes.max()) < 20, "its peaks are not cut flat"
    assert np.max(np.abs(sound.samples)) > 0.05


def plan_keys(notes: str, *, voice: str = "tenor", **table: object) -> list[int]:
    spec = choose_table(TableRequest(**{"guitar": "open-d", **table}))  # type: ignore[arg-type]
    plan = plan_drone(DroneRequest(notes=(notes,), voice=voice), spec)
    return [note.key for note in plan.steps[0].notes]


@pytest.mark.parametrize(
    ("notes", "keys"),
    [
        ("tonic", [50]),
        ("third", [50, 54]),
        ("1 b3 5", [50, 53, 57]),
        ("fifth+octave", [50, 57, 62]),
        ("12", [69]),
        ("D2,A2", [38, 45]),
        ("F#", [54]),
        ("Bb", [58]),
        ("b3", [53]),
        ("C", [60]),
        ("chord", [50, 54, 57]),
    ],
)
def test_notes_are_named_as_musicians_name_them(notes: str, keys: list[int]) -> None:
    assert plan_keys(notes) == keys


@pytest.mark.parametrize(("voice", "key"), [("bass", 50), ("tenor", 50), ("alto", 62), ("soprano", 62)])
def test_the_tonic_lies_in_the_lowest_octave_of_the_voice(voice: str, key: int) -> None:
    # Lowest notes of choir voices: E2, C3, F3, C4 (common practice).
    assert plan_keys("tonic", voice=voice) == [key]
    assert plan_keys("tonic", voice=voice, guitar=None, tonic="E") == [
        {"bass": 40, "tenor": 52, "alto": 64, "soprano": 64}[voice]
    ]


def test_a_lesson_and_a_drone_without_notes() -> None:
    spec = choose_table(TableRequest(tonic="D"))
    lesson = plan_drone(DroneRequest(steps=LESSON), spec)
    assert [[note.key for note in step.notes] for step in lesson.steps] == [
        [50],
        [50, 54],
        [50, 57],
        [50, 54, 57],
    ]
    plain = plan_drone(DroneRequest(), spec)
    assert [note.key for note in plain.steps[0].notes] == [50, 57], "tonic and fifth"
    assert np.isinf(plain.length_s)
    assert 20.0 < plan_drone(DroneRequest(), spec, endless=False).length_s < 60.0


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (DroneRequest(steps=(" ",)), "a step without notes"),
        (DroneRequest(voice="tenner"), "no voice 'tenner'.*did you mean tenor"),
        (DroneRequest(sound="organs"), "no sound 'organs'.*did you mean organ"),
    ],
)
def test_names_that_there_are_not_are_answered_with_near_ones(request_: DroneRequest, message: str) -> None:
    with pytest.raises(ValueProblem, match=message):
        plan_drone(request_, choose_table(TableRequest(tonic="D")))


def test_with_a_capo_the_drone_sounds_where_the_guitar_does() -> None:
    assert plan_keys("tonic", fret=2) == [52]


@pytest.mark.parametrize(
    ("text", "cents"), [(None, None), ("14", 14.0), ("-8c", -8.0), (" 3.5 cents ", 3.5), ("100", 100.0)]
)
def test_how_far_off_it_begins(text: str | None, cents: float | None) -> None:
    assert parse_settle(text) == cents


@pytest.mark.parametrize("text", ["tempered", "Equal"])
def test_tempered_is_no_number(text: str) -> None:
    assert np.isnan(parse_settle(text))


@pytest.mark.parametrize("text", ["0", "101", "-100.1", "nan", "inf", "wide", "", "12 Hz"])
def test_what_nothing_can_settle_from(text: str) -> None:
    with pytest.raises(ValueProblem, match=r"settling from .*tempered, or cents from -100 to 100"):
        parse_settle(text)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("thrid", "-o", "x.wav"), "'thrid' is no note, degree or interval (did you mean third"),
        (("H3", "-o", "x.wav"), "German H is B, German B is Bb"),
        (("--voice", "baritone", "-o", "x.wav"), "baritone"),
        (("--step", "third", "fifth", "-o", "x.wav"), "notes to hold and steps were both asked for"),
        (("--lesson", "--step", "third", "-o", "x.wav"), "a lesson has steps of its own"),
        (("--swell", "0.1", "-o", "x.wav"), "a drone that starts at once can hurt"),
        (("--level", "150", "-o", "x.wav"), "150"),
        (("octave", "--settle", "tempered", "-o", "x.wav"), "nothing can settle"),
        (("--settle", "0", "-o", "x.wav"), "settling from '0'"),
        (("--hold", "1", "-o", "x.wav"), "too short for a step"),
        (("-o", "x.wav", "--out", "synth"), "a drone goes one way at a time"),
        (("-o", "x.wav", "--card", "card"), "a drone goes one way at a time"),
        (("--synth", "fluidsynth"), "name the port with --out"),
        (("1,b2,2,b3,3,4,#4,5,b6", "-o", "x.wav"), "9 notes at a time (at most 8)"),
        (("G#9", "-o", "x.wav"), "G#9"),
        (("--step", "third", "--hold", "nan", "-o", "x.wav"), "nan seconds"),
        (("third", "--settle", "14", "--out", "s", "--method", "mpe", "--synth", "mpe"), "choose --method bend"),
        (("third", "--settle", "14", "--out", "s", "--synth", "mpe-fixed-48"), "all notes of a part bend together"),
        (("--out", "synth", "--synth", "fluidsynth", "--channels", "10"), "no channel is left"),
    ],
)  # fmt: skip
def test_what_is_refused_and_how(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], message: str
) -> None:
    assert message in fails(capsys, *arguments, "--guitar", "open-d")
    assert not Path("x.wav").exists()


def test_an_existing_file_is_replaced_only_when_asked(capsys: pytest.CaptureFixture[str]) -> None:
    Path("kept.wav").write_bytes(b"mine")
    with pytest.raises(SystemExit) as left:
        main(("drone", *GUITAR, "-o", "kept.wav"))
    assert left.value.code == 3
    assert "--overwrite" in capsys.readouterr().err
    assert Path("kept.wav").read_bytes() == b"mine"
    run(capsys, *GUITAR, "--hold", "4", "-o", "kept.wav", "--overwrite")
    assert heard("kept.wav").length_s == pytest.approx(4.4, abs=0.1)


def test_a_drone_without_end_makes_no_file() -> None:
    spec = choose_table(TableRequest(guitar="open-d"))
    with pytest.raises(ValueProblem, match="say --hold SECONDS"):
        list(drone_events(plan_drone(DroneRequest(), spec), build_table(spec).hz))


def test_the_help_cautions_ears(capsys: pytest.CaptureFixture[str]) -> None:
    said = run(capsys, "--help")
    assert "HEARING" in said
    assert "volume down" in said
    assert "Settling" in said


def test_where_there_is_no_sound_card_it_says_what_to_do() -> None:
    """A stand-in for a computer without the sound library."""
    code = (
        "import sys; sys.modules['sounddevice'] = None\n"
        "import os, tempfile\n"
        "folder = tempfile.mkdtemp()\n"
        "open(os.path.join(folder, 'sounddevice.py'), 'w').write('raise ModuleNotFoundError(\"sounddevice\")')\n"
        "os.environ['PYTHONPATH'] = folder\n"
        "from bridge.cli import main; main(['drone', '--guitar', 'open-d'])\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        stdin=subprocess.DEVNULL,
    )
    assert done.returncode == 4, done.stderr
    assert "pip install 'stillbeat[audio]'" in done.stderr
    assert done.stderr.count("\n") == 1


# ---- along a track


def test_a_drone_follows_a_chart_along_a_track(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # Bars of two seconds (4/4 at 120). Above D: Em has its root at 10/9, under G at 4/3, and fifths are 3/2 above them.
    events = [(0.0, bytes((0x90, 60, 60))), (8.0, bytes((0x80, 60, 0)))]
    write_midi(folder / "song.mid", events, end_s=8.0)
    arguments = ("1", "5", *GUITAR, "--chart", "| D | Em | G | D |", "--track", "song.mid")
    out = run(capsys, *arguments, "-o", "along.wav")
    assert "Em: E3" in out
    sound = heard("along.wav")
    for start_s, root in ((0.0, 1.0), (2.0, 10 / 9), (4.0, 4 / 3), (6.0, 1.0)):
        part = measure.window(sound.samples, sound.rate_hz, start_s + 0.7, 0.8)
        wanted = [D3 * root, D3 * root * 1.5]
        found = measure.tones_hz(part, sound.rate_hz, wanted, within_cents=30)
        for one, other in zip(found, wanted, strict=True):
            assert abs(measure.cents(one, other)) <= 0.1
    for missing in (arguments[:-2], (*arguments[:-4], *arguments[-2:])):
        assert "--chart, --track and -o" in fails(capsys, *missing, "-o", "x.wav")
    assert "does not settle" in fails(capsys, *arguments, "--settle", "tempered", "-o", "x.wav")
    # With --at it goes as the track goes: E, the root of Em, at 9/8 and not at 10/9 above D (five-limit).
    raised = run(capsys, *arguments, "--at", "2=,2=9/8", "-o", "raised.wav")
    low, high = (float(text.split("Em: E3 ")[1].split(" Hz")[0]) for text in (out, raised))
    assert high / low == pytest.approx(81 / 80, rel=1e-5)
    assert "name it with --track" in fails(capsys, "1", *GUITAR, "--moves", "few")
    long = (*arguments[:-3], "| D | Em | G | D | D |", "--track", "song.mid", "-o", "x.wav")
    assert "the chart has 5 bars, the track 4" in fails(capsys, *long)
