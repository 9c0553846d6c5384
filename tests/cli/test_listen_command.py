"""``stillbeat listen``, ``--reference-from`` and ``--as-tuned``: synthetic strings in, figures for a player out."""

from __future__ import annotations

import json
import math
import os
import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from support import takes
from support.plucks import noisy

from bridge.cli import main

D3 = 146.5
STRINGS = takes.open_d(D3)


def run(capsys: pytest.CaptureFixture[str], *arguments: str | Path, code: int = 0) -> tuple[str, str]:
    """Run a command; return what it printed, and its line on stderr."""
    with pytest.raises(SystemExit) as left:
        main([str(argument) for argument in arguments])
    out, err = capsys.readouterr()
    assert left.value.code == code, err
    return out, " ".join(err.split())


def cents(hz: float, from_hz: float) -> float:
    return 1200 * math.log2(hz / from_hz)


@pytest.fixture(scope="module")
def guitar_take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Six open strings of a guitar in open D, a little off, from the sixth to the first."""
    folder = tmp_path_factory.mktemp("takes")
    return takes.write(folder / "take.wav", takes.take([STRINGS[number] for number in (6, 5, 4, 3, 2, 1)]))


@pytest.fixture(scope="module")
def d3_take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The fourth string alone."""
    return takes.write(tmp_path_factory.mktemp("takes") / "d3.flac", takes.take([D3]))


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Fourth and third string at once."""
    return takes.write(tmp_path_factory.mktemp("takes") / "both.wav", takes.together(STRINGS[4], STRINGS[3]))


@pytest.mark.slow
def test_json_holds_what_the_contract_promises(capsys: pytest.CaptureFixture[str], guitar_take: Path) -> None:
    out, err = run(capsys, "listen", guitar_take, "--guitar", "open-d", "--reference", "D3=146.5", "--json")
    assert err == ""
    data = json.loads(out)
    assert data["schema"] == 1
    assert [note["string"] for note in data["notes"]] == [6, 5, 4, 3, 2, 1]
    assert [note["note"] for note in data["notes"]] == ["D2", "A2", "D3", "F#3", "A3", "D4"]
    for number, note in zip((6, 5, 4, 3, 2, 1), data["notes"], strict=True):
        assert set(note) == {
            *("start_s", "end_s", "hz", "cents_sd", "note", "string"),
            *("cents_from_table", "stiffness", "attack_hz"),
        }
        assert abs(cents(note["hz"], STRINGS[number])) < 0.2
        # The table is five-limit on D3: every open string of open D is one of its pure notes.
        assert note["cents_from_table"] == pytest.approx(takes.OFF_CENTS[number], abs=0.2)
        assert note["stiffness"] == pytest.approx(takes.STIFFNESS, abs=5e-5)
        assert note["start_s"] == pytest.approx(0.2 + 1.2 * (6 - number), abs=0.02)
        assert 0 < note["cents_sd"] < 0.5


def test_without_guitar_and_table_these_are_null(capsys: pytest.CaptureFixture[str], d3_take: Path) -> None:
    (note,) = json.loads(run(capsys, "listen", d3_take, "--json")[0])["notes"]
    assert note["string"] is None
    assert note["cents_from_table"] is None
    assert abs(cents(note["hz"], D3)) < 0.05


def test_with_a_table_but_no_guitar_the_string_alone_is_null(
    capsys: pytest.CaptureFixture[str], d3_take: Path
) -> None:
    arguments = ("listen", d3_take, "--tonic", "D", "--reference", "D3=146", "--json")
    (note,) = json.loads(run(capsys, *arguments)[0])["notes"]
    assert note["string"] is None
    assert note["cents_from_table"] == pytest.approx(cents(D3, 146.0), abs=0.05)


@pytest.mark.slow
def test_a_page_for_the_player(capsys: pytest.CaptureFixture[str], guitar_take: Path) -> None:
    out, _ = run(capsys, "listen", guitar_take, "--guitar", "open-d", "--reference", "D3=146.5")
    assert max(map(len, out.splitlines())) <= 80
    line = next(line for line in out.splitlines() if "F#3" in line)
    assert line.split()[1:4] == ["3", "F#3", "183.602"]
    assert "+4.5" in line


def test_with_a_capo_strings_are_known_as_they_sound(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    hz = D3 * 2 ** (2 / 12)
    path = takes.write(tmp_path / "capo.wav", takes.take([hz]))
    arguments = ("listen", path, "--guitar", "open-d", "--reference", "D3=146.5", "--fret", "2", "--json")
    (note,) = json.loads(run(capsys, *arguments)[0])["notes"]
    assert (note["string"], note["note"]) == (4, "E3")
    assert note["cents_from_table"] == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize(
    ("sound", "reason"),
    [
        (np.zeros(takes.RATE), "nothing to hear"),
        (0.1 * np.random.default_rng(1).standard_normal(2 * takes.RATE), "out of the noise"),
        (takes.take([D3])[: takes.RATE // 5 + 1300], "too short"),
        (np.clip(5 * takes.take([D3]), -1, 1), "clipped"),
    ],
    ids=["silence", "noise", "short", "clipped"],
)
def test_what_cannot_be_measured_is_refused_with_the_reason(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, sound: np.ndarray, reason: str
) -> None:
    path = takes.write(tmp_path / "bad.wav", sound)
    out, err = run(capsys, "listen", path, "--json", code=3)
    assert out == ""
    assert reason in err


def test_two_strings_at_once_are_refused_as_a_note(capsys: pytest.CaptureFixture[str], both: Path) -> None:
    assert "pluck one at a time" in run(capsys, "listen", both, code=3)[1]


@pytest.mark.parametrize(
    ("named", "turned"), [(("4,3", "--guitar", "open-d"), "string 3 (F#3)"), (("D3,F#3",), "F#3")]
)
def test_beats_of_two_strings_together(
    capsys: pytest.CaptureFixture[str], both: Path, named: tuple[str, ...], turned: str
) -> None:
    out, _ = run(capsys, "listen", both, "--together", *named)
    pair = next(line for line in out.splitlines() if line.startswith("5 and 4"))

    # Partial n of a stiff string: n f0 sqrt(1 + B n²) (Fletcher 1964), both strings of the same B.
    def partial(hz: float, n: int) -> float:
        return n * hz * math.sqrt((1 + takes.STIFFNESS * n * n) / (1 + takes.STIFFNESS))

    rate_hz = partial(STRINGS[3], 4) - partial(STRINGS[4], 5)
    assert float(pair.split()[4]) == pytest.approx(rate_hz, abs=0.03)
    assert f"slacken {turned}: down {1200 / math.log(2) * rate_hz / partial(STRINGS[3], 4):.1f} cents" in out


def test_together_says_what_it_needs(capsys: pytest.CaptureFixture[str], both: Path) -> None:
    assert "--guitar open-d" in run(capsys, "listen", both, "--together", "4,3", code=2)[1]
    assert "name two" in run(capsys, "listen", both, "--together", "4", code=2)[1]
    assert "two different" in run(capsys, "listen", both, "--together", "D3,D3", code=2)[1]
    wrong = run(capsys, "listen", both, "--together", "4,9", "--guitar", "open-d", code=2)[1]
    assert "6" in wrong
    assert "no partials in common" in run(capsys, "listen", both, "--together", "D3,Eb3", code=3)[1]


def test_usage(capsys: pytest.CaptureFixture[str], d3_take: Path, tmp_path: Path) -> None:
    assert "--mic" in run(capsys, "listen", code=2)[1]
    assert "not both" in run(capsys, "listen", d3_take, "--mic", code=2)[1]
    assert "no such file" in run(capsys, "listen", tmp_path / "none.wav", code=3)[1]
    (tmp_path / "text.wav").write_text("no sound")
    assert "cannot be read as sound" in run(capsys, "listen", tmp_path / "text.wav", code=3)[1]


def open_d_in(tmp_path: Path, semitones: tuple[float, ...], numbers: tuple[int, ...]) -> Path:
    """Strings of open D, each so many semitones from where it belongs."""
    strings = takes.open_d(D3, {})
    hz = [strings[number] * 2 ** (off / 12) for number, off in zip(numbers, semitones, strict=True)]
    return takes.write(tmp_path / "take.wav", takes.take(hz))


OPEN_D = ("--guitar", "open-d", "--reference", "D3=146.5")


def test_strings_of_standard_tuning_are_said_to_be_a_tone_off(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    # Standard tuning is E A D G B E (common practice); open D is D A D F# A D.
    path = open_d_in(tmp_path, (2, 0, 0, 1, 2, 2), (6, 5, 4, 3, 2, 1))
    text = " ".join(run(capsys, "listen", path, *OPEN_D)[0].split())
    assert text.count("where it belongs") == 3
    for number, note, where in ((6, "E2", "D2"), (2, "B3", "A3"), (1, "E4", "D4")):
        assert re.search(
            rf"{note} at [\d.]+ s: if this is string {number}, it sounds (19\d|20\d) cents \(a tone\) above {where}",
            text,
        )


def test_strings_plucked_in_order_are_known_however_far_off_they_are(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    # Three semitones down, the third string is nearer to the fourth's note: the order tells which is which.
    path = open_d_in(tmp_path, (0, 0, 0, -3, 0, 0), (6, 5, 4, 3, 2, 1))
    text = " ".join(run(capsys, "listen", path, *OPEN_D)[0].split())
    assert text.count("where it belongs") == 1
    assert "if this is string 3, it sounds 300 cents (3 semitones) below F#3" in text
    assert "tighten it slowly, it may break" in text


@pytest.mark.slow
def test_in_tune_and_in_a_melody_nothing_of_the_kind_is_said(
    capsys: pytest.CaptureFixture[str], guitar_take: Path, tmp_path: Path
) -> None:
    assert "where it belongs" not in run(capsys, "listen", guitar_take, *OPEN_D)[0]
    melody = takes.write(
        tmp_path / "melody.wav", takes.take([D3 * 2 ** (k / 12) for k in (0, 2, 4, 5, 7, 9, 11, 12)])
    )
    assert "where it belongs" not in run(capsys, "listen", melody, *OPEN_D)[0]


# --- the reference from a take


def plucks(tmp_path: Path, *turns: tuple[float, float, float]) -> Path:
    """D3 plucked and damped, again and again: cents, decibels, seconds."""
    rng = np.random.default_rng(8)
    parts = []
    for off_cents, level_db, seconds in turns:
        sound = takes.pluck(D3 * 2 ** (off_cents / 1200), seconds, rng, decay_s=0.5)
        parts.append(10 ** (level_db / 20) * sound * np.linspace(1, 0.1, sound.size))
    return takes.write(tmp_path / "plucks.wav", noisy(np.concatenate(parts), 60, rng))


FROM = ("table", "--guitar", "open-d", "--json", "--reference-from")


def test_the_last_of_plucks_that_agree_is_the_reference(
    capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    out, err = run(capsys, *FROM, plucks(tmp_path, (0, 0, 1.5), (2.5, 0, 1.5)))
    assert err == ""
    assert cents(json.loads(out)["reference"]["hz"], D3) == pytest.approx(2.5, abs=0.2)


def test_plucks_that_disagree_are_a_question(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = plucks(tmp_path, (0, 0, 1.5), (-8, 0, 1.5))
    for arguments in (FROM, ("table", "--guitar", "open-d", "--as-tuned")):
        out, err = run(capsys, *arguments, path, code=3)
        assert out == ""
        assert re.search(
            r"string 4 \(D3\) is heard [78]\.\d cents apart: 146\.5\d Hz at 0\.0 s, 145\.8\d Hz", err
        )
        assert "which holds?" in err


def test_a_soft_tail_is_not_counted_and_said(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out, err = run(capsys, *FROM, plucks(tmp_path, (0, 0, 2.0), (-10, -27, 2.0)))
    assert cents(json.loads(out)["reference"]["hz"], D3) == pytest.approx(0.0, abs=0.3)
    assert re.search(r"the sound at 2\.0 s \(-1?\d\.\d cents, 2\d dB softer\) was not counted", err)


def test_a_pluck_cut_by_the_end_is_said(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    out, err = run(capsys, *FROM, plucks(tmp_path, (0, 0, 2.0), (0, 0, 0.09)))
    assert cents(json.loads(out)["reference"]["hz"], D3) == pytest.approx(0.0, abs=0.3)
    assert "the pluck at 2.0 s was cut by the end and not counted" in err


def test_a_keyboard_note_is_said(capsys: pytest.CaptureFixture[str], tmp_path: Path) -> None:
    path = takes.write(tmp_path / "take.wav", takes.take([D3, 4 * D3]))
    out, err = run(capsys, *FROM, path)
    assert cents(json.loads(out)["reference"]["hz"], D3) == pytest.approx(0.0, abs=0.3)
    assert "also heard, and no string: D5" in err


def reference_of(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> dict[str, float]:
    data = json.loads(run(capsys, "table", "--json", *arguments)[0])
    return {data["reference"]["note"]: data["reference"]["hz"]}


@pytest.mark.parametrize("description", [("--guitar", "open-d"), ("--tonic", "D"), ("just-d",)])
def test_the_reference_is_heard(
    capsys: pytest.CaptureFixture[str], d3_take: Path, tmp_path: Path, description: tuple[str, ...]
) -> None:
    if description == ("just-d",):
        path = tmp_path / "just-d.table.toml"
        run(capsys, "export", "--guitar", "open-d", "-o", tmp_path)
        path = next(tmp_path.glob("*.table.toml"))
        description = (str(path),)
    assert reference_of(capsys, *description, "--reference-from", d3_take) == {
        "D3": pytest.approx(D3, rel=0.05 * math.log(2) / 1200)
    }


@pytest.mark.slow
def test_of_many_strings_the_reference_string_is_taken(
    capsys: pytest.CaptureFixture[str], guitar_take: Path
) -> None:
    near = 0.1 * math.log(2) / 1200
    heard = reference_of(capsys, "--guitar", "open-d", "--reference-from", guitar_take)
    assert heard == {"D3": pytest.approx(D3, rel=near)}
    named = reference_of(capsys, "--tonic", "D", "--reference", "F#3", "--reference-from", guitar_take)
    assert named == {"F#3": pytest.approx(STRINGS[3], rel=near)}


@pytest.mark.slow
def test_a_reference_that_is_not_in_the_take(capsys: pytest.CaptureFixture[str], guitar_take: Path) -> None:
    table = ("table", "--reference-from", guitar_take, "--tonic", "D")
    assert "holds several notes: D2, A2, D3" in run(capsys, *table, code=3)[1]
    assert "holds no E3" in run(capsys, *table, "--reference", "E3", code=3)[1]


def test_with_a_capo_the_reference_string_is_heard_as_it_sounds(
    capsys: pytest.CaptureFixture[str], tmp_path: Path, d3_take: Path
) -> None:
    # A capo at fret 2 that pulls the string 6 cents sharp.
    hz = D3 * 2 ** (2 / 12 + 6 / 1200)
    path = takes.write(tmp_path / "capo.wav", takes.take([hz]))
    strings = ("strings", "--guitar", "open-d", "--reference", "D3=146.5", "--capo", "2")
    out, _ = run(capsys, *strings, "--sounding-from", path)
    found = re.search(r"E3 = ([\d.]+) Hz", out)
    assert found is not None
    assert abs(cents(float(found[1]), hz)) < 0.05
    both = (*strings, "--sounding-from", path, "--sounding", "165")
    assert "give one" in run(capsys, *both, code=2)[1]
    wrong = run(capsys, "strings", "--guitar", "open-g", "--sounding-from", d3_take, code=3)[1]
    assert "string 3 (G3) is not among the notes heard" in wrong


# --- a table as tuned


def test_a_table_as_tuned_follows_the_strings(capsys: pytest.CaptureFixture[str], guitar_take: Path) -> None:
    data = json.loads(run(capsys, "table", "--guitar", "open-d", "--as-tuned", guitar_take, "--json")[0])
    hz = {key["note"]: key["hz"] for key in data["keys"]}
    near = pytest.approx(0.0, abs=0.2)
    # Measured strings are literal.
    for number, note in {6: "D2", 5: "A2", 4: "D3", 3: "F#3", 2: "A3", 1: "D4"}.items():
        assert cents(hz[note], STRINGS[number]) == near
    # Other octaves follow the nearest measured string, on a tie the lower.
    assert cents(hz["D5"], 2 * STRINGS[1]) == near
    assert cents(hz["F#2"], STRINGS[3] / 2) == near
    # Other classes come from the scale round the fitted reference, which lies within the strings' own scatter.
    fitted_cents = cents(data["reference"]["hz"], D3)
    assert -1.0 < fitted_cents < 1.5
    assert cents(hz["G3"], data["reference"]["hz"] * 4 / 3) == pytest.approx(0.0, abs=1e-6)
    assert [string["cents_from_table"] for string in data["strings"]] == pytest.approx([0.0] * 6, abs=1e-6)
    assert all(abs(cents(s["hz"], STRINGS[s["string"]])) < 0.2 for s in data["strings"])


def test_a_table_as_tuned_tells_what_beats(capsys: pytest.CaptureFixture[str], guitar_take: Path) -> None:
    out, _ = run(capsys, "table", "--guitar", "open-d", "--as-tuned", guitar_take)
    assert max(len(line.rstrip()) for line in out.splitlines()) <= 80
    third = next(line for line in out.splitlines() if line.startswith("3 at 1/4 = 4 at 1/5"))
    # Ideal strings: 4 · f3 against 5 · f4.
    assert float(third.split()[7]) == pytest.approx(4 * STRINGS[3] - 5 * STRINGS[4], abs=0.05)
    assert "string 3 down 4.5 cents" in third
    assert "stands apart" in next(line for line in out.splitlines() if line.startswith("3        F#3"))


def test_a_string_that_was_not_heard_is_named(capsys: pytest.CaptureFixture[str], d3_take: Path) -> None:
    text = " ".join(run(capsys, "table", "--guitar", "open-d", "--as-tuned", d3_take)[0].split())
    assert "not heard: string 6, 5, 3, 2, 1; its note follows the scale" in text
    assert "What still beats" not in text  # there is nothing to beat against


@pytest.mark.slow
def test_with_a_capo_the_strings_as_tuned_move(capsys: pytest.CaptureFixture[str], guitar_take: Path) -> None:
    arguments = ("table", "--guitar", "open-d", "--as-tuned", guitar_take, "--fret", "2", "--json")
    data = json.loads(run(capsys, *arguments)[0])
    strings = {string["string"]: string["hz"] for string in data["strings"]}
    assert cents(strings[3], STRINGS[3] * 2 ** (2 / 12)) == pytest.approx(0.0, abs=0.2)
    hz = {key["note"]: key["hz"] for key in data["keys"]}
    assert hz["G#3"] == pytest.approx(strings[3], rel=1e-9)


@pytest.mark.slow
def test_frets_follow_the_strings_as_tuned(capsys: pytest.CaptureFixture[str], guitar_take: Path) -> None:
    arguments = ("frets", "--guitar", "open-d", "--as-tuned", guitar_take, "--fret", "2", "--csv")
    rows = [line.split(",") for line in run(capsys, *arguments)[0].splitlines()[1:]]
    heard = {(int(row[0]), int(row[1])): float(row[3]) for row in rows}
    assert cents(heard[3, 2], STRINGS[3] * 2 ** (2 / 12)) == pytest.approx(0.0, abs=0.2)
    assert cents(heard[3, 7], STRINGS[3] * 2 ** (7 / 12)) == pytest.approx(0.0, abs=0.2)


@pytest.mark.slow
def test_export_takes_a_table_as_tuned_along(
    capsys: pytest.CaptureFixture[str], guitar_take: Path, tmp_path: Path
) -> None:
    run(capsys, "export", "--guitar", "open-d", "--as-tuned", guitar_take, "-o", tmp_path)
    path = next(tmp_path.glob("*.table.toml"))
    again = json.loads(run(capsys, "table", path, "--json")[0])
    straight = json.loads(run(capsys, "table", "--guitar", "open-d", "--as-tuned", guitar_take, "--json")[0])
    assert [key["hz"] for key in again["keys"]] == pytest.approx([key["hz"] for key in straight["keys"]])


@pytest.mark.slow
def test_as_tuned_refuses_what_makes_no_sense(
    capsys: pytest.CaptureFixture[str], guitar_take: Path, d3_take: Path, tmp_path: Path
) -> None:
    take = ("table", "--as-tuned", guitar_take)
    assert "--guitar open-d" in run(capsys, *take, "--tonic", "D", code=2)[1]
    assert "in Open G" in run(capsys, *take, "--guitar", "open-g", code=2)[1]
    both = run(capsys, *take, "--reference-from", d3_take, "--guitar", "open-d", code=2)[1]
    assert "--as-tuned alone" in both
    fretted = takes.write(tmp_path / "fretted.wav", takes.take([D3, D3 * 2 ** (1 / 12)]))
    assert "which holds?" in run(capsys, "table", "--guitar", "open-d", "--as-tuned", fretted, code=3)[1]
    high = takes.write(tmp_path / "high.wav", takes.take([900.0]))
    assert "near a string" in run(capsys, "table", "--guitar", "open-d", "--as-tuned", high, code=3)[1]


def test_matrices_are_left_to_one_thread_before_numpy_is_there() -> None:
    code = (
        "import os, sys\nfrom bridge.cli import main\ntry:\n    main(['--version'])\nexcept SystemExit:\n    pass\n"
        "print(os.environ['OPENBLAS_NUM_THREADS'], 'numpy' in sys.modules)"
    )
    kept = {name: value for name, value in os.environ.items() if name != "OPENBLAS_NUM_THREADS"}
    done = subprocess.run([sys.executable, "-c", code], env=kept, capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "1 False"
