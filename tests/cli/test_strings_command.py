"""``stillbeat strings``: the tuning order as a player does it, with figures from physics."""

from __future__ import annotations

import re

import pytest

from bridge.cli import main


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    """Run the command; return its text on one line (its line on stderr where it must fail)."""
    with pytest.raises(SystemExit) as left:
        main(["strings", *arguments])
    out, err = capsys.readouterr()
    assert left.value.code == code, err
    return " ".join((err if code else out).split())


def test_open_d_from_standard_tuning(capsys: pytest.CaptureFixture[str]) -> None:
    text = run(capsys, "--guitar", "open-d", "--reference", "D3")
    # Common practice: from standard to open D strings 6, 3, 2 and 1 come down by 2, 1, 2 and 2 semitones.
    for words in (
        "6 E2 D2 down 2 semitones",
        "3 G3 F#3 down 1 semitone",
        "2 B3 A3 down 2",
        "1 E4 D4 down 2",
        "4 D3 D3 stays",
    ):
        assert words in text
    # Unisons of open D from its fourth string (common practice).
    assert re.search(r"string 6 \(D2\) touched at 1/2: fret 12 string 4 \(D3\) open", text)
    assert re.search(
        r"string 5 \(A2\) touched at 1/4: fret 5, 1 mm towards the nut string 4 \(D3\) touched at 1/3", text
    )
    # Equal temperament: F#3 against D3 (4 : 5) beats 5.83 times a second, 0.42 for each cent; A2 every two seconds.
    assert "tuned equal: 5.83 beats a second; each cent off is 0.42" in text
    assert "a beat every 2.0 s" in text
    # Stiffness of 1e-4 leaves a third tuned by partials 4 and 5 about 0.8 cents wide (Fletcher 1964, derived).
    assert "stiffness leaves string 3 about 0.8 cents sharp" in text
    assert "come from below" in text
    assert "go round again" in text


def test_tension_goes_with_the_square_and_rising_strings_are_cautioned(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = run(capsys, "--guitar", "open-e")
    assert "126 %" in text  # a whole tone up: 2^(200/600)
    assert "luthier" in text
    assert "63 %" in run(capsys, "--guitar", "open-c")  # the sixth string of open C, four semitones down


def test_a_capo_is_to_be_measured_with_the_capo_on(capsys: pytest.CaptureFixture[str]) -> None:
    text = run(capsys, "--guitar", "open-d", "--capo", "2", "--sounding", "164.9")
    assert "E3 = 164.900 Hz" in text
    assert "capo" in text


def test_ideal_strings_leave_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    assert "stiffness leaves" not in run(capsys, "--guitar", "open-d", "--stiffness", "0")


def test_tension_is_told_against_the_usual_tuning_wherever_it_starts(
    capsys: pytest.CaptureFixture[str],
) -> None:
    for start in ("drop-d", "slack", "open-g"):
        text = run(capsys, "--guitar", "open-d", "--from", start)
        assert "tension: against Standard tuning" in text
        assert "79 %" in text  # a whole tone below standard: 2^(-200/600)
    assert "new strings stretch" in run(capsys, "--guitar", "open-d", "--from", "slack")
    assert "6 D2 D2 stays" in run(capsys, "--guitar", "open-d", "--from", "drop-d")


def test_a_string_beside_the_table_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    # Three pure fifths make 27/16, a comma of 21.5 cents above the scale's 5/3 (derived).
    assert "String 1 lies 21.5 cents above the table's E5" in run(capsys, "--guitar", "violin")
    # A short string that a capo does not reach is tuned up to the others, so it agrees.
    assert "lies" not in run(capsys, "--guitar", "banjo-open-g", "--capo", "2").replace("partials lie", "")


def test_places_follow_the_scale_length(capsys: pytest.CaptureFixture[str]) -> None:
    # 1/5 of the string from the nut; fret 4 lies at 1 - 2^(-4/12) = 0.2063 of it: 4.1 mm at 650, 2.1 mm at 330.
    assert "1/5: fret 4, 4 mm towards the nut" in run(capsys, "--guitar", "open-d")
    assert "1/5: fret 4, 2 mm towards the nut" in run(capsys, "--guitar", "open-d", "--scale-length", "330")


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--tonic", "D"), "--guitar"),
        (("--guitar", "open-d", "--from", "stnadard"), "did you mean standard"),
        (("--guitar", "open-d", "--stiffness", "x"), "stiffness"),
        (("--guitar", "open-d", "--stiffness", "9=0.0001"), "string"),
        (("--guitar", "open-d", "--fret", "2", "--capo", "3"), "two frets"),
        (("--guitar", "open-d", "--scale-length", "0"), "mm"),
        (("--guitar", "open-d", "--from", "bass"), "same instrument"),
        (("--guitar", "open-d", "--sounding", "14.65"), "did you mean 146.5"),
        (("--guitar", "open-d", "--fret", "13"), "capo at fret 13"),
    ],
)
def test_what_cannot_be_tuned(
    arguments: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in run(capsys, *arguments, code=2)
