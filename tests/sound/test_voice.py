"""The voice's pitch: synthetic vowels whose centre is known, Praat's tracker beside it, a speech synthesiser's voices.

Praat's pitch is P. Boersma's (Proc. Institute of Phonetic Sciences Amsterdam 17, 1993), through the package
praat-parselmouth; the speech synthesiser is espeak-ng. Neither shares code with ours.
"""

from __future__ import annotations

import math
import subprocess
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from support import needs
from support.voices import VOWELS, Sung, phrase, random_sung

from bridge.errors import ValueProblem
from bridge.sound.analysis.contour import CLEAR
from bridge.sound.listening.listen import hear
from bridge.sound.listening.voice import follow
from bridge.sound.listening.voice.follow import follow_voice, frame_s
from bridge.sound.listening.voice.meter import VoiceMeter, VoiceReading
from bridge.sound.listening.voice.notes import SungNote, voice_notes
from bridge.sound.listening.voice.vibrato import Centre, centre_of

pytestmark = pytest.mark.slow

RATE = 44100
STEP_S = 0.01


def cents(hz: float, from_hz: float) -> float:
    return 1200 * math.log2(hz / from_hz)


def drawn(count: int, seconds: float, seed: int) -> list[tuple[Sung, np.ndarray]]:
    rng = np.random.default_rng(seed)
    notes = [random_sung(rng) for _ in range(count)]
    return [(note, note.samples(seconds, RATE, rng)) for note in notes]


def centre(sound: np.ndarray) -> Centre:
    """The centre of a note that fills a sound."""
    track = follow_voice(sound, RATE)
    ok = (track.clarity >= CLEAR) & (track.hz > 0)
    hz = float(np.median(track.hz[ok]))
    return centre_of(track.t[ok], 1200 * np.log2(track.hz[ok]), frame_s(hz))


# --- vibrato


def test_the_centre_does_not_care_where_in_its_cycle_a_note_begins_or_ends() -> None:
    rng = np.random.default_rng(1)
    for seconds in (0.4, 0.6, 1.0):
        for _ in range(100):
            t = np.arange(0, seconds, STEP_S)
            rate_hz, width, phase = rng.uniform(4, 7), rng.uniform(20, 100), rng.uniform(0, 2 * np.pi)
            pitch = 300.0 + width * np.sin(2 * np.pi * rate_hz * t + phase) + rng.standard_normal(t.size)
            found = centre_of(t, pitch, 0.0)
            assert abs(found.cents - 300.0) < 2.0
            assert found.vibrato_hz == pytest.approx(rate_hz, abs=0.2)
            assert found.vibrato_cents == pytest.approx(width, rel=0.05, abs=1.0)
            assert found.steadiness_cents < 1.6


def test_a_steady_note_has_no_vibrato_and_a_slip_does_not_count() -> None:
    rng = np.random.default_rng(2)
    t = np.arange(0, 1.0, STEP_S)
    pitch = 100.0 + 2.0 * rng.standard_normal(t.size)
    pitch[30:33] += 1200.0
    found = centre_of(t, pitch, 0.0)
    assert (found.vibrato_hz, found.vibrato_cents) == (0.0, 0.0)
    assert found.cents == pytest.approx(100.0, abs=1.0)
    assert found.steadiness_cents == pytest.approx(2.0, rel=0.3)


def test_the_frames_length_does_not_narrow_the_vibrato() -> None:
    # A mean over T of a wave of f leaves sinc(f T) of it.
    t = np.arange(0, 1.0, STEP_S)
    seen = 50.0 * np.sinc(6.0 * 0.046) * np.sin(2 * np.pi * 6.0 * t)
    assert centre_of(t, seen, 0.046).vibrato_cents == pytest.approx(50.0, abs=0.5)


# --- synthetic vowels


@pytest.mark.parametrize(("seconds", "most_cents"), [(0.6, 3.0), (1.0, 1.0)])
def test_vowels_with_vibrato_and_breath_have_their_centre(seconds: float, most_cents: float) -> None:
    off = [
        abs(1200 * math.log2(2 ** (centre(sound).cents / 1200) / note.hz))
        for note, sound in drawn(15, seconds, 3)
    ]
    assert max(off) < most_cents
    assert np.median(off) < 0.3


@pytest.mark.slow
def test_octaves_and_centres_of_many_vowels() -> None:
    wrong = frames = 0
    off = []
    for note, sound in drawn(300, 1.0, 4):
        track = follow_voice(sound, RATE)
        ok = (track.clarity >= CLEAR) & (track.hz > 0)
        wrong += int(np.sum(np.abs(1200 * np.log2(track.hz[ok] / note.hz)) > 300.0))
        frames += int(ok.sum())
        found = centre_of(track.t[ok], 1200 * np.log2(track.hz[ok] / note.hz), frame_s(note.hz))
        off.append(abs(found.cents))
        assert found.vibrato_hz == pytest.approx(note.vibrato_hz, abs=0.1)
        assert found.vibrato_cents == pytest.approx(note.vibrato_cents, rel=0.08)
    assert frames > 15000
    assert wrong < 0.001 * frames
    assert max(off) < 1.0


@pytest.mark.more
def test_at_least_as_near_as_praat() -> None:
    parselmouth: Any = needs.more("parselmouth")
    for seconds in (0.6, 1.0):
        ours, theirs = [], []
        for note, sound in drawn(60, seconds, 5):
            ours.append(abs(cents(2 ** (centre(sound).cents / 1200), note.hz)))
            pitch = parselmouth.Sound(sound, RATE).to_pitch_ac(
                time_step=0.0116, pitch_floor=60, pitch_ceiling=1500
            )
            hz = pitch.selected_array["frequency"]
            theirs.append(
                abs(centre_of(pitch.xs()[hz > 0], 1200 * np.log2(hz[hz > 0] / note.hz), 0.05).cents)
            )
        for share in (0.5, 0.95):
            assert np.quantile(ours, share) <= np.quantile(theirs, share)


@pytest.mark.more
@pytest.mark.parametrize("voice", ["en", "en+m3", "it", "en+f5"])
def test_a_speech_synthesisers_voices_agree_with_praat(tmp_path: Path, voice: str) -> None:
    parselmouth: Any = needs.more("parselmouth")
    path = tmp_path / "speech.wav"
    text = "la la la, mamma mia, oh where are you now, low and slow"
    espeak = needs.program("espeak-ng")
    subprocess.run([espeak, "-v", voice, "-p", "50", "-s", "90", "-w", path, text], check=True, timeout=60)
    sound, rate = soundfile.read(path)
    track = follow_voice(sound, rate)
    pitch = parselmouth.Sound(sound, rate).to_pitch_ac(time_step=0.005, pitch_floor=60, pitch_ceiling=800)
    t, hz = pitch.xs(), pitch.selected_array["frequency"]
    nearest = np.abs(t - track.t[:, None]).argmin(axis=1)
    both = (track.clarity >= CLEAR) & (track.hz > 0) & (hz[nearest] > 0)
    both &= track.level > 0.02 * track.level.max()
    off = np.abs(1200 * np.log2(track.hz[both] / hz[nearest][both]))
    assert both.sum() > 300
    assert np.median(off) < 2.0
    assert np.mean(off > 300.0) < 0.001


# --- notes of a take


def sung(sound: np.ndarray) -> list[SungNote]:
    return voice_notes(sound.astype(np.float32), RATE)


@pytest.mark.parametrize("vibrato_cents", [0.0, 15.0, 40.0, 100.0])
@pytest.mark.parametrize("rest_s", [0.0, 0.15])
def test_three_sung_notes_are_heard_as_three_notes(vibrato_cents: float, rest_s: float) -> None:
    """With scoops into them, joined or apart, a third and a third: no strings plucked at once."""
    rng = np.random.default_rng([int(vibrato_cents), int(100 * rest_s)])
    base = float(rng.uniform(110, 400))
    notes = [
        Sung(
            base * ratio,
            str(rng.choice(list(VOWELS))),
            float(rng.uniform(4, 7)),
            vibrato_cents,
            float(rng.uniform(0, 6)),
            scoop_cents=float(rng.uniform(-80, 20)),
            breath_db=float(rng.uniform(20, 40)),
        )
        for ratio in (1, 5 / 4, 3 / 2)
    ]
    sound = phrase([(note, 1.0) for note in notes], RATE, rng, rest_s)
    heard = hear(sound, RATE)
    assert len(heard.notes) == 3, heard
    assert not heard.refusals
    for k, (got, note) in enumerate(zip(heard.notes, notes, strict=True)):
        assert abs(cents(got.hz, note.hz)) < 1.5
        assert got.cents_sd < 6.0
        assert got.start_s == pytest.approx(0.2 + k * (1.0 + rest_s), abs=0.15)
    for got, note in zip(sung(sound), notes, strict=True):
        assert got.vibrato_cents == pytest.approx(vibrato_cents, rel=0.1, abs=1.0)
        if vibrato_cents:
            assert got.vibrato_hz == pytest.approx(note.vibrato_hz, abs=0.2)


# --- live


def readings(
    meter: VoiceMeter, sound: np.ndarray, rate: int, block: int = 256
) -> list[tuple[float, VoiceReading]]:
    out = []
    for first in range(0, sound.size, block):
        reading = meter.feed(sound[first : first + block])
        if reading is not None:
            out.append(((first + block) / rate, reading))
    return out


@pytest.mark.slow
def test_live_the_first_reading_comes_within_120_ms_and_the_centre_settles() -> None:
    rate = 48000
    rng = np.random.default_rng(6)
    late, after_06, after_1 = [], [], []
    for _ in range(5):
        note = random_sung(rng)
        lead = 1e-4 * rng.standard_normal(rate // 5)
        got = readings(VoiceMeter(rate), np.concatenate([lead, note.samples(1.4, rate, rng)]), rate)
        late.append(got[0][0] - 0.2)
        assert {reading.note for _, reading in got} == {1}
        # No octave, ever: nothing beyond the vibrato itself.
        assert all(abs(cents(reading.hz, note.hz)) < note.vibrato_cents + 60.0 for _, reading in got)
        after_06 += [abs(cents(r.centre_hz, note.hz)) for _, r in got if 0.6 <= r.held_s < 1.0]
        after_1 += [abs(cents(r.centre_hz, note.hz)) for _, r in got if r.held_s >= 1.0]
    assert max(late) <= 0.120
    assert max(after_06) < 3.0
    assert np.quantile(after_1, 0.95) < 1.0


@pytest.mark.slow
def test_live_a_phrase_is_counted_note_by_note() -> None:
    rng = np.random.default_rng(7)
    notes = [Sung(220.0 * ratio, "a", 5.5, 40.0) for ratio in (1, 9 / 8, 5 / 4, 1)]
    for rest_s in (0.0, 0.2):
        sound = phrase([(note, 0.9) for note in notes], RATE, rng, rest_s)
        got = [r for _, r in readings(VoiceMeter(RATE), sound, RATE)]
        last = {reading.note: reading for reading in got if reading.held_s > 0.6}
        assert [round(cents(r.centre_hz, 220.0) / 10) for r in last.values()] == [0, 20, 39, 0]


def test_live_silence_and_noise_are_no_voice() -> None:
    rng = np.random.default_rng(8)
    assert readings(VoiceMeter(RATE), np.zeros(RATE), RATE) == []
    assert readings(VoiceMeter(RATE), 0.1 * rng.standard_normal(RATE), RATE) == []


@pytest.mark.parametrize("rate", [16000, 22050, 96000, 192000])
def test_live_at_other_rates(rate: int) -> None:
    note = Sung(330.0, "o", 5.0, 50.0)
    sound = note.samples(1.3, rate, np.random.default_rng(9))
    got = readings(VoiceMeter(rate), sound, rate)
    assert abs(cents(got[-1][1].centre_hz, note.hz)) < 1.5


def test_values_out_of_range() -> None:
    with pytest.raises(ValueProblem, match="8000 to 192000"):
        VoiceMeter(44.1)
    with pytest.raises(ValueProblem, match="range 500 to 100 Hz"):
        VoiceMeter(RATE, 500, 100)


def test_a_long_take_is_followed_in_pieces_as_in_one(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(12)
    notes = [
        (Sung(hz, vibrato_cents=40.0, breath_db=30.0), 0.8) for hz in (196.0, 220.0, 294.0, 262.0, 220.0)
    ]
    sound = phrase(notes, RATE, rng)
    whole = follow_voice(sound, RATE)
    monkeypatch.setattr(follow, "PIECE_S", 1.1)
    monkeypatch.setattr(follow, "AROUND_S", 0.3)
    pieces = follow_voice(sound, RATE)
    assert np.allclose(pieces.t, whole.t, rtol=0, atol=1e-9)
    assert np.allclose(pieces.level, whole.level, rtol=1e-6)
    both = (pieces.hz > 0) & (whole.hz > 0)
    assert np.array_equal(pieces.hz > 0, whole.hz > 0)
    assert np.max(np.abs(1200 * np.log2(pieces.hz[both] / whole.hz[both]))) < 1e-3
