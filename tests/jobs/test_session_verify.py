"""Reading a bundle back finds what is wrong in it, even where the manifest's hashes have been made to fit."""

from __future__ import annotations

import hashlib
import io
import json
import re
import shutil
from collections.abc import Callable
from pathlib import Path

import mido
import pytest
from support import once

from bridge.errors import InputProblem
from bridge.jobs.session.build import build_session
from bridge.jobs.session.reading_back.verify import Verified, verify_session

SESSION = """\
schema = 1
title = "Read back"
guitar = "open-d"
reference = "D3=146.5"

[trims]
range_cents = 10
step_cents = 10

[drone]
notes = ["1", "5"]
seconds = 3

[[synths]]
name = "notes"
profile = "builtin"

[[synths]]
name = "octave"
profile = "gm2"
method = "octave"

[[synths]]
name = "both"
profile = "gm2"

[[synths]]
name = "bent"
profile = "fluidsynth"
method = "bend"

[[synths]]
name = "zones"
profile = "mpe"

[[synths]]
name = "dump"
profile = "timidity"
method = "dump"

[[synths]]
name = "panel"
profile = "whole-cents"

[[pieces]]
title = "Long"
track = "long.mid"

[[pieces.sections]]
bar = 2
tonic = "A"

[[pieces.sections]]
bar = 3
tonic = "D"

[[pieces]]
title = "Other"
tonic = "G"
"""


@pytest.fixture(scope="module")
def master(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A bundle with every method; its track holds notes through changes of table, bends and fine tuning of its own."""
    return once.folder(tmp_path_factory, "verify", make_master) / "out"


def make_master(folder: Path, session: str = SESSION) -> None:
    midi = mido.MidiFile(ticks_per_beat=96)
    track = mido.MidiTrack()
    midi.tracks.append(track)
    for control, value in ((101, 0), (100, 1), (6, 64), (38, 40), (101, 127), (100, 127)):
        track.append(mido.Message("control_change", control=control, value=value))
    track.append(mido.Message("note_on", note=50, velocity=70))
    track.append(mido.Message("note_on", note=64, velocity=70, time=96))
    track.append(mido.Message("pitchwheel", pitch=500, time=100))
    track.append(mido.Message("pitchwheel", pitch=0, time=400))
    track.append(mido.Message("note_off", note=64, time=200))
    track.append(mido.Message("note_on", note=66, velocity=70))
    track.append(mido.Message("note_off", note=66, time=300))
    track.append(mido.Message("note_off", note=50))
    drums = mido.MidiTrack([mido.Message("note_on", channel=9, note=38, velocity=50)])
    drums.append(mido.Message("note_off", channel=9, note=38, time=96))
    midi.tracks.append(drums)
    midi.save(folder / "long.mid")
    (folder / "x.toml").write_text(session)
    build_session(folder / "x.toml", folder / "out", processes=1)


@pytest.fixture
def bundle(master: Path, tmp_path: Path) -> Path:
    shutil.copytree(master, tmp_path / "out")
    return tmp_path / "out"


def forge(bundle: Path, name: str, change: Callable[[bytes], bytes], **facts: object) -> None:
    """Change a file and make the manifest fit it."""
    data = change((bundle / name).read_bytes())
    (bundle / name).write_bytes(data)
    manifest = json.loads((bundle / "manifest.json").read_text())
    for entry in manifest["files"]:
        if entry["path"] == name:
            entry |= {"sha256": hashlib.sha256(data).hexdigest(), "bytes": len(data), **facts}
    (bundle / "manifest.json").write_text(json.dumps(manifest))


def wrong(verified: Verified) -> dict[str, str]:
    return {one.path: one.problem for one in verified.problems}


def test_an_untouched_bundle_is_good(master: Path) -> None:
    verified = verify_session(master)
    assert wrong(verified) == {}
    names = {path.relative_to(master).as_posix() for path in master.rglob("*") if path.is_file()}
    assert {one.path for one in verified.files} == names - {"manifest.json"}
    compared = {one.what for one in verified.files if one.worst_cents is not None}
    assert compared == {
        "csv", "json", "description", "tables", "setup", "recall", "load", "equal", "track", "panel", "drone",
        "reference",
    }  # fmt: skip
    kinds = dict(verified.worst_by_kind())
    assert kinds["tables"] <= 0.5
    assert 0 < kinds["recall"] < 0.0031


def test_tracks_are_heard_note_by_note(master: Path) -> None:
    tracks = {
        one.path: one
        for one in verify_session(master).files
        if one.what == "track" and "panel" not in one.path
    }
    assert {one.compared for one in tracks.values()} == {"3 of 3 notes"}
    worst = {path.split("/")[1]: one.worst_cents for path, one in tracks.items() if path.startswith("synths")}
    assert worst["notes"] is not None
    assert worst["notes"] < 0.0031
    assert 0.003 < worst["both"] <= 0.0123  # type: ignore[operator]
    assert 0.003 < worst["octave"] <= 0.5  # type: ignore[operator]


def flip(at: int) -> Callable[[bytes], bytes]:
    """Change a data byte by one."""
    return lambda data: data[:at] + bytes((data[at] ^ 1,)) + data[at + 1 :]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "change", "says"),
    [
        # 8 bytes to the first key's data, then 4 a key: key 60's fraction.
        ("synths/notes/01-long.syx", flip(8 + 4 * 60 + 1), r"C4, tuning program 1: 0\.78\d\d cents off"),
        (
            "synths/notes/load-everything.syx",
            flip(8 + 4 * 60 + 2),
            r"C4, tuning program 1: 0\.00\d\d cents off",
        ),
        (
            "trims/plus-10-cents/notes/load-everything.syx",
            flip(8 + 4 * 60),
            r"tuning program 1: 100\.00\d\d cents off",
        ),
        ("synths/notes/02-other.syx", lambda data: data[:-1], "cut off"),
        ("synths/notes/02-other.syx", lambda data: b"", "is empty"),
        (
            "synths/notes/02-other.recall.mid",
            lambda data: data.replace(b"\x06\x03", b"\x06\x02"),
            "cents off",
        ),
        ("synths/notes/02-other.recall.mid", lambda data: b"MThd", "cut off"),
        (
            "synths/octave/01-long.setup.mid",
            lambda data: data.replace(b"\x08\x08\x03", b"\x08\x08\x00"),
            "cents off",
        ),
        ("synths/dump/01-long.syx", flip(22 + 3 * 60 + 1), "tuning program 1"),
        ("synths/notes/back-to-equal.mid", lambda data: data.replace(b"\x3c\x3c\x00", b"\x3c\x3d\x00"), "C4"),
        ("tables/01-long.csv", lambda data: data.replace(b"146.5,", b"146.6,"), "cents off"),
        ("tables/01-long.table.toml", lambda data: data.replace(b"146.5", b"146.6"), "cents off"),
        ("tables/01-long.table.toml", lambda data: b"schema = 9", "schema"),
        ("synths/panel/enter-by-hand.csv", lambda data: data.replace(b",439.0,", b",439.5,"), "cents off"),
        ("synths/panel/01-long.track.mid", flip(-30), "another one"),
        ("pages/01-long.html", lambda data: data.replace(b"146.5", b"146.6"), "another session"),
        ("pages/session.html", lambda data: data.replace(b"146.5", b"146.6"), "another session"),
        ("START-HERE.txt", lambda data: data.replace(b"1", b"2"), "another session"),
        (
            "reference/D3-146.50-Hz.wav",
            lambda data: data[:24] + (44200).to_bytes(4, "little") + data[28:],
            "cents off",
        ),
        ("drones/01-long.wav", lambda data: data[:44] + bytes(len(data) - 44), "off"),
        ("drones/01-long.wav", lambda data: b"RIFF", "no WAV file"),
    ],
)
def test_every_kind_of_error_is_found(
    name: str, change: Callable[[bytes], bytes], says: str, bundle: Path
) -> None:
    before = (bundle / name).read_bytes()
    forge(bundle, name, change)
    assert (bundle / name).read_bytes() != before
    found = wrong(verify_session(bundle))
    assert name in found
    assert re.search(says, found[name]), found


def rewrite(change: Callable[[mido.MidiFile], None]) -> Callable[[bytes], bytes]:
    """Change a MIDI file by means of another library."""

    def changed(data: bytes) -> bytes:
        midi = mido.MidiFile(file=io.BytesIO(data))
        change(midi)
        out = io.BytesIO()
        midi.save(file=out)
        return out.getvalue()

    return changed


def each(kind: str, change: Callable[[mido.Message], mido.Message | None]) -> Callable[[mido.MidiFile], None]:
    def apply(midi: mido.MidiFile) -> None:
        for track in midi.tracks:
            new = []
            for message in track:
                changed = (
                    change(message)
                    if message.type == kind and getattr(message, "channel", 0) != 9
                    else message
                )
                if changed is not None:
                    new.append(changed)
            track[:] = new

    return apply


def session_of(synth: str) -> str:
    """The session for one synth alone, with nothing but tables and tracks, which is read back many times."""
    parts = [
        part for part in SESSION.split("\n\n") if not part.startswith(("[trims]", "[drone]", "[[synths]]"))
    ]
    parts[0] += "\npages = false\n\n[trims]\nrange_cents = 0"
    (own,) = [part for part in SESSION.split("\n\n") if f'name = "{synth}"' in part]
    return "\n\n".join([*parts, own])


@pytest.mark.slow
@pytest.mark.parametrize("synth", ["notes", "octave", "both", "bent", "zones", "dump"])
def test_a_track_that_is_not_what_it_should_be(synth: str, tmp_path: Path) -> None:
    make_master(tmp_path, session_of(synth))
    bundle = tmp_path / "out"
    assert not verify_session(bundle).problems
    name = f"synths/{synth}/01-long.track.mid"
    sound = (bundle / name).read_bytes()
    spoil = each("pitchwheel", lambda m: m.copy(pitch=min(m.pitch + 3, 8191)))
    if synth == "octave":  # 7E dd 08 08, three bytes of channels, twelve offsets
        spoil = each("sysex", lambda m: m.copy(data=[*m.data[:7], *(value ^ 1 for value in m.data[7:])]))
    elif synth in ("notes", "dump"):
        spoil = each("sysex", lambda m: None)
    forge(bundle, name, rewrite(spoil))
    assert name in wrong(verify_session(bundle))
    for change, says in (
        (each("note_on", lambda m: m.copy(note=m.note + 1)), "instead of"),
        (each("note_on", lambda m: m.copy(velocity=m.velocity - 1)), "instead of"),
        (each("note_on", lambda m: None), "instead of"),
        (each("note_on", lambda m: m.copy(time=m.time + 3)), "struck where nothing was|instead of"),
    ):
        (bundle / name).write_bytes(sound)
        forge(bundle, name, rewrite(change))
        assert re.search(says, wrong(verify_session(bundle))[name])


def test_damage_missing_and_foreign_files(bundle: Path) -> None:
    (bundle / "synths/notes/01-long.syx").write_bytes(b"\xf0\xf7")
    (bundle / "tables/02-other.csv").unlink()
    (bundle / "synths/dear.syx").write_bytes(b"x")
    found = wrong(verify_session(bundle))
    assert found["synths/notes/01-long.syx"] == "it is not what the build wrote"
    assert "there is no file" in found["tables/02-other.csv"]
    assert found["synths/dear.syx"] == "no build made this file"


def test_files_that_the_session_needs_cannot_be_dropped_from_the_manifest(bundle: Path) -> None:
    manifest = json.loads((bundle / "manifest.json").read_text())
    manifest["files"] = [entry for entry in manifest["files"] if entry["path"] != "synths/notes/02-other.syx"]
    (bundle / "manifest.json").write_text(json.dumps(manifest))
    (bundle / "synths/notes/02-other.syx").unlink()
    assert "no build made it" in wrong(verify_session(bundle))["synths/notes/02-other.syx"]


def test_another_session_in_the_bundle_is_found(bundle: Path) -> None:
    forge(bundle, "session/x.toml", lambda data: data.replace(b"D3=146.5", b"D3=146.0"))
    found = wrong(verify_session(bundle))
    assert len(found) > 40
    assert "synths/notes/01-long.syx" in found
    assert "drones/01-long.wav" in found


OURS = '{"kind": "stillbeat session", "schema": 1'
OUTSIDE = OURS + ', "session": {}, "tasks": {}, "files": [{"path": "../x", "sha256": "", "bytes": 1}]}'


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (None, "holds no manifest.json"),
        ("{", "cannot be read"),
        ('{"kind": "x", "schema": 1}', "another kind or version"),
        (OURS + "}", "damaged"),
        (OUTSIDE, "outside the bundle"),
        (OURS + ', "session": {}, "tasks": {}, "files": []}', "no session file"),
    ],
)
def test_what_is_no_bundle(content: str | None, says: str, tmp_path: Path) -> None:
    if content is not None:
        (tmp_path / "manifest.json").write_text(content)
    with pytest.raises(InputProblem, match=says):
        verify_session(tmp_path)
    with pytest.raises(InputProblem, match="no folder"):
        verify_session(tmp_path / "missing")


@pytest.mark.slow
def test_a_bundle_of_another_version_may_be_worded_otherwise(bundle: Path) -> None:
    manifest = bundle / "manifest.json"
    form = json.loads(manifest.read_text())
    page = bundle / "START-HERE.txt"
    page.write_text(page.read_text().replace("Afterwards", "When all is over"))
    for entry in form["files"]:
        if entry["path"] == "START-HERE.txt":
            entry["sha256"] = hashlib.sha256(page.read_bytes()).hexdigest()
            entry["bytes"] = len(page.read_bytes())
    manifest.write_text(json.dumps(form))
    assert [one.problem for one in verify_session(bundle).problems] == ["it speaks of another session"]
    form["made_by"] = "stillbeat 0.0.0"
    manifest.write_text(json.dumps(form))
    assert verify_session(bundle).problems == []
    page.write_text(page.read_text() + "more")
    assert [one.path for one in verify_session(bundle).problems] == ["START-HERE.txt"]
