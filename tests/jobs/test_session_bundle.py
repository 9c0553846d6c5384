"""The bundle of the example session, read by means that share nothing with the package.

Messages are split and obeyed by a synth on paper written from the MIDI Tuning standard (`support.obedient`), MIDI files
are read by the tests' own reader (`support.independent`), tables come from plain arithmetic (`support.evening`).
Tolerances are the methods' resolution: half a step of frequency data, 100/16384/2 = 0.00305 cents (MIDI 1.0 Detailed
Specification, "MIDI Tuning"), and half a step of a bend at a range of two semitones, 200/8192/2 = 0.0122 cents.
"""

from __future__ import annotations

import csv
import hashlib
import importlib.util
import json
import math
import re
import sys
import wave
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import mido
import numpy as np
import pytest
from support import evening, independent, measure
from support.evening import EVENING, PieceFacts
from support.obedient import ObedientSynth

HALF_STEP = 100 / 16384 / 2 / 100 + 1e-9  # in semitones
HALF_BEND = 200 / 8192 / 2 / 100 + 1e-9
PITCHED = [channel for channel in range(16) if channel != 9]
IN_REACH = range(1, 127)  # keys whose pitch frequency data can say in every table of the evening
TRIMS = {0: "synths", -20: "trims/minus-20-cents", -10: "trims/minus-10-cents"} | {
    10: "trims/plus-10-cents",
    20: "trims/plus-20-cents",
}
CLASSES = ("C", "C#", "D", "Eb", "E", "F", "F#", "G", "Ab", "A", "Bb", "B")
PROGRAMS = {  # in order of playing, one for each table (tables/README.md, "Session files")
    "01-low-water": {1: 1, 6: 2, 8: 1, 11: 2, 12: 1},
    "02-kettle-hymn": {1: 3, 10: 4, 18: 3},
    "03-ferry-bell": {1: 5},
    "04-slate-roof-blues": {1: 6, 5: 7, 7: 6, 9: 8, 10: 7, 11: 6},
    "05-two-frets-up": {1: 9},
    "06-lantern-waltz": {1: 10},
}
FIRST = {"organ": 1, "rack": 0}


@pytest.fixture(scope="session")
def bundle(evening_bundle: Path) -> Path:
    return evening_bundle


def sysex_of(path: Path) -> list[bytes]:
    """Split a SysEx file: every message from F0 through F7, nothing between."""
    data = path.read_bytes()
    messages = re.findall(rb"\xf0[\x00-\x7f]*\xf7", data)
    assert b"".join(messages) == data
    assert messages
    return messages


def obey(*paths: Path) -> ObedientSynth:
    """A synth on paper after SysEx and MIDI files, in order."""
    synth = ObedientSynth()
    for path in paths:
        if path.suffix == ".syx":
            for message in sysex_of(path):
                synth.feed(message)
        else:
            for _, _, kind, data in independent.playing_order(independent.read(path)):
                if not kind.startswith(("meta", "end")):
                    synth.feed(data)
    return synth


def tables_of(piece: PieceFacts, name: str) -> Iterator[tuple[int, evening.Under]]:
    """Tuning program and table of everything that a piece has in a synth."""
    for bar, table in piece.tables:
        yield PROGRAMS[piece.stem][bar] - 1 + FIRST[name], table


def pieces_for(name: str) -> list[PieceFacts]:
    return [piece for piece in EVENING if piece.rack or name != "rack"]


# The organ is FluidSynth, which rounds down to whole cents: everything is sent half a cent higher, so that the nearest
# whole cent sounds.
LIFT_CENTS = {"organ": 0.5}


def check_program(synth: ObedientSynth, program: int, table: evening.Under, cents: float = 0.0) -> None:
    held = synth.program(0, program)
    for key in IN_REACH:
        wanted = evening.semitones(table, key, cents)
        if 0 < wanted < 127.9999:
            assert abs(held[key] - wanted) <= HALF_STEP, (program, key)


def check_sounding(synth: ObedientSynth, table: evening.Under, cents: float = 0.0) -> None:
    for channel in PITCHED:
        for key in IN_REACH:
            wanted = evening.semitones(table, key, cents)
            if 0 < wanted < 127.9999:
                assert abs(synth.pitch(channel, key) - wanted) <= HALF_STEP, (channel, key)
    assert synth.pitch(9, 60) == 60  # drums are left alone


def test_every_file_is_listed_with_its_hash(bundle: Path) -> None:
    manifest = json.loads((bundle / "manifest.json").read_text())
    there = {path.relative_to(bundle).as_posix(): path for path in bundle.rglob("*") if path.is_file()}
    assert {entry["path"] for entry in manifest["files"]} | {"manifest.json"} == set(there)
    for entry in manifest["files"]:
        data = there[entry["path"]].read_bytes()
        assert (hashlib.sha256(data).hexdigest(), len(data)) == (entry["sha256"], entry["bytes"])
    assert not [
        path for path in bundle.parent.iterdir() if path.name != "bundle"
    ]  # nothing is left beside it


def test_every_sysex_and_midi_file_is_looked_at(bundle: Path) -> None:
    """The tests below know every kind of file, so that none goes unread."""
    names = [
        path.name
        for path in bundle.rglob("*")
        if path.suffix in (".syx", ".mid") and "session" not in path.parts
    ]
    known = re.compile(
        r"load-everything\.(syx|mid)|back-to-equal\.mid|\d\d-.*(\.syx|\.(setup|recall|track)\.mid)"
    )
    assert all(known.fullmatch(name) for name in names)
    assert len(names) > 100


@pytest.mark.parametrize("name", ["organ", "rack"])
@pytest.mark.parametrize("cents", TRIMS)
def test_sysex_fills_a_tuning_program_for_every_table(bundle: Path, name: str, cents: int) -> None:
    folder = bundle / TRIMS[cents] / name
    for piece in pieces_for(name):
        synth = obey(folder / f"{piece.stem}.syx")
        for program, table in tables_of(piece, name):
            check_program(synth, program, table, cents + LIFT_CENTS.get(name, 0.0))
        assert {program for _, program in synth.programs} == {
            program for program, _ in tables_of(piece, name)
        }
    for ending in ("syx", "mid"):
        synth = obey(folder / f"load-everything.{ending}")
        for piece in pieces_for(name):
            for program, table in tables_of(piece, name):
                check_program(synth, program, table, cents + LIFT_CENTS.get(name, 0.0))
    check_sounding(
        synth, EVENING[0].tables[0][1], cents + LIFT_CENTS.get(name, 0.0)
    )  # the MIDI file also chooses the first table


def test_the_rack_gets_dumps_with_names_and_checksums(bundle: Path) -> None:
    messages = sysex_of(bundle / "synths/rack/load-everything.syx")
    assert len(messages) == 9
    for message in messages:
        assert (len(message), message[1], message[3], message[4]) == (408, 0x7E, 8, 1)
        total = 0
        for byte in message[1:-2]:
            total ^= byte
        assert message[-2] == total & 0x7F
        assert bytes(message[6:22]).decode("ascii").strip()


@pytest.mark.parametrize("name", ["organ", "rack"])
def test_setup_and_recall_files_choose_their_table(bundle: Path, name: str) -> None:
    folder = bundle / "synths" / name
    for piece in pieces_for(name):
        check_sounding(
            obey(folder / f"{piece.stem}.setup.mid"), piece.tables[0][1], LIFT_CENTS.get(name, 0.0)
        )
        for bar, table in piece.tables:
            label = "" if bar == 1 else f".bar-{bar}"
            recall = folder / f"{piece.stem}{label}.recall.mid"
            assert not any(
                kind == "sysex" for track in independent.read(recall).tracks for _, kind, _ in track
            )
            check_sounding(obey(folder / "load-everything.mid", recall), table, LIFT_CENTS.get(name, 0.0))
            other = sorted(folder.glob("*.track.mid"))[0]  # a track may have been played in between
            check_sounding(
                obey(folder / "load-everything.syx", other, recall), table, LIFT_CENTS.get(name, 0.0)
            )


def test_files_for_the_rack_leave_it_time(bundle: Path) -> None:
    # 408 bytes take 130.6 ms on a DIN cable (31,250 baud, 10 bits a byte).
    reading = independent.read(bundle / "synths/rack/load-everything.mid")
    times = [
        time_s
        for time_s, (_, _, kind, _) in zip(
            independent.seconds_of(reading), independent.playing_order(reading), strict=True
        )
        if kind == "sysex"
    ]
    assert min(np.diff(times)) >= 0.1295


@pytest.mark.parametrize("name", ["organ", "rack", "student"])
def test_back_to_equal_takes_everything_back(bundle: Path, name: str) -> None:
    folder = bundle / "synths" / name
    loads = [folder / "load-everything.mid", *sorted(folder.glob("*.track.mid"))]
    synth = obey(*loads, folder / "back-to-equal.mid")
    for channel in PITCHED:
        assert [synth.pitch(channel, key) for key in range(128)] == [float(key) for key in range(128)]


@pytest.mark.parametrize("name", ["organ", "rack", "student"])
@pytest.mark.parametrize("cents", TRIMS)
def test_every_note_of_every_track_sounds_its_table(bundle: Path, name: str, cents: int) -> None:
    limit = HALF_BEND if name == "student" else HALF_STEP
    for piece in pieces_for(name):
        path = bundle / TRIMS[cents] / name / f"{piece.stem}.track.mid"
        source = independent.read(evening.FOLDER / "tracks" / f"{piece.stem[3:]}.mid")
        synth = ObedientSynth()
        # Whatever was loaded before does not change what the track sounds like.
        load = bundle / TRIMS[cents] / name / "load-everything.mid"
        if load.exists():
            synth = obey(load)
        struck = []
        for tick, _, kind, data in independent.playing_order(independent.read(path)):
            if kind.startswith(("meta", "end")):
                continue
            synth.feed(data)
            if kind == "note_on" and data[2]:
                struck.append((tick, data[1], data[2]))
                if data[0] & 15 == 9:
                    assert synth.pitch(9, data[1]) == data[1]
                    continue
                wanted = evening.semitones(piece.at_tick(tick), data[1], cents + LIFT_CENTS.get(name, 0.0))
                assert abs(synth.pitch(data[0] & 15, data[1]) - wanted) <= limit, (piece.stem, tick, data)
        played = [
            (tick, data[1], data[2])
            for tick, _, kind, data in independent.playing_order(source)
            if kind == "note_on" and data[2]
        ]
        assert struck == played


def test_no_track_loses_moves_or_hangs_a_note(bundle: Path) -> None:
    for path in bundle.rglob("*.track.mid"):
        source = independent.read(evening.FOLDER / "tracks" / f"{path.name[3:-10]}.mid")
        output = independent.read(path)
        for before, after in zip(source.tracks, output.tracks, strict=True):
            notes = [
                sorted((n.key, n.velocity, n.start_tick, n.end_tick) for n in independent.notes(track))
                for track in (before, after)
            ]
            assert notes[0] == notes[1]
            assert all(end is not None for _, _, _, end in notes[1])


def test_tracks_do_not_touch_what_a_number_recalls(bundle: Path) -> None:
    for name in ("organ", "rack"):
        folder = bundle / "synths" / name
        loaded = obey(folder / "load-everything.syx")
        played = obey(folder / "load-everything.syx", *sorted(folder.glob("*.track.mid")))
        own = 0 if name == "organ" else 12
        for place, table in loaded.programs.items():
            assert place[1] != own
            assert played.programs[place] == table


def test_the_panel_gets_its_track_as_it_is(bundle: Path) -> None:
    for path in (bundle / "synths/home-keyboard").glob("*.track.mid"):
        source = independent.read(evening.FOLDER / "tracks" / f"{path.name[3:-10]}.mid")
        assert independent.read(path).tracks == source.tracks


def test_what_is_entered_by_hand_sounds_the_tables(bundle: Path) -> None:
    rows = list(csv.DictReader((bundle / "synths/home-keyboard/enter-by-hand.csv").read_text().splitlines()))
    assert {row["A4_hz"] for row in rows} == {
        "439.0"
    }  # 146.5 Hz for D3 is 3.9 cents low, and A4 = 439 Hz 3.9
    pieces = {piece.stem: piece for piece in EVENING}
    for row in rows:
        bar = 1 if row["from"] == "start" else int(row["from"].removeprefix("bar "))
        table = dict(pieces[row["piece"]].tables)[bar]
        worst = 0.0
        for pitch_class, name in enumerate(CLASSES):
            entered = 439.0 * 2 ** ((pitch_class - 9) / 12 + int(row[name]) / 1200)
            worst = max(worst, abs(measure.cents(entered, evening.hz(table, 60 + pitch_class))))
        assert worst <= 0.5
        assert worst == pytest.approx(float(row["worst_cents"]), abs=0.001)


@pytest.mark.parametrize("piece", EVENING, ids=lambda piece: piece.stem)
def test_csv_and_json_hold_the_tables(bundle: Path, piece: PieceFacts) -> None:
    seen = set()
    for bar, table in piece.tables:
        if table in seen:
            continue
        seen.add(table)
        stem = f"{piece.stem}.bar-{bar}" if bar > 1 else piece.stem
        rows = list(csv.DictReader((bundle / f"tables/{stem}.csv").read_text().splitlines()))
        keys = json.loads((bundle / f"tables/{stem}.json").read_text())["keys"]
        for key in range(128):
            assert float(rows[key]["hz"]) == pytest.approx(evening.hz(table, key), rel=1e-13)
            assert keys[key]["hz"] == float(rows[key]["hz"])


def sound_of(path: Path) -> tuple[np.ndarray, int]:
    with wave.open(str(path)) as file:
        assert (file.getnchannels(), file.getsampwidth()) == (1, 2)
        samples = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2") / 32768
        return samples, file.getframerate()


@pytest.mark.parametrize(
    ("name", "keys", "piece", "bar"),
    [
        ("01-low-water", (38, 45), 0, 1),
        ("03-ferry-bell", (45, 52), 2, 1),
        ("04-slate-roof-blues.bar-9", (45,), 3, 9),
        ("05-two-frets-up", (40, 47), 4, 1),  # degrees as they sound: E and B
        ("06-lantern-waltz", (55, 62), 5, 1),
    ],
)
def test_drones_sound_their_table_and_swell(
    bundle: Path, name: str, keys: tuple[int, ...], piece: int, bar: int
) -> None:
    samples, rate = sound_of(bundle / f"drones/{name}.wav")
    assert len(samples) == 20 * rate
    table = dict(EVENING[piece].tables)[bar]
    wanted = [evening.hz(table, key) for key in keys]
    heard = measure.tones_hz(measure.window(samples, rate, 8.0, 6.0), rate, wanted, within_cents=20)
    assert [measure.cents(a, b) for a, b in zip(heard, wanted, strict=True)] == pytest.approx(
        [0] * len(keys), abs=0.02
    )
    peaks = [float(np.max(np.abs(samples[round(s * rate) : round((s + 0.5) * rate)]))) for s in (0, 1, 3, 8)]
    assert peaks[0] < 0.02
    assert peaks == sorted(peaks)
    assert float(np.max(np.abs(samples))) <= 0.2513  # 12 dB below full scale
    assert float(np.max(np.abs(samples[-rate // 20 :]))) < 0.005


def test_the_reference_tone_is_the_string(bundle: Path) -> None:
    (path,) = (bundle / "reference").iterdir()
    assert path.name == "D3-146.50-Hz.wav"
    samples, rate = sound_of(path)
    heard = measure.tone_hz(measure.window(samples, rate, 8.0, 10.0), rate, 146.5, within_cents=20)
    assert abs(measure.cents(heard, 146.5)) < 0.01


def test_the_page_says_what_to_load_and_how_to_recall(bundle: Path) -> None:
    text = (bundle / "START-HERE.txt").read_text("utf-8")
    assert max(map(len, text.splitlines())) <= 78
    named = set(re.findall(r"\w[\w./-]*\.(?:mid|syx|wav|csv|txt)\b", text))
    files = {path.relative_to(bundle).as_posix() for path in bundle.rglob("*")}
    names = {Path(name).name for name in files}
    assert named
    assert {name for name in named if name not in files and name not in names} <= {"setup.mid"}
    for word in (
        "Save what the synth holds",
        "1-10",
        "overwrites a tuning program",
        "start quiet",
        "101 = 0, 100 = 3",
        # A Bb instrument sounds a whole tone below what it reads.
        "Low Water: in D (Bb players read E)",
        "from bar 10: tonic G (Bb players read A)",
        "in E (Bb players read F#), played in D with a capo at fret 2",
    ):
        assert word in text
    for name in ("organ", "rack"):
        for piece in pieces_for(name):
            for bar, _ in piece.tables:
                program = PROGRAMS[piece.stem][bar] - 1 + FIRST[name]
                label = "" if bar == 1 else f".bar-{bar}"
                assert re.search(rf" {program}\s+{piece.stem}{re.escape(label)}\.recall\.mid", text)


@pytest.fixture
def compose(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The example's script, as a module."""
    spec = importlib.util.spec_from_file_location("compose", evening.FOLDER / "compose.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, "compose", module)
    spec.loader.exec_module(module)
    return module


def test_the_tracks_of_the_example_come_from_its_script(compose: ModuleType, tmp_path: Path) -> None:
    for tune in compose.TUNES:
        made = compose.write(tune, tmp_path)
        assert made.read_bytes() == (evening.FOLDER / "tracks" / made.name).read_bytes()
    assert mido.MidiFile(tmp_path / "kettle-hymn.mid").length == pytest.approx(21 * 3 * 60 / 72, abs=0.01)


def test_pitch_of_the_evening_by_hand() -> None:
    """The ruler itself: a few notes worked out on paper."""
    by_stem = {piece.stem: dict(piece.tables) for piece in EVENING}
    assert evening.hz(by_stem["01-low-water"][1], 54) == pytest.approx(146.5 * 5 / 4)
    assert evening.hz(by_stem["01-low-water"][6], 52) == pytest.approx(146.5 * 10 / 9)
    assert evening.hz(by_stem["02-kettle-hymn"][10], 59) == pytest.approx(146.5 * 4 / 3 * 5 / 4)
    assert evening.hz(by_stem["03-ferry-bell"][1], 55) == pytest.approx(146.5 * 3 / 4 * 7 / 4)
    assert evening.hz(by_stem["05-two-frets-up"][1], 52) == pytest.approx(146.5 * 2 ** (2 / 12))
    assert evening.hz(by_stem["06-lantern-waltz"][1], 65) == pytest.approx(146.5 * 4 / 3 * 7 / 4)
    assert math.isclose(evening.semitones(by_stem["01-low-water"][1], 50), 69 + 12 * math.log2(146.5 / 440))
