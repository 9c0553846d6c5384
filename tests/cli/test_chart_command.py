"""``stillbeat chart``, and charts as input: names of chords, what is off, cures, CSV, JSON.

Expected: chords of our own pieces (`harmony.scores`), and ratios: in the five-limit scale the fifth above the degree 2
is 40/27, a comma of 21.5 cents narrow, and 2=10/9 cures it.
"""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from pathlib import Path

import pytest
from jobs.test_follow_harmony import write_piece
from support import synths, written

from bridge.cli import main

COLUMNS = ["bar", "beat", "chord", "sounds", "cents_off", "beats_hz", "reason", "cure"]
COMMA = 1200 * math.log2(81 / 80)


def run(capsys: pytest.CaptureFixture[str], *arguments: str, code: int = 0) -> str:
    with pytest.raises(SystemExit) as left:
        main(arguments)
    out, err = capsys.readouterr()
    assert left.value.code == code, err
    return err if code else out


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    write_piece(tmp_path, "pump")
    return tmp_path


def rows(text: str) -> list[dict[str, str]]:
    reader = csv.DictReader(io.StringIO(text))
    assert reader.fieldnames == COLUMNS
    return list(reader)


def test_chords_what_is_off_and_the_cure(capsys: pytest.CaptureFixture[str]) -> None:
    found = rows(run(capsys, "chart", "pump.mid", "--tonic", "C", "--csv"))
    assert [(row["bar"], row["beat"], row["chord"]) for row in found] == [
        ("1", "1.0", "C"),
        ("2", "1.0", "Am"),
        ("3", "1.0", "Dm"),
        ("4", "1.0", "G"),
        ("5", "1.0", "C"),
    ]
    assert found[2]["sounds"] == "D F A"
    assert float(found[2]["cents_off"]) == pytest.approx(-COMMA, abs=1e-3)
    assert found[2]["cure"] == "--at 3=,2=10/9 --at 4=,2=9/8"
    assert [row["cure"] for row in found if row["bar"] != "3"] == [""] * 4
    # The cure is one: pasted, it leaves nothing off.
    cured = rows(run(capsys, "chart", "pump.mid", "--tonic", "C", "--csv", *found[2]["cure"].split()))
    assert {row["cents_off"] for row in cured} == {"0.0"}
    followed = rows(run(capsys, "chart", "pump.mid", "--tonic", "C", "--csv", "--follow-harmony"))
    assert {row["cents_off"] for row in followed} == {"0.0"}
    printed = run(capsys, "chart", "pump.mid", "--tonic", "C")
    assert "--at 3=,2=10/9" in printed
    assert "--follow-harmony makes it 100 %" in printed


def test_json(capsys: pytest.CaptureFixture[str]) -> None:
    data = json.loads(run(capsys, "chart", "pump.mid", "--tonic", "C", "--json"))
    (piece,) = data["pieces"]
    assert [row["chord"] for row in piece["chords"]] == ["C", "Am", "Dm", "G", "C"]
    assert set(COLUMNS) <= set(piece["chords"][0])
    assert piece["tonic"] == {"name": "C", "mode": "major", "sure": True}


# Bars that want 2 at 10/9 (ii), others that want it at 9/8 (V): apart, next to each other, and with flats between.
APART = ((60, 64, 67), (62, 65, 69), (59, 62, 67), (60, 64, 67), (62, 65, 69), (60, 64, 67))
NEXT = ((60, 64, 67), (62, 65, 69), (58, 62, 65), (59, 62, 67), (60, 64, 67), (53, 57, 62))
FLATS = ((60, 64, 67), (58, 62, 65), (62, 65, 69), (55, 58, 62), (60, 63, 67), (62, 66, 69), (60, 64, 67))


@pytest.mark.parametrize("chords", [APART, NEXT, FLATS], ids=["apart", "next", "flats"])
@pytest.mark.parametrize("late_s", [0.0, 1.0], ids=["on-the-bar", "held-over"])
def test_all_cures_together_make_what_is_said(
    capsys: pytest.CaptureFixture[str], folder: Path, chords: tuple[tuple[int, ...], ...], late_s: float
) -> None:
    # A middle voice that is struck late lasts into the next bar.
    events = []
    for bar, keys in enumerate(chords):
        for place, key in enumerate(keys):
            late = late_s if place == 1 else 0.0
            events.append((2.0 * bar + late, 1, bytes((0x90, key, 80))))
            events.append((2.0 * bar + late + 2.0, 0, bytes((0x80, key, 80))))
    synths.write_midi(folder / "song.mid", [(time, data) for time, _, data in sorted(events)])

    def shares(*more: str) -> tuple[float, list[float]]:
        """Return the share of the written file, and of each of its bars, by a separate reading."""
        run(
            capsys,
            "retune",
            "song.mid",
            "-o",
            "o.mid",
            "--tonic",
            "C",
            "--method",
            "note",
            "--overwrite",
            *more,
        )
        notes = written.sounding(folder / "o.mid")
        bars = []
        for bar in range(len(chords)):
            inside = [
                replace(note, start_s=max(note.start_s, 2.0 * bar), end_s=min(note.end_s, 2.0 * bar + 2.0))
                for note in notes
                if note.start_s < 2.0 * bar + 1.95 and note.end_s > 2.0 * bar + 0.05
            ]
            bars.append(written.share(inside))
        return written.share(notes), bars

    (piece,) = json.loads(run(capsys, "chart", "song.mid", "--tonic", "C", "--json"))["pieces"]
    alone = {row["bar"]: row["cure"] for row in piece["chords"] if row["cure"]}
    line, said = piece["cure"], piece["share_if_cured"]
    before, together = shares()[0], shares(*line.split())
    assert together[0] == pytest.approx(said, abs=1e-3)
    assert said > before
    assert len(alone) > 1
    for bar, cure in alone.items():
        assert together[1][bar - 1] >= shares(*cure.split())[1][bar - 1] - 1e-3, (bar, cure, line)
    printed = run(capsys, "chart", "song.mid", "--tonic", "C")
    assert f"all of them together: {line} makes it {100 * said:.0f} %" in " ".join(printed.split())
    assert "the cure of a bar is for that bar alone" in printed


def test_a_chart_as_text_or_file_without_a_track(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    text = "| C | Am | Dm | G |"
    (folder / "song.txt").write_text("[Verse]\n" + text + "\n")
    for source in (text, "song.txt", "C\nAm\nDm\nG"):
        found = rows(run(capsys, "chart", source, "--tonic", "C", "--csv"))
        assert [row["chord"] for row in found] == ["C", "Am", "Dm", "G"]
        assert float(found[2]["cents_off"]) == pytest.approx(-COMMA, abs=1e-3)


def test_a_chart_counts_for_what_is_heard(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    found = rows(run(capsys, "chart", "pump.mid", "--tonic", "C", "--csv", "--chart", "| C | Am7 | F6 | G |"))
    assert [row["chord"] for row in found] == ["C", "Am7", "F6", "G", "C"]  # the last bar as it is heard
    arguments = ("retune", "pump.mid", "-o", "o.mid", "--tonic", "C", "--follow-harmony", "--report")
    out = run(capsys, *arguments, "--chart", "| C | Am7 | F6 | G |")
    assert "under F6" in out
    assert written.share(written.sounding(folder / "o.mid")) == 1.0


def test_what_is_no_chart(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "bad.txt").write_text("| C | Xm |\n")
    long = "|: C :|x9"
    for arguments, code, says in (
        (("chart", "| C | Xm |", "--tonic", "C"), 2, "line 1: 'Xm' is no chord"),
        (("chart", "bad.txt", "--tonic", "C"), 3, "bad.txt: chart, line 1"),
        (("chart", "nothing.mid", "--tonic", "C"), 3, "no file nothing.mid"),
        (("chart", "Xyz", "--tonic", "C"), 2, "neither a file nor a chart"),
        (("chart", "| C |", "--tonic", "C", "--at", "2=D"), 2, "MIDI file"),
        (("chart", "| C |", "--tonic", "C", "--chart", "| D |"), 2, "one of them"),
        (("chart", "pump.mid", "--tonic", "C", "--chart", long), 2, "9 bars, the piece 5"),
        (("retune", "pump.mid", "-o", "x.mid", "--tonic", "C", "--moves", "few"), 2, "add --follow-harmony"),
        (("chart", "pump.mid", "--tonic", "C", "--natural-sevenths"), 2, "add --follow-harmony"),
    ):
        assert says in run(capsys, *arguments, code=code), arguments


def test_the_report_leads_with_the_music_in_words_and_json(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    arguments = ("retune", "pump.mid", "-o", "o.mid", "--tonic", "C", "--method", "note", "--overwrite")
    out = run(capsys, *arguments, "--report", "--report-json", "r.json").splitlines()
    assert out[0] == "84 % of the held thirds, fourths, fifths and sixths are pure"  # see harmony.test_pieces
    assert out[1].endswith("--follow-harmony makes it 100 %")
    # D-F and D-A are both a comma narrow under ii.
    assert out[2].startswith("bar 3: Dm, its ")
    assert out[2].endswith("21.5 cents narrow")
    music = json.loads((folder / "r.json").read_text())["music"]
    assert round(100 * music["share"]) == 84
    assert [row["chord"] for row in music["chords"]] == ["C", "Am", "Dm", "G", "C"]
    # All that is off is off by the comma 81/80; no chord has a second, seventh or tritone.
    assert music["rms_cents"] == pytest.approx(21.506 * (1 - music["share"]) ** 0.5, abs=0.01)
    assert music["worst_beats_hz"] == pytest.approx(
        max(row["beats_hz"] for row in music["chords"]), abs=0.001
    )
    assert out[3] == "all together are 8.6 cents off (root mean square); the worst beats 5.5 times a second"
    assert music["others"] == {"share": 1.0, "rms_cents": 0.0}
    assert len(run(capsys, *arguments).splitlines()) == 5  # two lines about the music, method, notes, file
    equal = run(capsys, *arguments, "--equal")
    assert (
        "0 % of the held" in equal
    )  # no third, fourth, fifth or sixth of equal temperament is within a cent


def test_guitar_and_track_far_apart_are_pointed_out(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # F lies three fifths from D (F C G D), B flat four; G and B minor are near (B minor has the notes of D).
    for chart, far in (
        ("| F | Bb | C7 | F |", "the track is in F major, the guitar's tonic is D"),
        ("| Eb | Ab | Bb7 | Eb |", "the track is in Eb major"),
        ("| G | C | D7 | G |", ""),
        ("| Bm | Em | F#7 | Bm |", ""),
    ):
        with pytest.raises(SystemExit):
            main(["chart", chart, "--guitar", "open-d"])
        err = capsys.readouterr().err
        assert (far in err) if far else ("the track is in" not in err), (chart, err)


def test_a_cure_that_moves_the_fifth_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    """Ab is held from Ab (4/3 of Eb) into Bb7, whose pure form then needs Bb, D and F a comma lower: 5 at 40/27."""
    printed = run(capsys, "chart", "| Eb | Ab | Bb7 | Eb |", "--tonic", "Eb")
    assert "5=40/27" in printed
    assert "bar 3: the cure moves the fifth of the scale" in printed
    # In open D minor A is an open string: C rises in its place, and nothing steady moves.
    other = run(capsys, "chart", "| Dm | A7 | Dm |", "--guitar", "open-d-minor")
    assert "4=27/20" in other
    assert "the cure moves" not in other
