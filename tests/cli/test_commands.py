"""Commands as scripts and musicians use them: contracts of JSON and file names, round trips, what is printed."""

from __future__ import annotations

import csv
import io
import json
import math
import re
import subprocess
import sys
from pathlib import Path

import pytest
from support import independent
from support.obedient import ObedientSynth

from bridge.cli import main
from bridge.jobs.demo_music import TICKS_PER_QUARTER, demo_tracks
from bridge.store.smf import MidiFile, midi_bytes


def run(capsys: pytest.CaptureFixture[str], *arguments: str) -> str:
    """Run a command that must succeed; return what it printed."""
    with pytest.raises(SystemExit) as left:
        main(arguments)
    out, err = capsys.readouterr()
    assert left.value.code == 0, err
    return out


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    song = midi_bytes(MidiFile(format=1, division=TICKS_PER_QUARTER, tracks=demo_tracks()))
    (tmp_path / "song.mid").write_bytes(song)
    return tmp_path


def table_json(capsys: pytest.CaptureFixture[str], *arguments: str) -> dict:
    return json.loads(run(capsys, "table", *arguments, "--json"))


def test_json_of_a_table_keeps_its_contract(capsys: pytest.CaptureFixture[str]) -> None:
    table = table_json(capsys, "--guitar", "open-d", "--reference", "D3=146.5")
    assert set(table) == {"schema", "home", "tonic", "fret", "reference", "keys", "strings"}
    assert (table["schema"], table["home"], table["tonic"], table["fret"]) == (1, "D", "D", 0)
    assert table["reference"] == {"note": "D3", "hz": 146.5}
    assert len(table["keys"]) == 128
    assert set(table["keys"][0]) == {
        *("key", "note", "hz", "degree", "cents_from_equal"),
        *("ratio", "ratio_to_reference", "ratio_above_tonic"),
    }
    third = table["keys"][54]
    assert (third["note"], third["degree"], third["ratio"]) == ("F#3", "3", "5/4")
    assert third["hz"] == 146.5 * 5 / 4
    assert third["cents_from_equal"] == pytest.approx(1200 * math.log2(146.5 * 1.25 / 440) + 1500)
    assert [string["string"] for string in table["strings"]] == [6, 5, 4, 3, 2, 1]
    # Open D from its fourth string: 1/2 3/4 1/1 5/4 3/2 2/1 (common practice, and derived from the unisons).
    assert [string["ratio"] for string in table["strings"]] == ["1/2", "3/4", "1/1", "5/4", "3/2", "2/1"]


def test_a_table_at_another_tonic_agrees_with_retune_at(capsys: pytest.CaptureFixture[str]) -> None:
    moved = table_json(capsys, "--home", "D", "--tonic", "E", "--reference", "D3=146.5")
    run(
        capsys,
        "retune",
        "song.mid",
        "-o",
        "out.mid",
        "--tonic",
        "D",
        "--reference",
        "D3=146.5",
        "--at",
        "3=E",
        "--method",
        "note",
    )
    synth = ObedientSynth()
    for _, _, _, data in independent.playing_order(independent.read("out.mid")):
        if data[0] not in (0xFF, 0xF7):
            synth.feed(data)
    for key in range(21, 109):
        assert synth.pitch(0, key) == pytest.approx(
            69 + 12 * math.log2(moved["keys"][key]["hz"] / 440), abs=3.1e-5
        )


def test_frets_and_slides_move_everything(capsys: pytest.CaptureFixture[str]) -> None:
    open_, fifth = (table_json(capsys, "--guitar", "open-d", "--fret", fret) for fret in ("0", "5"))
    assert (fifth["tonic"], fifth["fret"]) == ("G", 5)
    assert fifth["keys"][55]["hz"] == pytest.approx(open_["keys"][50]["hz"] * 2 ** (5 / 12), rel=1e-12)
    slid = table_json(capsys, "--guitar", "open-d", "--slide", "4/3")
    assert slid["keys"][55]["hz"] == pytest.approx(open_["keys"][50]["hz"] * 4 / 3, rel=1e-12)


def test_csv_holds_the_same_pitches(capsys: pytest.CaptureFixture[str]) -> None:
    rows = list(csv.DictReader(io.StringIO(run(capsys, "table", "--guitar", "open-g", "--csv"))))
    table = table_json(capsys, "--guitar", "open-g")
    assert [float(row["hz"]) for row in rows] == [key["hz"] for key in table["keys"]]


EXPORTED = ("note.syx", "octave.syx", "dump.syx", "setup.mid", "csv", "json", "table.toml")


def test_export_and_read_go_round_within_half_a_step(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    run(capsys, "export", "--guitar", "open-d", "--reference", "D3=146.5", "-o", "tables", "--no-sheet")
    assert sorted(path.name for path in (folder / "tables").iterdir()) == sorted(
        f"open-d.{end}" for end in EXPORTED
    )
    wanted = [
        key["hz"] for key in table_json(capsys, "--guitar", "open-d", "--reference", "D3=146.5")["keys"]
    ]
    limits = {"note.syx": 0.0031, "dump.syx": 0.0031, "setup.mid": 0.0031, "octave.syx": 0.0062}
    for ending in EXPORTED:
        out = json.loads(run(capsys, "read", f"tables/open-d.{ending}", "--json"))
        for key, hz in enumerate(wanted):
            if hz > 8.1758:  # below, no tuning message reaches
                off = abs(1200 * math.log2(out["keys"][key]["hz"] / hz))
                assert off <= limits.get(ending, 1e-9), (ending, key)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        # 1200 log2(146.3053 / 146.5) = -2.30 cents.
        (["--reference", "D3=146.3053"], "all notes 2.3 cents lower"),
        # From 9/8 to 10/9 is a comma, 81/80: 21.51 cents.
        (["--reference", "D3=146.5", "--degree", "2=10/9"], "E 21.5 cents lower; the others as before"),
        # F#3 is 5/4 of 146.5 Hz, 183.125; 1200 log2(184 / 183.125) = 8.25.
        (["--reference", "D3=146.5", "--pin", "F#3=184"], "F#3 8.3 cents higher; the others as before"),
        # Equal against 9/5, 1017.60, and 5/3, 884.36 cents: the furthest is named, eleven distances are not.
        (
            ["--reference", "D3=146.5", "--scale", "equal"],
            "C 17.6 cents lower; 10 others by up to 15.6 cents",
        ),
        # Both at once: what all have in common is told of all. -5 - (-3.91) cents: D3 = 146.5 Hz is 3.91 below equal.
        (
            ["--reference", "D3-5c", "--degree", "2=10/9"],
            "all notes 1.1 cents lower and besides; E 21.5 cents lower",
        ),
        # In A, the fifth of D: B is 3/2 * 9/8 = 27/16 and not 5/3, G 3/2 * 9/5 / 2 = 27/20 and not 4/3, a comma each;
        # D# is 3/2 * 45/32 / 2 = 135/128 and not 16/15: 2025/2048, 19.55 cents.
        (
            ["--reference", "D3=146.5", "--tonic", "A"],
            "tonic A instead of D; B, G 21.5 cents higher; D# 19.6 cents lower; the others as before",
        ),
        (["--reference", "D3=146.5"], ""),
    ],
)
def test_export_says_what_differs_from_what_it_replaces(
    capsys: pytest.CaptureFixture[str], words: list[str], said: str
) -> None:
    command = ["export", "--guitar", "open-d", "--name", "x", "-o", "t", "--no-sheet", "--overwrite"]
    assert "before" not in run(capsys, *command, "--reference", "D3=146.5")
    lines = [line for line in run(capsys, *command, *words).splitlines() if "here before" in line]
    assert len(lines) == bool(said)
    assert all(said in line for line in lines)


def test_a_move_on_the_edge_of_rounding_is_one_move(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    command = ("export", "--guitar", "open-d", "-o", "t", "--no-sheet", "--overwrite", "--reference")
    run(capsys, *command, "D3-4.65c")
    assert "here before: all notes 0.1 cents higher\n" in run(capsys, *command, "D3-4.6c")


def test_a_sheet_says_how_to_make_it_anew_and_that_works(
    capsys: pytest.CaptureFixture[str], folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """D3 = 146.5 Hz shows -3.9 cents on a tuner; five lower, in whole cents, is -9: 5.1 cents (derived)."""
    run(capsys, "export", "--guitar", "open-d", "--reference", "D3=146.5", "--degree", "2=10/9", "-o", "t")
    html = (folder / "t/open-d.sheet.html").read_text(encoding="utf-8").replace("\N{NO-BREAK SPACE}", " ")
    assert "This holds while a tuner shows -3.9 cents for D3." in html
    (said,) = re.findall(r"in the folder of this sheet: stillbeat ([^<]*?c)\. It says what differs", html)
    monkeypatch.chdir(folder / "t")
    assert "here before: all notes 5.1 cents lower\n" in run(capsys, *said.split())
    assert "This holds while a tuner shows -9.0 cents for D3." in Path("open-d.sheet.html").read_text(
        encoding="utf-8"
    ).replace("\N{NO-BREAK SPACE}", " ")


def test_export_replaces_what_is_no_table(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    (folder / "open-d.table.toml").write_text("{}")
    out = run(capsys, "export", "--guitar", "open-d", "-o", ".", "--no-sheet", "--overwrite")
    assert "here before" not in out


def test_export_writes_a_sheet_where_it_can_be_made(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    run(capsys, "export", "--guitar", "open-d", "--reference", "D3=146.5", "--fret", "2", "-o", "t")
    pdf, html, svg = ((folder / f"t/open-d.sheet.{end}").read_bytes() for end in ("pdf", "html", "svg"))
    assert pdf.startswith(b"%PDF-")
    assert svg.startswith(b"<svg")
    assert "The capo pulls the strings sharp, and unevenly." in html.decode("utf-8")
    # The sheet of a singer and a violinist. With the capo the tonic is E, the violin's A its 4/3: D, a fifth lower, is
    # 16/9 and G 32/27, both a comma (81/80, 21.51 cents) below the scale's 9/5 and 6/5.
    others = (folder / "t/open-d.singer-violin.html").read_text(encoding="utf-8")
    assert (folder / "t/open-d.singer-violin.pdf").read_bytes().startswith(b"%PDF-")
    assert "Open strings: G is 21.5 cents too low, D is 21.5 cents too low." in others.replace(
        "\N{NO-BREAK SPACE}", " "
    )
    code = "import sys; sys.modules['typst'] = None; from bridge.cli import main; main(sys.argv[1:])"
    command = [sys.executable, "-c", code, "export", "--guitar", "open-d", "-o", "without"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60, check=True)
    assert "sheet: left out: sheets need the package typst, which is not installed" in done.stdout
    assert not list((folder / "without").glob("*.sheet.*"))


def test_what_export_writes_sounds_the_table_on_a_synth_on_paper(capsys: pytest.CaptureFixture[str]) -> None:
    run(
        capsys,
        "export",
        "--guitar",
        "open-d",
        "--reference",
        "D3=146.5",
        "-o",
        "t",
        "--program",
        "5",
        "--bank",
        "2",
    )
    synth = ObedientSynth()
    for _, _, _, data in independent.playing_order(independent.read("t/open-d.setup.mid")):
        if data[0] != 0xFF:
            synth.feed(data)
    assert synth.selected[0] == (2, 5)
    assert 9 not in synth.selected  # drums stay out
    assert synth.pitch(3, 54) == pytest.approx(69 + 12 * math.log2(183.125 / 440), abs=3.1e-5)
    out = json.loads(run(capsys, "read", "t/open-d.dump.syx", "--program", "5", "--json"))
    assert out["keys"][54]["hz"] == pytest.approx(183.125, rel=2e-6)


def test_read_keeps_a_found_table_as_a_description(capsys: pytest.CaptureFixture[str]) -> None:
    run(capsys, "export", "--guitar", "open-g", "-o", "t")
    run(capsys, "read", "t/open-g.dump.syx", "-o", "found.table.toml")
    first = table_json(capsys, "found.table.toml")
    second = json.loads(run(capsys, "read", "t/open-g.dump.syx", "--json"))
    assert [key["hz"] for key in first["keys"]] == [key["hz"] for key in second["keys"]]


def test_a_dump_whose_sum_does_not_fit_is_read_with_a_note(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    """The sum stands before the last byte of a bulk dump (MIDI Tuning, universal SysEx 7E .. 08 01)."""
    run(capsys, "export", "--guitar", "open-g", "-o", "t")
    data = bytearray((folder / "t/open-g.dump.syx").read_bytes())
    data[-2] ^= 1
    (folder / "hurt.syx").write_bytes(data)
    for name, damaged in (("t/open-g.dump.syx", False), ("hurt.syx", True)):
        with pytest.raises(SystemExit) as left:
            main(["read", name])
        assert left.value.code == 0
        assert ("a dump's own sum does not fit" in capsys.readouterr().err) == damaged


def test_an_octave_form_that_cannot_hold_the_table_is_left_out_with_the_reason(
    capsys: pytest.CaptureFixture[str], folder: Path
) -> None:
    out = run(capsys, "export", "--guitar", "open-d", "--pin", "F#3=185", "-o", "t")
    assert ".octave.syx: left out: the table does not repeat at the octave" in out
    assert not (folder / "t" / "open-d.octave.syx").exists()


def test_retune_says_what_it_did(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(
        capsys, "retune", "song.mid", "-o", "out.mid", "--guitar", "open-g", "--synth", "timidity",
        "--at", "5=,2=10/9", "--at", "7=A", "--at", "9=fret:5",
    )  # fmt: skip
    assert "method note (the first choice of TiMidity++)" in out
    assert "bar 5: 2=10/9" in out
    # A takes its pitch from home (9/8 of G); its seventh, G, then lies a comma (81/80, 21.5 cents) above home's.
    assert "bar 7: tonic A; against home, reference, string 3 (G3) +21.5 cents" in out
    assert "bar 9: fret 5" in out


def test_key_signatures_are_followed_and_doubted(capsys: pytest.CaptureFixture[str], folder: Path) -> None:
    def signed(*signatures: tuple[int, bytes]) -> bytes:
        track = [(tick, b"\xff\x59" + payload) for tick, payload in signatures]
        track += [(0, b"\x90\x3c\x50"), (9600, b"\x80\x3c\x00"), (9600, b"\xff\x2f")]
        return midi_bytes(
            MidiFile(format=0, division=480, tracks=[sorted(track, key=lambda event: event[0])])
        )

    (folder / "keys.mid").write_bytes(signed((1920, b"\x02\x00"), (3840, b"\x00\x01"), (5760, b"\xfe\xff")))
    out = run(capsys, "retune", "keys.mid", "-o", "a.mid", "--tonic", "G", "--follow-key-signatures")
    assert "bar 2: key signature D major: tonic D" in out
    assert "bar 3: key signature A minor: tonic A" in out  # minor signatures give the minor tonic
    assert "bar 4: key signature Bb major or minor, not followed" in out  # mode byte 255
    assert "--at 4=Bb" in out
    (folder / "default.mid").write_bytes(signed((0, b"\x00\x00")))
    out = run(capsys, "retune", "default.mid", "-o", "b.mid", "--tonic", "G", "--follow-key-signatures")
    assert "not followed" in out
    (folder / "none.mid").write_bytes(signed())
    with pytest.raises(SystemExit):
        main(("retune", "none.mid", "-o", "c.mid", "--tonic", "G", "--follow-key-signatures"))
    assert "the file has no key signatures" in capsys.readouterr().err


def test_lists_name_their_sources(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "tables", "--sources")
    for name in ("five-limit", "open-d", "fluidsynth"):
        assert name in out
    assert "Ellis" in out
    assert "common practice" in out
    assert "measured" in out.lower()


def test_beats_of_the_rules_of_thumb(capsys: pytest.CaptureFixture[str]) -> None:
    # Equal temperament at A440: A2 against D3 beats 0.497 times a second, F#3 against D3 5.827 (derived).
    out = run(capsys, "beats", "D3", "F#3", "--guitar", "open-d", "--reference", "D3")
    assert "5.827" in out
    out = run(capsys, "beats", "A2", "D3", "--guitar", "open-d", "--reference", "D3")
    assert "0.497" in out


def test_chords_show_the_sour_second_degree_and_its_cure(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "table", "--tonic", "D", "--chords")
    line = next(line for line in out.splitlines() if line.startswith("ii ") and " Em " in line)
    assert "sour" in line
    assert "-21.5" in line
    assert "2=10/9 (costs V)" in line
    assert "sour: a fifth or a fourth more than 7 cents off" in out, "the word is explained where it stands"
    assert len(out.splitlines()) <= 35, "what a lesson needs fits on a screen"
    assert "Dmaj7" not in out
    assert "Dmaj7" in run(capsys, "table", "--tonic", "D", "--chords", "--all")


def test_chords_that_are_named(capsys: pytest.CaptureFixture[str]) -> None:
    out = run(capsys, "table", "--tonic", "D", "--chord", "ii", "--chord", "V7", "--chord", "Dadd9")
    rows = [line.split()[1] for line in out.splitlines() if line.startswith(("ii ", "V7 ", "Iadd9 "))]
    assert rows == ["Em", "A7", "Dadd9"]
    assert "A C# E G" in out


def test_a_far_reference_asks_whether_the_note_was_meant(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["table", "--tonic", "D", "--reference", "D3=165"])
    out, err = capsys.readouterr()
    assert left.value.code == 0
    assert "D3" in out
    assert "E3" in err
