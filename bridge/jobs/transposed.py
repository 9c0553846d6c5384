"""A MIDI file for the singer's key: its keys some semitones higher or lower, its key signatures with them.

Drums stay. What stays in the file as well is everything that is no key. A key that would end beyond the 128 sounds an
octave nearer, and the file's warnings say so.
"""

from __future__ import annotations

from bridge.engine.rhythm import RhythmTracker
from bridge.store.smf import Event, MidiFile, rebuild
from bridge.tuning.notes import KEYS, note_name

_KEYED = frozenset((0x80, 0x90, 0xA0))
"""Messages whose first data byte is a key: note off, note on, and aftertouch of a key."""


def transposed_midi(midi: MidiFile, semitones: int) -> MidiFile:
    """Return a file with its keys moved; the same one for 0."""
    if not semitones:
        return midi
    together = [[track] for track in midi.tracks] if midi.format == 2 else [midi.tracks]
    moved = [track for tracks in together for track in _moved(tracks, semitones)]
    done = rebuild(midi, moved)
    if beyond := _beyond(midi, semitones):
        done.warnings.append(
            f"transposed, {beyond} would lie beyond the keys of MIDI: it sounds an octave nearer"
        )
    return done


def _moved(tracks: list[list[Event]], semitones: int) -> list[list[Event]]:
    """Move the tracks that play together: which channel is drums, they say to one another."""
    moved = [list(track) for track in tracks]
    order = sorted(
        (event[0], number, index) for number, track in enumerate(tracks) for index, event in enumerate(track)
    )
    rhythm = RhythmTracker()
    for _, number, index in order:
        tick, data = tracks[number][index]
        rhythm.feed(data)
        if len(data) > 1 and data[0] & 0xF0 in _KEYED and not rhythm.is_drums((data[0] & 0x0F) + 1):
            moved[number][index] = (tick, data[:1] + bytes((_key(data, semitones),)) + data[2:])
        elif data[:2] == b"\xff\x59" and len(data) >= 4:
            moved[number][index] = (tick, _signature(data, semitones))
    return moved


def _key(data: bytes, semitones: int) -> int:
    key = (data[1] & 0x7F) + semitones
    return key + 12 if key < 0 else key - 12 if key >= KEYS else key


def _beyond(midi: MidiFile, semitones: int) -> str:
    """Name the keys that end beyond the 128; empty if none does."""
    keys = {
        data[1] & 0x7F
        for track in midi.tracks
        for _, data in track
        if len(data) > 1 and data[0] & 0xF0 == 0x90 and data[0] != 0x99
    }
    return ", ".join(note_name(key) for key in sorted(keys) if not 0 <= key + semitones < KEYS)


def _signature(data: bytes, semitones: int) -> bytes:
    """Move a key signature: seven fifths make a semitone; of two spellings the one with fewer signs, flats on a tie."""
    sharps = data[2] - 256 if data[2] > 127 else data[2]
    if not -7 <= sharps <= 7:
        return data
    fifths = (sharps + 7 * semitones) % 12
    fifths = fifths - 12 if fifths >= 6 else fifths
    return data[:2] + bytes((fifths % 256,)) + data[3:]
