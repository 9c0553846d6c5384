"""Standard MIDI Files: read without losing anything, written back as they were.

The reader takes what players take: key signatures of mode 255, data bytes above 127, a track count that
disagrees with the header, long headers, foreign chunks, RIFF wrappers (RMID), running status carried across
meta events, tracks without an end mark or with a wrong length. It refuses what is really cut off. The writer
gives back the same bytes wherever the file was written consistently, and always the same events.

Conventions
-----------
An event is ``(tick, data)``: ticks are absolute from the start of its track, and `data` is

===============  ==========================================================================
first byte       rest
===============  ==========================================================================
``80`` … ``EF``  channel message, whole, whatever the values of its data bytes
``F0``           SysEx from ``F0`` on, through ``F7`` if the packet holds it
``F7``           an escape: the bytes after the marker go out as they are
``FF``           meta event: type, then payload (no length)
others ≥ ``F1``  a system message that strayed into the track, kept as found
===============  ==========================================================================

Equal events share one `bytes` object, so a big file stays small in memory. Tracks and events count from 0 in
code and from 1 in messages.

Index
-----
`Event`, `MidiFile`, `Layout` : the values.
`read_midi`, `parse_midi` : a path or bytes to a `MidiFile`.
`write_midi`, `midi_bytes` : and back.
`rebuild` : the same file with other events.

Source: *Standard MIDI Files 1.0* (MIDI Manufacturers Association, RP-001); RMID: *Multimedia Programming
Interface and Data Specifications 1.0*. Departures: the leniency named above; running status that crossed a
meta event is written out in full, and a missing end mark is added, as the standard demands.
"""

from __future__ import annotations

import gc
import struct
from dataclasses import dataclass, field, replace
from fractions import Fraction
from os import PathLike, fspath

from bridge.errors import InputProblem
from bridge.store.files import read_bytes, write_bytes_atomic
from bridge.store.smf_events import Event, Running, Track, read_events, track_bytes

__all__ = [
    "Event",
    "Layout",
    "MidiFile",
    "Running",
    "midi_bytes",
    "parse_midi",
    "read_midi",
    "rebuild",
    "write_midi",
]


MAX_TRACKS = 0xFFFF
MAX_PIECES = 200
"""Tracks that a file of format 2 may have: each is a piece, retuned by itself."""


@dataclass
class Layout:
    """How a file was written, apart from its events, so that it can be written the same way again."""

    header_extra: bytes = b""  # what the header holds beyond its six bytes
    # The header's track count where it names fewer tracks than there are (players may stop there).
    declared_tracks: int | None = None
    # For each track, where it leaves out status bytes that repeat ("always" where not known).
    running: list[Running] = field(default_factory=list)
    # Foreign chunks: number of tracks before it, four-letter kind, content.
    chunks: list[tuple[int, bytes, bytes]] = field(default_factory=list)
    # For each track, what its chunk holds after the end mark.
    tails: dict[int, bytes] = field(default_factory=dict)
    junk: bytes = b""  # what follows the last chunk
    # The RIFF chunks before and after the MIDI data, when the file is wrapped (RMID).
    riff: tuple[bytes, bytes] | None = None


@dataclass
class MidiFile:
    """A Standard MIDI File in memory."""

    format: int  # 0 one track, 1 tracks that play together, 2 tracks that are pieces of their own
    division: int  # the header's 16 bits: ticks a quarter note, or (from 0x8000) frames and ticks a frame
    tracks: list[list[Event]]  # events in file order, ticks absolute
    warnings: list[str] = field(default_factory=list)  # what the reader had to forgive, one sentence each
    layout: Layout = field(default_factory=Layout)  # how it was written
    name: str = ""  # what messages call the file

    @property
    def ticks_per_quarter(self) -> int | None:
        """Ticks a quarter note, or None where the file counts in SMPTE time."""
        return self.division if self.division < 0x8000 else None

    @property
    def ticks_per_second(self) -> Fraction | None:
        """Ticks a second where the file counts in SMPTE time, else None (29 stands for 29.97 frames)."""
        if self.division < 0x8000:
            return None
        frames = 0x100 - (self.division >> 8)
        return (Fraction(30_000, 1001) if frames == 29 else Fraction(frames)) * (self.division & 0xFF)


def read_midi(path: str | PathLike[str]) -> MidiFile:
    """Read the Standard MIDI File at `path`.

    InputProblem if the file is missing, unreadable, empty, something else, or cut off.
    """
    return parse_midi(read_bytes(path), fspath(path))


def parse_midi(data: bytes, name: str = "the MIDI file") -> MidiFile:
    """Read a Standard MIDI File from its bytes; messages call it `name`.

    InputProblem if it is empty, something else than a MIDI file, or cut off.
    """
    layout = Layout()
    warnings: list[str] = []
    data = _unwrap(bytes(data), name, layout, warnings)
    head = int.from_bytes(data[4:8], "big")
    if head < 6 or len(data) < 8 + head:
        raise InputProblem(f"{name} is cut off in its header", "fetch or export the file again")
    file_format, declared, division = struct.unpack(">HHH", data[8:14])
    layout.header_extra = data[14 : 8 + head]
    if file_format > 2:
        raise InputProblem(
            f"{name} is a MIDI file of format {file_format}, unknown here", "formats are 0, 1 and 2"
        )
    if division == 0 or (division >= 0x8000 and not division & 0xFF):
        raise InputProblem(f"{name} gives 0 ticks a beat: its header is damaged", "export the file again")
    collecting = gc.isenabled()
    gc.disable()  # hundreds of thousands of small tuples, none of them garbage
    try:
        tracks = _read_chunks(data, 8 + head, declared, name, layout, warnings)
    finally:
        if collecting:
            gc.enable()
    if not tracks:
        what = (
            f"is cut off before the first of its {declared} tracks" if declared else "holds no track at all"
        )
        raise InputProblem(f"{name} {what}", "fetch or export the file again")
    if len(tracks) > MAX_TRACKS:
        raise InputProblem(f"{name} holds {len(tracks)} tracks", f"a MIDI file has at most {MAX_TRACKS}")
    if file_format == 2 and len(tracks) > MAX_PIECES:
        raise InputProblem(
            f"{name} holds {len(tracks)} pieces of their own",
            f"a file of format 2 may hold {MAX_PIECES} here",
        )
    if declared != len(tracks):
        warnings.append(f"the header counts {declared}, the tracks are {len(tracks)}")
        if declared < len(tracks):
            layout.declared_tracks = declared
    if file_format == 0 and len(tracks) > 1:
        warnings.append(f"a file of format 0 has one track, this has {len(tracks)}: they are played together")
    return MidiFile(file_format, division, tracks, warnings, layout, name)


def rebuild(mf: MidiFile, tracks: list[list[Event]]) -> MidiFile:
    """Return the same file (header, chunks, way of writing) with other events, track by track."""
    return replace(mf, tracks=tracks, warnings=list(mf.warnings))


def write_midi(path: str | PathLike[str], mf: MidiFile, overwrite: bool = False) -> None:
    """Write `mf` to `path`, whole or not at all.

    OutputProblem if the file exists and `overwrite` is false, or it cannot be written. ValueProblem if the
    events make no MIDI file; see `midi_bytes`.
    """
    write_bytes_atomic(path, midi_bytes(mf), overwrite)


def midi_bytes(mf: MidiFile) -> bytes:
    """Return the bytes of a Standard MIDI File.

    ValueProblem if a track's ticks run backwards or leave a gap of more than 268,435,455 ticks, an event is
    malformed, or something follows an end mark.
    """
    layout = mf.layout
    declared = len(mf.tracks) if layout.declared_tracks is None else layout.declared_tracks
    head = struct.pack(">HHH", mf.format, declared, mf.division) + layout.header_extra
    parts = [_chunk(b"MThd", head)]
    for number in range(len(mf.tracks) + 1):
        parts += [_chunk(kind, content) for before, kind, content in layout.chunks if before == number]
        if number < len(mf.tracks):
            running = layout.running[number] if number < len(layout.running) else "always"
            content = track_bytes(mf.tracks[number], running, number + 1)
            parts.append(_chunk(b"MTrk", content + layout.tails.get(number, b"")))
    whole = b"".join(parts) + layout.junk
    if layout.riff is None:
        return whole
    before, after = layout.riff
    body = (
        b"RMID" + before + b"data" + struct.pack("<I", len(whole)) + whole + b"\0" * (len(whole) % 2) + after
    )
    return b"RIFF" + struct.pack("<I", len(body)) + body


def _chunk(kind: bytes, content: bytes | bytearray) -> bytes:
    return b"".join((kind, struct.pack(">I", len(content)), content))


def _read_chunks(
    data: bytes, pos: int, declared: int, name: str, layout: Layout, warnings: list[str]
) -> list[list[Event]]:
    """Read all chunks after the header; fill `layout` and `warnings`."""
    tracks: list[list[Event]] = []
    found: list[Track] = []
    share: dict[bytes, bytes] = {}
    total = len(data)
    while pos < total:
        kind = data[pos : pos + 4]
        size = int.from_bytes(data[pos + 4 : pos + 8], "big")
        if kind == b"MTrk"[: len(kind)] and total - pos < 8 and len(tracks) < declared:
            raise InputProblem(
                f"{name} is cut off before track {len(tracks) + 1}", "fetch or export the file again"
            )
        if kind == b"MTrk" and total - pos >= 8:
            track, pos = _read_track(data, pos + 8, size, share, name, len(tracks), layout, warnings)
            tracks.append(track.events)
            found.append(track)
        elif _plausible(data, pos) and pos + 8 + size <= total:
            layout.chunks.append((len(tracks), kind, data[pos + 8 : pos + 8 + size]))
            pos += 8 + size
        else:
            layout.junk = data[pos:]
            warnings.append(f"{total - pos} bytes after the last track are no part of a MIDI file")
            break
    styles = [track.running for track in found if track.running]
    usual: Running = max(styles, key=styles.count) if styles else "always"
    layout.running = [track.running or usual for track in found]
    return tracks


def _read_track(
    data: bytes,
    start: int,
    size: int,
    share: dict[bytes, bytes],
    name: str,
    number: int,
    layout: Layout,
    warnings: list[str],
) -> tuple[Track, int]:
    """Read a track whose content starts at `start`; return it and the position of the next chunk."""
    label = f"track {number + 1}"
    total = len(data)
    end = min(start + size, total)
    whole = start + size <= total
    track = read_events(data, start, end, share)
    follows = end
    if track.ended:
        tail = data[track.stop : end]
        if not whole or tail.startswith(b"MTrk"):
            warnings.append(f"{label} is shorter than its header says")
            follows = track.stop
        elif tail:
            warnings.append(f"{label} holds {len(tail)} bytes after its end mark, which players skip")
            layout.tails[number] = tail
    elif whole and (track.damage or not _plausible(data, end)):
        longer = read_events(data, start, total, share)
        if longer.ended and (longer.stop == total or _plausible(data, longer.stop)):
            warnings.append(f"{label} is longer than its header says")
            track, follows = longer, longer.stop
    elif not whole:
        track.damage = track.damage or "breaks off"
    if track.damage:
        beat = ""
        division = int.from_bytes(data[12:14], "big")
        if track.events and division < 0x8000:
            beat = f" after beat {track.events[-1][0] // division + 1}"
        raise InputProblem(
            f"{name} is cut off or damaged: {label} {track.damage}{beat}", "fetch or export it again"
        )
    if not track.ended:
        warnings.append(f"{label} has no end mark: one is added where it is written again")
    if track.strays:
        warnings.append(f"{label} holds system messages that do not belong in a file; they are kept")
    return track, follows


def _plausible(data: bytes, pos: int) -> bool:
    """Whether a chunk may begin at `pos`: the end of the file, or four printable letters."""
    return pos >= len(data) or (
        len(data) - pos >= 8 and all(0x20 <= byte < 0x7F for byte in data[pos : pos + 4])
    )


def _unwrap(data: bytes, name: str, layout: Layout, warnings: list[str]) -> bytes:
    """Return the MIDI file proper, taken out of a RIFF or MacBinary wrapper where there is one."""
    if data[:4] == b"MThd":
        return data
    if not data:
        raise InputProblem(f"{name} is empty", "fetch or export the file again")
    if data[0] == 0 and data[128:132] == b"MThd":
        warnings.append("the MacBinary header before the MIDI data is left out")
        return data[128:]
    if data[:4] == b"RIFF" and data[8:12] == b"RMID":
        pos = 12
        while pos + 8 <= len(data):
            kind, size = struct.unpack("<4sI", data[pos : pos + 8])
            if kind == b"data" and data[pos + 8 : pos + 12] == b"MThd":
                stop = pos + 8 + size
                layout.riff = (data[12:pos], data[stop + size % 2 :])
                return data[pos + 8 : stop]
            pos += 8 + size + size % 2
        raise InputProblem(f"{name} is a RIFF file without MIDI data in it", "export it as a plain MIDI file")
    if (kind := _recording(data)) is not None:
        raise InputProblem(
            f"{name} is a recording ({kind}): all its notes are one sound, and cannot be retuned one by one",
            "get the piece as a MIDI file (.mid); or tune the guitar to the recording, and name that pitch with "
            "--reference",
        )
    raise InputProblem(f"{name} is not a MIDI file", _what_instead(data))


def _recording(data: bytes) -> str | None:
    """Name the kind of sound file that something is; None if it is none that backing tracks come as.

    Sources: ISO 11172-3 (a frame of MPEG audio begins with eleven bits set, then version and layer, none of which may
    be the reserved one); ID3v2; RFC 3533 (Ogg); RFC 9639 (FLAC); ISO 14496-12 (``ftyp``).
    """
    for start, kind in ((b"ID3", "MP3"), (b"OggS", "Ogg"), (b"fLaC", "FLAC"), (b"FORM", "AIFF")):
        if data.startswith(start):
            return kind
    if data[:4] in (b"RIFF", b"RF64"):
        return "WAV" if data[8:12] == b"WAVE" else "RIFF"
    if data[4:8] == b"ftyp":
        return "M4A or MP4"
    head = data[:2] + b"\0\0"
    if head[0] == 0xFF and head[1] & 0xE0 == 0xE0 and head[1] & 0x18 != 0x08:
        return "MP3" if head[1] & 0x06 else "AAC"
    return None


_OTHERS = (
    (b"PK\x03\x04", "it is a packed archive or a score: unpack it or export it as MIDI first"),
    (b"\x1f\x8b", "it is packed: unpack it first"),
    (b"<?xml", "it is a score or a page of text: export it as MIDI first"),
    (b"\xf0", "it holds SysEx messages: try the read command"),
)


def _what_instead(data: bytes) -> str:
    """Guess what a file is that is no MIDI file, and what to do."""
    for start, hint in _OTHERS:
        if data.startswith(start):
            return hint
    return "a MIDI file starts with the letters MThd; export the file again"
