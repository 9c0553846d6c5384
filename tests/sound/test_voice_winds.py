"""The ear for voices hears violin and winds as well: synthetic ones whose pitch is known, and recorded ones.

The recorded ones are the samples of the General MIDI font of the Debian package ``fluid-soundfont-gm``, played by
FluidSynth. How far off a sample is nobody says, so two things are asked that do not depend on it: the same note bent
by so many cents (FluidSynth's pitch bend is exact: MIDI 1.0, range by RPN 0) is heard as that many cents away; and
Praat's tracker (package praat-parselmouth) hears the same centre.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np
import pytest
from support import needs
from support.sf2_samples import FONT
from support.synths import render_fluidsynth
from support.winds import RANGES_HZ, Played, random_played

from bridge.sound.analysis.contour import CLEAR
from bridge.sound.listening.listen import hear
from bridge.sound.listening.voice.follow import follow_voice, frame_s
from bridge.sound.listening.voice.meter import VoiceMeter, VoiceReading
from bridge.sound.listening.voice.notes import voice_notes
from bridge.sound.listening.voice.vibrato import Centre, centre_of

RATE = 44100
OCTAVE_CENTS = 300.0
"""Further off than this is another note."""


def readings(sound: np.ndarray) -> list[tuple[float, VoiceReading]]:
    meter = VoiceMeter(RATE)
    found = [((at + 512) / RATE, meter.feed(sound[at : at + 512])) for at in range(0, sound.size, 512)]
    return [(at_s, reading) for at_s, reading in found if reading is not None]


def centre(sound: np.ndarray, near_hz: float) -> tuple[Centre, np.ndarray]:
    """The centre above `near_hz` of a note that fills a sound, and all its frames."""
    track = follow_voice(sound, RATE)
    ok = (track.clarity >= CLEAR) & (track.hz > 0)
    cents = 1200 * np.log2(track.hz[ok] / near_hz)
    return centre_of(track.t[ok], cents, frame_s(near_hz)), cents


# --- synthetic


@pytest.mark.parametrize("instrument", list(RANGES_HZ))
def test_the_centre_after_six_tenths_of_a_second_and_no_octave(instrument: str) -> None:
    rng = np.random.default_rng(1)
    wrong = frames = 0
    for _ in range(20):
        note = random_played(instrument, rng)
        found, cents = centre(note.samples(0.6, RATE, rng), note.hz)
        assert abs(found.cents) < 3.0, note
        assert found.vibrato_cents == pytest.approx(note.vibrato_cents, rel=0.1, abs=1.0), note
        wrong += int(np.sum(np.abs(cents) > OCTAVE_CENTS))
        frames += cents.size
    assert frames > 500
    assert wrong == 0


@pytest.mark.slow
@pytest.mark.parametrize("instrument", list(RANGES_HZ))
def test_live(instrument: str) -> None:
    rng = np.random.default_rng(2)
    for _ in range(6):
        note = random_played(instrument, rng)
        lead = 1e-4 * rng.standard_normal(RATE // 5)
        got = readings(np.concatenate([lead, note.samples(1.1, RATE, rng)]))
        assert got[0][0] - 0.2 <= 0.120
        assert {reading.note for _, reading in got} == {1}
        assert all(abs(1200 * math.log2(reading.hz / note.hz)) < OCTAVE_CENTS for _, reading in got)
        settled = [1200 * math.log2(one.centre_hz / note.hz) for _, one in got if one.held_s >= 0.6]
        assert settled
        assert max(map(abs, settled)) < 3.0, note


@pytest.mark.parametrize("instrument", list(RANGES_HZ))
def test_a_phrase_is_heard_note_by_note(instrument: str) -> None:
    rng = np.random.default_rng(3)
    base_hz = RANGES_HZ[instrument][0] * 1.3
    notes = [Played(instrument, base_hz * ratio, 5.5, 20.0) for ratio in (1, 9 / 8, 5 / 4, 3 / 2)]
    rest = 1e-4 * rng.standard_normal(round(0.12 * RATE))
    sound = np.concatenate([rest, *(part for note in notes for part in (note.samples(0.7, RATE, rng), rest))])
    heard = hear(sound, RATE)
    assert not heard.refusals
    assert [round(1200 * math.log2(one.hz / base_hz)) for one in heard.notes] == pytest.approx(
        [0, 204, 386, 702], abs=2
    )


def test_what_lies_above_the_range_is_not_taken_for_its_lower_octave() -> None:
    note = Played("flute", 2500.0).samples(0.5, RATE, np.random.default_rng(4))
    assert readings(note) == []


# --- recorded

PROGRAMS = {
    "violin": (40, (57, 64, 69, 76)),
    "flute": (73, (62, 67, 72, 79)),
    "oboe": (68, (60, 65, 70, 75)),
    "clarinet": (71, (52, 57, 62, 69)),
}
"""General MIDI's program, counted from 0, and keys in the instrument's range."""

NOTE_S, FIRST_S, EVERY_S = 1.2, 0.2, 1.6
BEND_SEMITONES = 2


@cache
def performed(instrument: str, bend_cents: int = 0) -> np.ndarray:
    """The keys of an instrument one after the other, bent."""
    if not FONT.exists():
        needs.missing("FluidR3_GM.sf2", f"{needs.APT} fluid-soundfont-gm")
    program, keys = PROGRAMS[instrument]
    bend = 8192 + round(8192 * bend_cents / (100 * BEND_SEMITONES))
    events = [
        (0.0, bytes((0xC0, program))),
        *((0.0, bytes((0xB0, *pair))) for pair in ((101, 0), (100, 0), (6, BEND_SEMITONES))),
        (0.0, bytes((0xE0, bend & 0x7F, bend >> 7))),
    ]
    for at, key in enumerate(keys):
        start_s = FIRST_S + at * EVERY_S
        events += [(start_s, bytes((0x90, key, 90))), (start_s + NOTE_S, bytes((0x80, key, 0)))]
    return np.asarray(render_fluidsynth(events, FONT, rate_hz=RATE).samples.mean(axis=1))


def each(instrument: str, sound: np.ndarray, seconds: float) -> list[tuple[float, np.ndarray]]:
    """What equal temperament gives each key, and so much of its sound."""
    keys = PROGRAMS[instrument][1]
    first = [round((FIRST_S + at * EVERY_S) * RATE) for at in range(len(keys))]
    return [
        (440 * 2 ** ((key - 69) / 12), sound[at : at + round(seconds * RATE)])
        for key, at in zip(keys, first, strict=True)
    ]


@pytest.mark.slow
@pytest.mark.parametrize("instrument", list(PROGRAMS))
def test_a_recorded_note_that_is_bent_is_heard_as_far_away(instrument: str) -> None:
    straight = each(instrument, performed(instrument), 0.6)
    for bend_cents in (-40, 25):
        bent = each(instrument, performed(instrument, bend_cents), 0.6)
        for (hz, before), (_, after) in zip(straight, bent, strict=True):
            moved = centre(after, hz)[0].cents - centre(before, hz)[0].cents
            assert moved == pytest.approx(bend_cents, abs=3.0), hz


@pytest.mark.slow
@pytest.mark.parametrize("instrument", list(PROGRAMS))
def test_recorded_notes_are_told_apart_and_in_their_octave(instrument: str) -> None:
    sound = performed(instrument)
    keys = PROGRAMS[instrument][1]
    assert [round(69 + 12 * math.log2(note.hz / 440)) for note in voice_notes(sound, RATE)] == list(keys)
    wrong = frames = 0
    for hz, note in each(instrument, sound, NOTE_S):
        cents = centre(note, hz)[1]
        wrong += int(np.sum(np.abs(cents) > OCTAVE_CENTS))
        frames += cents.size
    assert frames > 350
    assert wrong == 0


@pytest.mark.slow
def test_a_flute_that_begins_an_octave_below_is_not_shown_there() -> None:
    """The upper octave of a flute is overblown: for its first 40 ms it sounds the lower one as well (chapter 16)."""
    for hz, note in each("flute", performed("flute"), 0.5)[-2:]:
        got = readings(np.concatenate([np.zeros(RATE // 5), note]))
        assert got[0][0] - 0.2 <= 0.120
        assert {reading.note for _, reading in got} == {1}
        assert all(abs(1200 * math.log2(reading.hz / hz)) < OCTAVE_CENTS for _, reading in got)


@pytest.mark.more
@pytest.mark.parametrize("instrument", list(PROGRAMS))
def test_praat_hears_the_same_centre_of_recorded_notes(instrument: str) -> None:
    parselmouth: Any = needs.more("parselmouth")
    for hz, sound in each(instrument, performed(instrument), NOTE_S):
        pitch = parselmouth.Sound(sound, RATE).to_pitch_ac(
            time_step=0.0116, pitch_floor=60, pitch_ceiling=1500
        )
        theirs = pitch.selected_array["frequency"]
        t, cents = pitch.xs()[theirs > 0], 1200 * np.log2(theirs[theirs > 0] / hz)
        near = np.abs(cents) < OCTAVE_CENTS
        assert centre(sound, hz)[0].cents == pytest.approx(
            centre_of(t[near], cents[near], 0.05).cents, abs=3.0
        )
