"""``stillbeat frets``: figures, list, picture, chords, barres and slides."""

from __future__ import annotations

import csv
import io
import math
from pathlib import Path
from xml.etree import ElementTree

import pytest

from bridge.cli import main


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    """Run the command; return what it printed (its line on stderr where it must fail)."""
    with pytest.raises(SystemExit) as left:
        main(["frets", *arguments])
    out, err = capsys.readouterr()
    assert left.value.code == code, err
    return err if code else out


def test_every_string_at_every_fret(capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(run(capsys, "--guitar", "open-d", "--reference", "D3", "--csv"))))
    assert len(rows) == 6 * 20  # six strings, open and frets 1 to 19
    d3 = 440.0 * 2 ** (-19 / 12)
    # Open strings 2 : 3 : 4 : 5 : 6 : 8 of one harmonic series (common practice); frets are equal semitones.
    for row in rows:
        ratio = {6: 2, 5: 3, 4: 4, 3: 5, 2: 6, 1: 8}[int(row["string"])] / 4
        assert float(row["hz"]) == pytest.approx(d3 * ratio * 2 ** (int(row["fret"]) / 12))
    third = next(row for row in rows if row["string"] == "4" and row["fret"] == "4")
    assert float(third["cents"]) == pytest.approx(400 - 1200 * math.log2(5 / 4), abs=1e-3)  # 13.686


def test_slides_stand_where_the_string_divides(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "--guitar", "open-d", "--slides")
    # 12 log2 of the ratio: 4/3 at fret 4.98, 3/2 at 7.02, 5/3 at 8.84, 7/4 at 9.69; mm from the nut: 650 (1 - 1/ratio).
    for ratio, fret, mm in (
        ("4/3", "4.98", "162.5"),
        ("3/2", "7.02", "216.7"),
        ("5/3", "8.84", "260.0"),
        ("7/4", "9.69", "278.6"),
    ):
        assert any(
            line.split()[0] == ratio and fret in line and mm in line
            for line in out.splitlines()
            if line.strip()
        )


def test_barres_and_chords(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "--guitar", "open-d", "--barres")
    assert "--fret 4" in out
    out = run(capsys, "--guitar", "open-d", "--chord", "G")
    assert "G (IV): G B D, pure in this table" in out


def test_compensation_moves_a_fret(capsys: pytest.CaptureFixture[str]) -> None:
    def at_twelve(*more: str) -> float:
        rows = csv.DictReader(io.StringIO(run(capsys, "--guitar", "open-d", "--csv", *more)))
        return float(next(row["cents"] for row in rows if row["string"] == "6" and row["fret"] == "12"))

    assert at_twelve("--compensation", "6:12=+7") - at_twelve() == pytest.approx(7.0, abs=1e-3)


def test_the_picture_is_written_whole_and_never_over_another(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    run(capsys, "--guitar", "open-d", "--svg", "neck.svg")
    root = ElementTree.parse(folder / "neck.svg").getroot()
    assert root.tag.endswith("svg")
    words = " ".join(root.itertext())
    for note in ("F#", "G", "A"):
        assert note in words
    before = (folder / "neck.svg").read_bytes()
    assert "--overwrite" in run(capsys, "--guitar", "open-d", "--svg", "neck.svg", code=3)
    run(capsys, "--guitar", "open-d", "--svg", "neck.svg", "--overwrite")
    assert (folder / "neck.svg").read_bytes() == before


def test_the_grid_fits_a_terminal_and_marks_what_is_off(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "--guitar", "open-d", "--drone", "D3")
    assert max(map(len, out.splitlines())) <= 80
    assert "all strings agree with the table at fret 0, 5, 7, 12, 17, 19" in out
    lines = out.splitlines()
    at = next(index for index, line in enumerate(lines) if line.startswith("4 D3"))
    names, off, beats = lines[at].split()[2:], lines[at + 1].split(), lines[at + 2].split()[1:]
    # Open D's fourth string against five-limit on D: equal semitones against 16/15, 9/8, 6/5, 5/4, 4/3 (derived).
    assert names[:6] == ["D", "Eb", "E", "F", "F#", "G"]
    assert off[:6] == ["0", "-12!", "-4", "-16!", "+14!", "+2"]
    assert beats[0] == "0.0"
    assert beats[4] == "5.8"  # D3 to an equal F#3: 5.827 beats a second


def test_one_string_as_a_list(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "--guitar", "open-d", "--string", "4", "--to", "4", "--string-hz", "4=146.0")
    rows = [
        line.split() for line in out.splitlines() if line.strip()[:1].isdigit() or line.startswith("open")
    ]
    assert [row[0] for row in rows] == ["open", "1", "2", "3", "4"]
    for fret, row in enumerate(rows):
        assert float(row[2]) == pytest.approx(146.0 * 2 ** (fret / 12), abs=6e-4)


def test_a_capo_moves_the_nut_and_the_table(capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(run(capsys, "--guitar", "open-d", "--fret", "2", "--csv"))))
    assert {row["fret"] for row in rows} == {str(fret) for fret in range(2, 20)}
    opened = [row for row in rows if row["open"] == "yes"]
    assert [row["note"] for row in opened] == ["E2", "B2", "E3", "G#3", "B3", "E4"]
    assert all(abs(float(row["cents"])) < 1e-9 for row in opened)


def test_instruments_without_frets_have_places_for_a_slide(capsys: pytest.CaptureFixture[str]) -> None:
    assert "--slides" in run(capsys, "--guitar", "lap-steel-open-d", code=2)
    assert "286.0 mm" in run(capsys, "--guitar", "lap-steel-open-d", "--slides")  # half of 572 mm


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--tonic", "D"), "has no guitar"),
        (("--guitar", "open-d", "--chord", "Q"), "Q"),
        (("--guitar", "open-d", "--drone", "X3"), "X3"),
        (("--guitar", "open-d", "--compensation", "6=7"), "6:12"),
        (("--guitar", "open-d", "--string", "9"), "strings 1 to 6"),
        (("--guitar", "open-d", "--compensation", "6:12=700"), "are these cents"),
        (("--guitar", "open-d", "--compensation", "7:12=7"), "strings 1 to 6"),
        (("--guitar", "open-d", "--string-hz", "3=18.32"), "did you mean 183.2"),
        (("--guitar", "open-d", "--drone", "D3=nan"), "no frequency"),
        (("--guitar", "open-d", "--scale-length", "0", "--slides"), "mm"),
        (("--guitar", "open-d", "--scale-length", "0", "--svg", "neck.svg"), "mm"),
        (("--guitar", "open-d", "--csv", "--chords"), "stands alone"),
        (("--guitar", "open-d", "--chord", "G", "--chord", "A", "--svg", "neck.svg"), "one --chord"),
    ],
)
def test_what_cannot_be_shown(
    arguments: tuple[str, ...], says: str, capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    assert says in run(capsys, *arguments, code=2)
    assert not any(folder.iterdir())
