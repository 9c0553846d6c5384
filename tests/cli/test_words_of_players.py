"""Words that players use are understood, or answered with what to write."""

from __future__ import annotations

from pathlib import Path

import pytest

from bridge.cli import main
from bridge.errors import ValueProblem
from bridge.tuning.chords.names import parse_chord
from bridge.tuning.drone_notes import drone_keys
from bridge.tuning.notes import parse_note, parse_pitch_class, parse_tonic
from bridge.tuning.reference import parse_reference
from bridge.tuning.scales import DEGREES, parse_degree


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    out, err = capsys.readouterr()
    assert left.value.code == code, err
    return err if code else out


def test_notes_as_they_are_said() -> None:
    assert parse_pitch_class("F sharp") == 6
    assert parse_tonic("b flat") == "Bb"
    assert parse_note("F-sharp 3") == parse_note("F#3") == 54
    assert parse_note("C\N{MINUS SIGN}1") == 0


def test_readings_as_they_are_typeset() -> None:
    assert parse_reference("D3\N{MINUS SIGN}7c") == parse_reference("D3-7c")
    with pytest.raises(ValueProblem, match=r"write it with a point: D3-7\.5c"):
        parse_reference("D3-7,5c")
    with pytest.raises(ValueProblem, match="did you mean A4=432"):
        parse_reference("A=432")
    with pytest.raises(ValueProblem, match=r"did you mean D3=146\.5"):
        parse_reference("D=146.5")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("Am", "a note alone: A"),
        ("D minor", "a note alone: D"),
        ("re", "the note D, or the degree 2"),
        ("sol", "the note G, or the degree 5"),
        ("ii", "the chord on the degree 2"),
    ],
)
def test_what_is_no_tonic_is_answered(text: str, says: str) -> None:
    with pytest.raises(ValueProblem, match=says):
        parse_tonic(text)


def test_degrees_by_their_intervals() -> None:
    assert DEGREES[parse_degree("minor third")] == "b3"
    assert DEGREES[parse_degree("Perfect  Fifth")] == "5"
    with pytest.raises(ValueProblem, match="the chord on the degree 2"):
        parse_degree("ii")
    with pytest.raises(ValueProblem, match="the note D, or the degree 2"):
        parse_degree("re")
    assert drone_keys("minor third", "D") == drone_keys("1,b3", "D")


@pytest.mark.parametrize(("text", "meant"), [("em7", "Em7"), ("d minor", "D minor"), ("f#m", "F#m")])
def test_a_root_in_small_letters_is_answered(text: str, meant: str) -> None:
    with pytest.raises(ValueProblem, match=f"a root is a capital: {meant}"):
        parse_chord(text, "D")


def test_beats_of_a_chord(capsys: pytest.CaptureFixture[str]) -> None:
    """A minor on A in five-limit: 10:12:15, every pair still; equal temperament's A3-C4 beats 6·A3 - 5·C4 a second."""
    by_notes = run(capsys, "beats", "A3", "C4", "E4", "--tonic", "A", "--reference", "A4=440")
    rows = {line.split()[0]: line.split() for line in by_notes.splitlines() if "-" in line.split(" ")[0]}
    assert rows["A3-C4"][1] == "6/5"
    assert float(rows["A3-C4"][-2]) == pytest.approx(0.0, abs=1e-3)
    assert float(rows["A3-C4"][-1]) == pytest.approx(6 * 220 - 5 * 220 * 2 ** (3 / 12), abs=2e-3)
    by_name = run(capsys, "beats", "Am", "--tonic", "A", "--reference", "A4=440")
    assert "A3-C4" in by_name
    assert "pure in this table" in by_name


@pytest.mark.parametrize("words", [("Am",), ("A3", "C4", "E4"), ("E4", "A3")])
def test_beats_are_told_without_a_tonic(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    """Root or lowest note stand for it; a degree or an interval has none to stand on."""
    first, rest = run(capsys, "beats", *words).split("\n", 1)
    assert first.startswith("nothing says the tonic: A is taken")
    assert rest == run(capsys, "beats", *words, "--tonic", "A")


@pytest.mark.parametrize("words", [("minor third",), ("minor", "third")])
def test_beats_of_an_interval(capsys: pytest.CaptureFixture[str], words: tuple[str, ...]) -> None:
    """A minor third above D3 is F3, pure at 6/5; tempered it beats 6·D3 - 5·F3 a second, D3 = 146.5 Hz in both."""
    said = run(capsys, "beats", *words, "--guitar", "open-d", "--reference", "D3=146.5")
    (row,) = (line.split() for line in said.splitlines() if line.startswith("6 of D3"))
    assert row[3:5] == ["5", "of"]
    assert float(row[6]) == 0.0
    assert float(row[8]) == pytest.approx(146.5 * (6 - 5 * 2 ** (3 / 12)), abs=2e-3)
    of_chord = run(capsys, "beats", "chord", "--guitar", "open-d")
    assert [line.split()[0] for line in of_chord.splitlines() if line.startswith(("D3-", "F#3-"))] == [
        *("D3-F#3", "D3-A3", "F#3-A3"),
    ]


@pytest.mark.parametrize(
    ("name", "says"), [("x.mp3", "-o x.mid"), ("x.wav", "stillbeat render x.mid -o x.wav")]
)
def test_retune_writes_no_sound(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str, says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    err = run(capsys, "retune", "song.mid", "-o", name, "--tonic", "D", code=2)
    assert "what comes out is a MIDI file" in err
    assert says in err
    assert not (tmp_path / name).exists()


def test_switch_keys_by_their_name(capsys: pytest.CaptureFixture[str]) -> None:
    assert "zone" not in run(capsys, "play", "--help")
    assert "--switch-keys C1-B1" in run(capsys, "play", "--tonic", "D", "--zone", "C1-B1", code=2)
