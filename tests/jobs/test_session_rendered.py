"""Tracks and tables of sessions as independent synths sound them, at least one track for every method.

Wherever the same pitched notes sound together for most of a second, all of them are measured. Tolerances are the
synths' own resolution, measured with FluidSynth 2.3.1 (the nearest whole cent: 0.51), TiMidity++ 2.14 (0.05 for tuning
messages) and tinysoundfont 0.3.7 (0.05 for bends at two semitones).
"""

from __future__ import annotations

import io
import itertools
from pathlib import Path

import mido
import numpy as np
import pytest
import soundfile
from support import evening, independent, measure, synths
from support.evening import EVENING, PieceFacts

from bridge.jobs.render import render_midi
from bridge.jobs.session.build import build_session
from bridge.store.smf import read_midi

pytestmark = pytest.mark.slow

LEAST_S = 0.85
TIMIDITY_FROM = 1
"""TiMidity++ 2.14 leaves out a note at the very first tick if its key is the next to be struck on the channel."""

PLAIN = [
    piece for piece in EVENING if piece.stem[:2] in ("01", "02", "05", "06")
]  # without drums, which sound too here


@pytest.fixture(scope="session")
def bundle(evening_bundle: Path) -> Path:
    return evening_bundle


def chords(path: Path) -> list[tuple[float, float, int, frozenset[int]]]:
    """Stretches in which the same notes sound: start and length in seconds, tick, keys."""
    reading = independent.read(path)
    notes = [note for track in reading.tracks for note in independent.notes(track)]
    order = independent.playing_order(reading)
    seconds = dict(zip((tick for tick, *_ in order), independent.seconds_of(reading), strict=True))
    edges = sorted({tick for note in notes for tick in (note.start_tick, note.end_tick or 0)})
    found = []
    for start, end in itertools.pairwise(edges):
        keys = frozenset(
            note.key for note in notes if note.start_tick <= start and (note.end_tick or 0) >= end
        )
        if keys and seconds[end] - seconds[start] >= LEAST_S:
            found.append((seconds[start], seconds[end] - seconds[start], start, keys))
    return found


LIFT_CENTS = 0.5
"""To a synth that rounds down to whole cents everything is sent half a cent higher, so that it ends at the nearest."""


def off_cents(
    rendering: synths.Rendering, piece: PieceFacts, from_tick: int = 0, lift_cents: float = 0.0
) -> list[float]:
    """How far every note of every stretch lies from the table that holds there, in cents."""
    found: list[float] = []
    for start_s, length_s, tick, keys in chords(evening.FOLDER / "tracks" / f"{piece.stem[3:]}.mid"):
        if tick < from_tick:
            continue
        wanted = [evening.hz(piece.at_tick(tick), key) for key in sorted(keys)]
        heard = rendering.tones_hz(wanted, start_s + 0.1, length_s - 0.15, within_cents=40)
        found += [measure.cents(a, b) - lift_cents for a, b in zip(heard, wanted, strict=True)]
    assert len(found) >= 20
    return found


@pytest.mark.parametrize("piece", PLAIN, ids=lambda piece: piece.stem)
def test_single_notes_on_fluidsynth_and_timidity(piece: PieceFacts, bundle: Path, sine_font: Path) -> None:
    track = bundle / "synths/organ" / f"{piece.stem}.track.mid"
    assert max(map(abs, off_cents(synths.render_fluidsynth(track, sine_font), piece))) <= 0.51
    exact = synths.render_timidity(track, sine_font)  # sounds what is sent
    assert max(map(abs, off_cents(exact, piece, TIMIDITY_FROM, LIFT_CENTS))) <= 0.05


@pytest.mark.parametrize("piece", PLAIN[:2], ids=lambda piece: piece.stem)
def test_whole_tables_on_timidity(piece: PieceFacts, bundle: Path, sine_font: Path) -> None:
    track = bundle / "synths/rack" / f"{piece.stem}.track.mid"
    assert max(map(abs, off_cents(synths.render_timidity(track, sine_font), piece, TIMIDITY_FROM))) <= 0.05


@pytest.mark.fetched
@pytest.mark.parametrize("piece", PLAIN, ids=lambda piece: piece.stem)
def test_bends_on_tinysoundfont(piece: PieceFacts, bundle: Path, sine_font: Path) -> None:
    track = bundle / "synths/student" / f"{piece.stem}.track.mid"
    assert max(map(abs, off_cents(synths.render_tinysoundfont(track, sine_font), piece))) <= 0.05


def test_a_track_as_it_was_is_out_of_tune(bundle: Path, sine_font: Path) -> None:
    """The control: the same measurement finds what retuning cured."""
    track = bundle / "session/tracks/low-water.mid"
    assert max(map(abs, off_cents(synths.render_timidity(track, sine_font), EVENING[0], TIMIDITY_FROM))) > 10


def test_fluidsynth_stores_every_table_that_is_loaded(bundle: Path) -> None:
    data = (bundle / "synths/organ/load-everything.syx").read_bytes()
    messages = [b"\xf0" + part + b"\xf7" for part in data[1:-1].split(b"\xf7\xf0")]
    program = 1
    for piece in EVENING:
        for table in dict.fromkeys(table for _, table in piece.tables):
            stored = synths.fluid_stored_table(messages, program=program)
            wanted = np.array([100 * evening.semitones(table, key) for key in range(128)])
            in_reach = (wanted > 0) & (wanted < 12799)
            assert np.max(np.abs(stored - wanted - LIFT_CENTS)[in_reach]) <= 0.00306
            program += 1
    assert program == 11


def test_a_recall_file_changes_what_fluidsynth_sounds(bundle: Path, sine_font: Path, tmp_path: Path) -> None:
    """Load everything, then step through the evening by recall files, a long note after each."""
    folder = bundle / "synths/organ"
    events: list[tuple[float, bytes]] = [(0.0, bytes((0xC0, 19)))]
    steps = [(piece, piece.tables[0][1]) for piece in EVENING]
    for number, path in enumerate(
        [folder / "load-everything.mid", *(folder / f"{p.stem}.recall.mid" for p, _ in steps)]
    ):
        reading = independent.read(path)
        for _, _, kind, data in independent.playing_order(reading):
            if not kind.startswith(("meta", "end")):
                events.append((2.0 * number, data))
        if number:
            events += [
                (2.0 * number + 0.1, bytes((0x90, 57, 90))),
                (2.0 * number + 1.9, bytes((0x80, 57, 0))),
            ]
    rendering = synths.render_fluidsynth(events, sine_font)
    for number, (_, table) in enumerate(steps, 1):
        wanted = evening.hz(table, 57)
        heard = rendering.tone_hz(wanted, 2.0 * number + 0.3, 1.5)
        assert abs(measure.cents(heard, wanted)) <= 0.51


SMALL = """\
schema = 1
title = "Small"
guitar = "open-d"
reference = "D3=146.5"

pages = false

[trims]
range_cents = 0

[[synths]]
name = "octave"
profile = "fluidsynth"
method = "octave"

[[synths]]
name = "zones"
profile = "mpe"
method = "mpe"

[[pieces]]
title = "Chords"
track = "chords.mid"

[[pieces.sections]]
bar = 2
tonic = "A"
"""
HELD = ((50, 54, 57, 62), (49, 52, 57, 61))


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two bars of 4/4 at 120, a chord each."""
    folder = tmp_path_factory.mktemp("small")
    track = mido.MidiTrack([mido.Message("program_change", program=19)])
    for keys in HELD:
        track += [mido.Message("note_on", note=key, velocity=80) for key in keys]
        track.append(mido.Message("note_off", note=keys[0], time=4 * 96 - 4))
        track += [mido.Message("note_off", note=key) for key in keys[1:]]
        track.append(mido.MetaMessage("marker", text="bar", time=4))
    midi = mido.MidiFile(ticks_per_beat=96)
    midi.tracks.append(track)
    midi.save(folder / "chords.mid")
    (folder / "small.toml").write_text(SMALL)
    build_session(folder / "small.toml", folder / "out", processes=1)
    return folder / "out"


def wanted_hz(bar: int) -> list[float]:
    under = (dict(EVENING[0].tables)[1], evening.Under("A", tuple(evening.DUODENE), tuple(evening.DUODENE)))[
        bar
    ]
    return [evening.hz(under, key) for key in HELD[bar]]


def test_octave_messages_on_fluidsynth(small: Path, sine_font: Path) -> None:
    rendering = synths.render_fluidsynth(small / "synths/octave/01-chords.track.mid", sine_font)
    for bar in (0, 1):
        heard = rendering.tones_hz(wanted_hz(bar), 2.0 * bar + 0.2, 1.7, within_cents=40)
        assert max(abs(measure.cents(a, b)) for a, b in zip(heard, wanted_hz(bar), strict=True)) <= 0.51


def test_an_octave_set_up_on_fluidsynth(small: Path, sine_font: Path) -> None:
    events = []
    for name, at in (("01-chords.setup.mid", 0.0), ("01-chords.bar-2.setup.mid", 2.0)):
        for _, _, kind, data in independent.playing_order(independent.read(small / "synths/octave" / name)):
            if not kind.startswith(("meta", "end")):
                events.append((at, data))
        events += [(at + 0.1, bytes((0x90, 61, 90))), (at + 1.9, bytes((0x80, 61, 0)))]
    rendering = synths.render_fluidsynth(events, sine_font)
    for bar, ratio in ((0, 15 / 8), (1, 3 / 2 * 5 / 4)):  # C#4: seventh of D, third of A: the same here
        heard = rendering.tone_hz(146.5 * ratio, 2.0 * bar + 0.3, 1.5)
        assert abs(measure.cents(heard, 146.5 * ratio)) <= 0.51


def test_mpe_in_the_built_in_generator(small: Path) -> None:
    """No synth at hand obeys MPE zones: the built-in generator does, and its pitch is measured from its sound."""
    track = read_midi(small / "synths/zones/01-chords.track.mid")
    samples, rate = soundfile.read(io.BytesIO(render_midi(track)), always_2d=True)
    for bar in (0, 1):
        stretch = measure.window(samples, rate, 2.0 * bar + 0.3, 1.6)
        heard = measure.tones_hz(stretch, rate, wanted_hz(bar), within_cents=40)
        # Half a step at ±2 semitones is 0.0122 cents; partials of other notes at the same place cost a little more.
        assert max(abs(measure.cents(a, b)) for a, b in zip(heard, wanted_hz(bar), strict=True)) <= 0.05
