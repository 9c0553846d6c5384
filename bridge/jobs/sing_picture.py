"""The picture of a take that was sung: the pitch in time against the pure lines of a table, as SVG."""

from __future__ import annotations

from bridge.jobs.sing import Song
from bridge.sheet.phrases import glued
from bridge.sheet.shapes import picture_svg
from bridge.sheet.voice_line import LineNote, voice_picture
from bridge.tuning.ratios import hz_to_cents
from bridge.tuning.tables import Table


def song_svg(song: Song, table: Table, title: str) -> str:
    """Draw a take."""
    base_hz = float(table.hz[0])
    track = [
        (float(t), hz_to_cents(float(hz), base_hz) if hz > 0 else None)
        for t, hz in zip(song.t, song.hz, strict=True)
    ]
    lines = [
        (hz_to_cents(float(hz), base_hz), glued(f"{table.degrees[key] or ''} {table.note(key)}".strip()))
        for key, hz in enumerate(table.hz)
    ]
    notes = [
        LineNote(
            start_s=row.start_s,
            end_s=row.end_s,
            cents=hz_to_cents(row.hz, base_hz),
            off_cents=row.cents_from_pure,
            name=row.degree or row.note,
            beats_hz=row.beats_hz or 0.0,
            vibrato_hz=row.vibrato_hz,
            vibrato_cents=row.vibrato_cents,
        )
        for row in song.rows
    ]
    return picture_svg(voice_picture(f"{title}: what was sung, over {table.tonic}", track, lines, notes))
