"""A track in the singer's key: what mido, which shares no code with it, reads of what is written.

Key signatures: C has none, F one flat, D two sharps (common practice); channel 10 is drums (General MIDI 1).
"""

from __future__ import annotations

import io
from pathlib import Path

import mido
import pytest
from support.sheets import spec

from bridge.jobs.retune import retune_file, tables_of
from bridge.jobs.retuned import RetuneRequest
from bridge.jobs.session.build import build_session
from bridge.jobs.session.reading_back.verify import verify_session
from bridge.jobs.transposed import transposed_midi
from bridge.store.session.model import built
from bridge.store.smf import midi_bytes, parse_midi
from bridge.tuning.changes import parse_at

D3 = 146.5


def song(*keys: int, signature: str = "D") -> bytes:
    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack([mido.MetaMessage("key_signature", key=signature, time=0)])
    for key in keys:
        track.append(mido.Message("note_on", note=key, velocity=64, time=0))
        track.append(mido.Message("polytouch", note=key, value=3, time=10))
        track.append(mido.Message("note_on", channel=9, note=38, velocity=64, time=0))
        track.append(mido.Message("note_off", channel=9, note=38, velocity=64, time=10))
        track.append(mido.Message("note_off", note=key, velocity=64, time=1900))
    file.tracks.append(track)
    written = io.BytesIO()
    file.save(file=written)
    return written.getvalue()


def read(data: bytes) -> mido.MidiFile:
    return mido.MidiFile(file=io.BytesIO(data))


def test_keys_move_and_drums_stay() -> None:
    moved = read(midi_bytes(transposed_midi(parse_midi(song(62, 66, 69)), -2)))
    notes = [message for message in moved.tracks[0] if message.type in ("note_on", "note_off", "polytouch")]
    assert {message.note for message in notes if message.channel == 0} == {60, 64, 67}
    assert {message.note for message in notes if message.channel == 9} == {38}
    assert [message.key for message in moved.tracks[0] if message.type == "key_signature"] == ["C"]


@pytest.mark.parametrize(
    ("before", "semitones", "after"),
    [("C", 1, "Db"), ("C", -1, "B"), ("F", 2, "G"), ("Am", 3, "Cm"), ("Em", -2, "Dm"), ("Bb", 2, "C")],
)
def test_key_signatures_move(before: str, semitones: int, after: str) -> None:
    moved = read(midi_bytes(transposed_midi(parse_midi(song(60, signature=before)), semitones)))
    assert [message.key for message in moved.tracks[0] if message.type == "key_signature"] == [after]


def test_a_key_beyond_the_end_sounds_an_octave_nearer_and_that_is_said() -> None:
    moved = transposed_midi(parse_midi(song(126, 60)), 3)
    keys = {message.note for message in read(midi_bytes(moved)).tracks[0] if message.type == "note_on"}
    assert keys == {38, 63, 126 + 3 - 12}
    assert any("F#9" in warning and "octave nearer" in warning for warning in moved.warnings)
    midi = parse_midi(song(60))
    assert transposed_midi(midi, 0) is midi


def test_a_track_and_its_table_move_together(tmp_path: Path) -> None:
    """D major as written, two semitones lower: C E G, pure on C, which is 16/9 of the guitar's D."""
    (tmp_path / "in.mid").write_bytes(song(62, 66, 69))
    request = RetuneRequest(spec=spec(guitar="open-d", reference="D3=146.5", transpose=-2), method="mpe")
    done = retune_file(tmp_path / "in.mid", tmp_path / "out.mid", request)
    played = mido.MidiFile(tmp_path / "out.mid")
    heard = {one.note for one in played if one.type == "note_on" and one.velocity and one.channel != 9}
    assert heard == {60, 64, 67}
    assert done.exact == done.notes == 3


def test_changes_at_bars_and_signatures_are_named_as_written() -> None:
    midi = parse_midi(song(62, 66, 69, 62, 66, 69))
    request = RetuneRequest(
        spec=spec(guitar="open-d", reference="D3=146.5", transpose=-2),
        at=(parse_at("2=A"),),
        follow_key_signatures=True,
    )
    (tables,) = tables_of(midi, request)
    assert tables[0][1][60] == pytest.approx(D3 * 16 / 9)
    assert tables[-1][1][55] == pytest.approx(D3 * 4 / 3)  # A as written is G, 4/3 of home
    assert tables[-1][1][59] == pytest.approx(D3 * 4 / 3 * 5 / 4)


def test_a_session_piece_is_transposed_as_a_whole(tmp_path: Path) -> None:
    """Its chords, its tables, its track and its page: written in D, sung two semitones lower."""
    (tmp_path / "song.mid").write_bytes(song(62, 66, 69, 62))
    (tmp_path / "s.toml").write_text(
        'schema = 1\ntitle = "x"\nguitar = "open-d"\nreference = "D3=146.5"\n[trims]\nrange_cents = 0\n'
        '[[synths]]\nname = "by-hand"\nprofile = "whole-cents"\n'
        '[[synths]]\nname = "rack"\nprofile = "full-midi-tuning"\n'
        '[[pieces]]\ntitle = "One"\ntrack = "song.mid"\ntranspose = -2\nchords = ["D", "A7", "ii"]\n'
        '[[pieces.sections]]\nbar = 2\ntonic = "A"\nchords = ["A"]\n'
        '[[pieces]]\ntitle = "Two"\ntranspose = 2\nkeep_shapes = true\n'
    )
    built_one = build_session(tmp_path / "s.toml", tmp_path / "out", processes=1)
    assert not verify_session(tmp_path / "out").problems
    one, two = built_one.plan.pieces
    assert one.piece.chords == ("C", "G7", "ii")
    assert [built(spec).tonic for spec in one.tables] == ["C", "G"]
    assert built(one.tables[1]).hz[55] == pytest.approx(D3 * 4 / 3)
    assert one.piece.sections[0].chords == ("G",)
    for name in ("by-hand", "rack"):
        track = read((tmp_path / f"out/synths/{name}/01-one.track.mid").read_bytes())
        keys = {note.note for note in track if note.type == "note_on" and note.velocity and note.channel != 9}
        assert keys == {60, 64, 67}
    page = " ".join((tmp_path / "out/pages/01-one.html").read_text("utf-8").split())
    assert "there is no capo to take off" in page
    assert built(two.tables[0]).tonic == "E"
    assert built(two.tables[0]).fret == 2
