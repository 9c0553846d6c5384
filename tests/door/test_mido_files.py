"""mido files through the door: the same messages at the same ticks as the command writes, read by mido on both sides.

The other end of each comparison is the command's own file. That the command's notes are in tune is tested where the
engines are; here, once more from outside, the frequencies that a tuning message carries are worked out by hand.

Source: MIDI Tuning (MMA CA-020): a single note change is F0 7F, device, 08 02, program, count, then for each key the
key, the semitone below, and the fraction of 100 cents in 14 bits.
"""

from __future__ import annotations

import math
from io import BytesIO
from pathlib import Path
from typing import Any

import mido
import pytest
from click.testing import CliRunner
from support import evening, independent
from support.doors import HELP

import bridge
from bridge import errors
from bridge.cli.retune import retune_command

TRACKS = sorted((evening.FOLDER / "tracks").glob("*.mid"))
WORDS: dict[str, Any] = {"guitar": "open-d", "reference": "D3=146.5"}
LINE = ["--guitar", "open-d", "--reference", "D3=146.5"]
METHODS = ("auto", "note", "octave", "dump", "bend", "mpe")


def _messages(midi: mido.MidiFile) -> list[list[tuple[int, str]]]:
    """Every message of every track with its tick, as text."""
    tracks = []
    for track in midi.tracks:
        tick, found = 0, []
        for message in track:
            tick += message.time
            found.append((tick, str(message.copy(time=0))))
        tracks.append(found)
    return tracks


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("track", TRACKS, ids=lambda path: path.stem)
def test_the_same_messages_at_the_same_ticks_as_the_command(track: Path, method: str, tmp_path: Path) -> None:
    part = ["--part", "1", "--part", "2"] if method == "mpe" else []
    line = [str(track), "-o", str(tmp_path / "command.mid"), "--method", method, *part, *LINE]
    done = CliRunner().invoke(retune_command, line, help_option_names=HELP)
    assert done.exit_code == 0, done.output
    pure = bridge.retune(mido.MidiFile(track), method=method, part=[1, 2] if part else None, **WORDS)
    assert _messages(pure) == _messages(mido.MidiFile(tmp_path / "command.mid"))
    # What mido writes is read by a reader that is neither mido's nor ours: no note was lost on the way.
    pure.save(tmp_path / "python.mid")
    ours, command = (independent.read(tmp_path / name) for name in ("python.mid", "command.mid"))
    assert [independent.notes(one) for one in ours.tracks] == [
        independent.notes(one) for one in command.tracks
    ]
    assert sum(len(independent.notes(one)) for one in ours.tracks) > 0


def test_more_of_the_commands_words(tmp_path: Path) -> None:
    line = [
        "--at",
        "2=A",
        "--at",
        "3=,2=10/9",
        "--channels",
        "1-4",
        "--plain",
        "--tail",
        "1",
        "--method",
        "bend",
    ]
    track = TRACKS[0]
    done = CliRunner().invoke(
        retune_command,
        [str(track), "-o", str(tmp_path / "command.mid"), *line, *LINE],
        help_option_names=HELP,
    )
    assert done.exit_code == 0, done.output
    pure = bridge.retune(
        mido.MidiFile(track),
        at=["2=A", "3=,2=10/9"],
        channels=[1, 2, 3, 4],
        plain=True,
        tail=1,
        method="bend",
        **WORDS,
    )
    assert _messages(pure) == _messages(mido.MidiFile(tmp_path / "command.mid"))


def _one_note(key: int = 54) -> mido.MidiFile:
    midi = mido.MidiFile(ticks_per_beat=96)
    midi.tracks.append(
        mido.MidiTrack([mido.Message("note_on", note=key), mido.Message("note_off", note=key, time=96)])
    )
    return midi


def test_a_pure_third_stands_in_the_tuning_message() -> None:
    pure = bridge.retune(_one_note(), method="note", **WORDS)
    sent = {}
    for message in pure.tracks[0]:
        if message.type == "sysex" and message.data[2:4] == (8, 2):
            for at in range(6, len(message.data), 4):
                key, semitone, high, low = message.data[at : at + 4]
                sent[key] = semitone + (high << 7 | low) / 2**14
    wanted = 69 + 12 * math.log2(146.5 * 5 / 4 / 440)  # F#3, a third above the string
    assert sent[54] == pytest.approx(wanted, abs=0.5 / 2**14)


def test_the_file_that_was_given_stays_as_it_is() -> None:
    midi = _one_note()
    before = _messages(midi), midi.ticks_per_beat, midi.type
    bridge.retune(midi, method="bend", **WORDS)
    assert (_messages(midi), midi.ticks_per_beat, midi.type) == before


@pytest.mark.parametrize(("kind", "division"), [(0, 480), (1, 96), (2, 480)])
def test_type_and_division_stay(kind: int, division: int) -> None:
    midi = mido.MidiFile(type=kind, ticks_per_beat=division)
    midi.tracks.append(mido.MidiTrack(_one_note().tracks[0]))
    pure = bridge.retune(midi, method="note", **WORDS)
    assert (pure.type, pure.ticks_per_beat) == (kind, division)


def test_letters_of_another_alphabet_stay() -> None:
    midi = mido.MidiFile(charset="utf-8")
    midi.tracks.append(
        mido.MidiTrack([mido.MetaMessage("track_name", name="Küchenlied ♪"), *_one_note().tracks[0]])
    )
    pure = bridge.retune(midi, method="bend", **WORDS)
    assert "Küchenlied ♪" in [message.name for message in pure.tracks[0] if message.type == "track_name"]
    assert pure.charset == "utf-8"


def test_what_is_no_mido_file_is_refused() -> None:
    with pytest.raises(TypeError, match=r"mido\.MidiFile is wanted, not str; retune_file takes file names"):
        bridge.retune("song.mid", **WORDS)  # type: ignore[arg-type,unused-ignore]
    with pytest.raises(errors.ValueProblem, match="no word 'output' here"):
        bridge.retune(_one_note(), output="x.mid", **WORDS)
    with pytest.raises(errors.MethodProblem, match="does not obey"):
        bridge.retune(_one_note(), method="octave", synth="timidity", guitar="open-d")


def test_a_file_that_mido_refuses_is_retuned_from_file_to_file(tmp_path: Path) -> None:
    written = BytesIO()
    _one_note().save(file=written)
    blob = bytearray(written.getvalue())
    blob[blob.index(b"\x90\x36") + 2] = 0xC0  # a velocity above 127, as real files have
    (tmp_path / "real.mid").write_bytes(blob)
    with pytest.raises((OSError, ValueError)):
        mido.MidiFile(tmp_path / "real.mid")
    done = bridge.retune_file(tmp_path / "real.mid", tmp_path / "pure.mid", **WORDS)
    assert (done.notes, done.exact) == (1, 1)
    with pytest.raises(errors.OutputProblem):
        bridge.retune_file(tmp_path / "real.mid", tmp_path / "pure.mid", **WORDS)
    bridge.retune_file(tmp_path / "real.mid", tmp_path / "pure.mid", overwrite=True, **WORDS)
