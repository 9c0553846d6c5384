"""What was sung in a take: synthetic voices of known pitch, set against a pure table.

The intervals are those of a just major scale over D (H. Helmholtz, *On the Sensations of Tone*, chapter XV): 1, 9/8,
5/4, 3/2, 2. Figures allowed are those of the voice's own tests: 3 cents after 0.6 s, one over a second.
"""

from __future__ import annotations

import csv
import io
import xml.etree.ElementTree as ElementTree

import numpy as np
import pytest
from support.voices import Sung, phrase

import bridge
from bridge.errors import InputProblem
from bridge.jobs.sing import (
    COLUMNS,
    Song,
    against_table,
    beats_against,
    hear_song,
    nearest,
    song_csv,
    song_told,
)
from bridge.jobs.sing_picture import song_svg
from bridge.sound.listening.voice.notes import SungNote
from bridge.tuning.tables import Table

RATE = 44100
D3 = 146.5
# Degree, ratio to the tonic, cents off, vibrato in cents.
SUNG = (("1", 1, 0, 0), ("3", 5 / 4, 8, 40), ("5", 3 / 2, -6, 0), ("1", 2, 3, 60), ("2", 9 / 8, -12, 0))


@pytest.fixture(scope="module")
def table() -> Table:
    return bridge.table(guitar="open-d", reference=f"D3={D3}")


def take(notes: tuple[tuple[str, float, float, float], ...], seconds: float = 1.2) -> np.ndarray:
    return phrase(
        [
            (Sung(D3 * ratio * 2 ** (off / 1200), vibrato_cents=vibrato, breath_db=30.0), seconds)
            for _, ratio, off, vibrato in notes
        ],
        RATE,
        np.random.default_rng(5),
    )


def test_every_note_has_its_degree_and_its_distance_from_pure(table: Table) -> None:
    song = hear_song(take(SUNG), RATE, table)
    assert [row.degree for row in song.rows] == [degree for degree, *_ in SUNG]
    for row, (_, ratio, off, vibrato) in zip(song.rows, SUNG, strict=True):
        assert row.cents_from_pure == pytest.approx(off, abs=1.0)
        assert row.hz == pytest.approx(D3 * ratio * 2 ** (off / 1200), rel=1e-3)
        assert row.vibrato_cents == pytest.approx(vibrato, abs=5.0)
        assert row.vibrato_hz == pytest.approx(5.5 if vibrato else 0.0, abs=0.3)
        assert row.end_s - row.start_s == pytest.approx(1.2, abs=0.1)


def test_csv_has_a_row_for_each_note(table: Table) -> None:
    song = hear_song(take(SUNG[:3]), RATE, table)
    rows = list(csv.DictReader(io.StringIO(song_csv(song))))
    assert tuple(rows[0]) == COLUMNS
    assert [row["note"] for row in rows] == ["D3", "F#3", "A3"]
    assert float(rows[1]["cents_from_pure"]) == pytest.approx(8, abs=1.0)


def sung_note(hz: float, start_s: float = 0.0, vibrato_cents: float = 0.0) -> SungNote:
    return SungNote(start_s, start_s + 1, hz, 0.1, 0.5, 5.5 if vibrato_cents else 0.0, vibrato_cents, hz, 0.0)


def test_a_voice_that_sinks_keeps_its_degrees(table: Table) -> None:
    """Nine cents a step: after six notes they lie nearer to other degrees, and are none of them."""
    steps = (1, 9 / 8, 5 / 4, 9 / 8, 1, 9 / 8, 5 / 4, 9 / 8, 1)
    notes = [sung_note(D3 * ratio * 2 ** (-9 * k / 1200), k) for k, ratio in enumerate(steps)]
    rows = against_table(notes, table)
    assert [row.degree for row in rows] == ["1", "2", "3", "2", "1", "2", "3", "2", "1"]
    assert rows[-1].cents_from_pure == pytest.approx(-72.0, abs=1e-6)


def strayed(*notes: tuple[float, float]) -> str:
    """What is told of notes, each a ratio to the tonic and cents off."""
    table = bridge.table(guitar="open-d", reference=f"D3={D3}")
    sung = [sung_note(D3 * ratio * 2 ** (off / 1200), k) for k, (ratio, off) in enumerate(notes)]
    return song_told(Song(against_table(sung, table), np.zeros(0), np.zeros(0)))[1]


def test_what_strayed_is_told_by_the_same_degree(table: Table) -> None:
    """Whoever sings each third 12 cents low has not sunk by ending on one."""
    falling = [(d, r, -6.0 * k, 0) for k, (d, r, *_) in enumerate([*SUNG, *SUNG[::-1]])]
    told = song_told(hear_song(take(tuple(falling), 0.7), RATE, table))
    assert "the last note lies 54 cents below the first, both on degree 1 (D)" in told
    assert strayed((1, 0), (9 / 8, 0), (5 / 4, -12), (3 / 2, 0), (9 / 8, -31), (5 / 4, -43)) == (
        "the end lies 31 cents below the beginning, measured by the same degree, 3 (F#)"
    )
    assert strayed((1, 0), (9 / 8, -10), (3 / 2, -20), (5 / 4, -30)) == (
        "the last notes lie 20 cents below the first, each from its own pure line"
    )
    assert strayed((1, 0), (9 / 8, -4), (5 / 4, 2), (2, 3)) == (
        "the last note lies where the first did, both on degree 1 (D)"
    )


def test_another_reference_is_asked_about(table: Table) -> None:
    flat = tuple((d, r, -15.0, 0) for d, r, *_ in SUNG)
    told = " ".join(song_told(hear_song(take(flat, 0.7), RATE, table)))
    assert "the end lies where the beginning did, measured by the same degree, 1 (D)" in told
    assert "15 cents below the table: was the reference the string that was sung to?" in told


def test_beats_with_a_drone_only_where_a_voice_is_steady() -> None:
    """A fifth two cents wide over 100 Hz: partials 3 and 2 at 300 Hz beat (Helmholtz, chapter X)."""
    hz = 150 * 2 ** (2 / 1200)
    wanted = abs(2 * hz - 300)
    assert beats_against(hz, 1.0, 0.0, (100.0,)) == pytest.approx(wanted)
    assert beats_against(hz, 8.0, 0.0, (100.0,)) is None
    assert beats_against(hz, 1.0, 30.0, (100.0,)) is None
    assert beats_against(hz, 1.0, 0.0, ()) is None
    # Of tonic and fifth the fifth shares the simplest partials: a unison.
    assert beats_against(hz, 1.0, 0.0, (100.0, 150.0)) == pytest.approx(hz - 150)


def test_a_drone_that_sounded_is_taken_out(table: Table) -> None:
    rng = np.random.default_rng(8)
    voice = np.concatenate([np.zeros(round(1.8 * RATE)), take((("3", 5 / 4, 7, 0), ("5", 3 / 2, -4, 0)))])
    t = np.arange(voice.size) / RATE
    drone = sum(np.cos(2 * np.pi * n * hz * t) / n for hz in (D3, D3 * 3 / 2) for n in range(1, 15))
    level = 0.3 * np.sqrt(np.mean(voice**2) / np.mean(drone**2))
    heard = voice + level * drone + 1e-4 * rng.standard_normal(voice.size)
    song = hear_song(heard, RATE, table, [50, 57])
    assert [row.degree for row in song.rows] == ["3", "5"]
    assert [row.cents_from_pure for row in song.rows] == pytest.approx([7, -4], abs=3.0)
    assert song.rows[0].beats_hz is not None


def test_an_octave_away_is_the_same_degree(table: Table) -> None:
    for octave in (0.5, 1, 2, 4):
        key, cents = nearest(table, octave * D3 * 5 / 4)
        assert table.degrees[key] == "3"
        assert cents == pytest.approx(0.0, abs=1e-9)


def test_what_is_no_voice_is_refused(table: Table) -> None:
    rng = np.random.default_rng(1)
    with pytest.raises(InputProblem, match="no single voice"):
        hear_song(0.1 * rng.standard_normal(RATE), RATE, table)


def test_the_picture_shows_notes_lines_and_beats(table: Table) -> None:
    song = hear_song(take(SUNG), RATE, table)
    root = ElementTree.fromstring(song_svg(song, table, "<song> & more").split("\n", 1)[1])
    texts = ["".join(element.itertext()) for element in root.iter() if element.tag.endswith("text")]
    assert "<song> & more: what was sung, over D" in texts
    assert any(text.startswith("3 +8") and "5.5/s" in text for text in texts)
    assert "3\N{NO-BREAK SPACE}F#3" in texts or "3 F#3" in texts
    assert sum(element.tag.endswith("line") for element in root.iter()) > 300
