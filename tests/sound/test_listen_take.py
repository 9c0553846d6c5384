"""Takes of several strings that ring on, plucks of the same string, damped strings, voices, names, JSON."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from support.heard import notes_of
from support.plucks import Pluck, noisy

from bridge.errors import InputProblem
from bridge.sound.analysis.onsets import find_onsets
from bridge.sound.listening.listen import hear, heard_to_json, name_string
from bridge.sound.listening.take import MOST_STROKES

RATE = 44100
# Open D from its sixth string: 2 : 3 : 4 : 5 : 6 : 8, all within one harmonic series, so that a new string shares
# its partials with those that ring.
OPEN_D = {6: 1.0, 5: 1.5, 4: 2.0, 3: 2.5, 2: 3.0, 1: 4.0}


def take(seed: int, base_hz: float = 73.416) -> tuple[np.ndarray, list[tuple[float, int, float]]]:
    """All six strings, one after the other in some order, none damped: the sound, and when, which, what pitch."""
    rng = np.random.default_rng(seed)
    order = [6, 5, 4, 3, 2, 1] if seed % 2 == 0 else rng.permutation([6, 5, 4, 3, 2, 1]).tolist()
    times = 0.3 + np.cumsum([0.0, *rng.uniform(1.2, 2.2, 5)])
    sound = np.zeros(round((times[-1] + 2.2) * RATE))
    truth = []
    for number, time in zip(order, times, strict=True):
        pluck = Pluck(
            base_hz * OPEN_D[number] * 2 ** (rng.uniform(-15, 15) / 1200),
            rng.uniform(0, 2e-4),
            rng.uniform(1, 4),
            phases=tuple(rng.uniform(0, 2 * np.pi, 12)),
        )
        start = round(time * RATE)
        sound[start:] += (
            rng.uniform(0.6, 1.0) * pluck.samples((sound.size - start) / RATE, RATE)[: sound.size - start]
        )
        truth.append((float(time), number, pluck.first_hz))
    return noisy(sound, rng.uniform(25, 40), rng), truth


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_six_strings_ringing_on(seed: int) -> None:
    sound, truth = take(seed)
    strings = [(number, 73.416 * ratio) for number, ratio in OPEN_D.items()]
    notes = notes_of(sound, RATE, strings=strings)
    found = 0
    for time, number, hz in truth:
        here = [note for note in notes if abs(note.start_s - time) < 0.08]
        if not here:
            continue  # refused: a string may drown among the others
        found += 1
        assert here[0].string == number
        off = 1200 * math.log2(here[0].hz / hz)
        assert abs(off) < max(0.1, 4 * here[0].cents_sd)
        assert abs(off) < 3.0
    assert found >= 5
    assert len(notes) == found


def test_onsets_are_placed_within_a_few_milliseconds() -> None:
    for seed in range(4):
        sound, truth = take(seed)
        found = np.array([onset.time_s for onset in find_onsets(sound, RATE)])
        assert found.size == len(truth)
        off = np.abs(found - np.array([time for time, _, _ in truth]))
        assert np.median(off) < 0.005
        assert off.max() < 0.06


def test_a_long_take_is_heard_as_its_parts_are() -> None:
    """A minute and a half, worked on piece by piece: every pluck is found, wherever the pieces meet."""
    part = noisy(Pluck(146.83, 5e-5, 0.3).samples(1.5, RATE), 40, np.random.default_rng(15))
    onsets = find_onsets(np.tile(part, 60), RATE)
    assert np.array([onset.time_s for onset in onsets]) == pytest.approx(1.5 * np.arange(60), abs=0.005)


def test_more_strokes_than_a_take_has_are_refused() -> None:
    part = noisy(Pluck(146.83, 5e-5, 0.3).samples(0.5, RATE), 40, np.random.default_rng(16))
    with pytest.raises(InputProblem, match=r"the sound has 20\d strokes; at most 200 are listened to"):
        hear(np.tile(part, MOST_STROKES + 3), RATE)


def test_the_same_string_plucked_again() -> None:
    rng = np.random.default_rng(8)
    sound = np.zeros(5 * RATE)
    for start, hz in ((0.2, 146.0), (1.6, 146.4), (3.0, 146.83)):
        at = round(start * RATE)
        sound[at:] = 0.0  # the finger stops it and lets go
        sound[at:] += Pluck(hz, 6e-5, 2.5, phases=tuple(rng.uniform(0, 6, 12))).samples(
            (sound.size - at) / RATE, RATE
        )
    notes = notes_of(noisy(sound, 35, rng), RATE, strings=[(4, 146.83)])
    assert [note.string for note in notes] == [4, 4, 4]
    for note, hz in zip(notes, (146.0, 146.4, 146.83), strict=True):
        assert abs(1200 * math.log2(note.hz / (hz * math.sqrt(1 + 6e-5)))) < max(0.5, 3 * note.cents_sd)


def test_a_string_damped_as_the_next_is_plucked() -> None:
    rng = np.random.default_rng(9)
    sound = np.zeros(4 * RATE)
    at = round(1.8 * RATE)
    sound[:at] += Pluck(73.4, 5e-5, 4.0).samples(1.8, RATE)
    sound[at:] += Pluck(110.2, 5e-5, 3.0).samples(2.2, RATE)
    notes = notes_of(noisy(sound, 35, rng), RATE)
    assert len(notes) == 2
    assert abs(1200 * math.log2(notes[1].hz / (110.2 * math.sqrt(1 + 5e-5)))) < max(
        0.5, 3 * notes[1].cents_sd
    )


@pytest.mark.parametrize("soft", [0.1, 0.2])
def test_a_soft_string_plucked_as_a_loud_one_is_damped_is_never_read_as_the_loud_one(soft: float) -> None:
    rng = np.random.default_rng(14)
    at = round(1.5 * RATE)
    sound = Pluck(73.4, 5e-5, 2.0).samples(4.0, RATE)
    sound[at:] *= np.exp(-np.arange(sound.size - at) / (0.015 * RATE))  # the hand's flesh takes 15 ms
    sound[at:] += soft * Pluck(293.66, 5e-5, 2.0).samples(4.0, RATE)[: sound.size - at]
    heard = hear(noisy(sound, 40, rng), RATE)
    for note in heard.notes:
        hz = 73.4 if note.start_s < 1.4 else 293.66
        assert abs(1200 * math.log2(note.hz / (hz * math.sqrt(1 + 5e-5)))) < max(0.5, 3 * note.cents_sd)


def test_vibrato_is_read_as_its_mean_with_a_wider_uncertainty() -> None:
    rng = np.random.default_rng(10)
    steady = Pluck(220.0, steady=True)
    waving = Pluck(220.0, steady=True, vibrato_cents=30.0, vibrato_hz=5.5)
    swell = np.minimum(1.0, np.arange(3 * RATE) / (0.3 * RATE))
    calm = notes_of(noisy(swell * steady.samples(3.0, RATE), 35, rng), RATE)
    wavy = notes_of(noisy(swell * waving.samples(3.0, RATE), 35, rng), RATE)
    assert len(calm) == len(wavy) == 1
    assert abs(1200 * math.log2(calm[0].hz / 220.0)) < 0.1
    assert abs(1200 * math.log2(wavy[0].hz / 220.0)) < 5.0
    assert wavy[0].cents_sd > 5 * calm[0].cents_sd


def test_a_bowed_note_that_swells_up_is_measured_exactly() -> None:
    # Bowed strings are driven: their partials are harmonic whatever the stiffness, and rise slowly.
    rng = np.random.default_rng(11)
    swell = np.minimum(1.0, np.arange(3 * RATE) / (0.5 * RATE))
    note = notes_of(noisy(swell * Pluck(196.0, steady=True).samples(3.0, RATE), 30, rng), RATE)[0]
    assert abs(1200 * math.log2(note.hz / 196.0)) < 0.05


def test_names_and_distances() -> None:
    pluck = Pluck(184.0, 0.0, 3.0)
    sound = noisy(pluck.samples(2.0, RATE), 35, np.random.default_rng(12))
    plain = notes_of(sound, RATE, tonic="D")[0]
    assert (plain.note, plain.key, plain.string, plain.cents_from_table) == ("F#3", 54, None, None)
    # F#3 is 184.9972 Hz in equal temperament at A440 (ISO 16); a pure third above D3 = 146.8324 is 183.5405.
    assert plain.cents_from_equal == pytest.approx(1200 * math.log2(184.0 / 184.9972), abs=0.02)
    table = 440.0 * 2 ** ((np.arange(128) - 69) / 12)
    table[54] = 183.5405
    placed = notes_of(
        np.column_stack([sound, sound]), RATE, strings=[(4, 146.8), (3, 183.5)], table_hz=table
    )[0]
    assert placed.string == 3
    assert placed.cents_from_table == pytest.approx(1200 * math.log2(184.0 / 183.5405), abs=0.02)


def test_a_string_is_named_only_where_it_may_be_meant() -> None:
    strings = [(6, 73.4), (5, 110.0)]
    assert name_string(75.0, strings) == 6
    assert name_string(82.4, strings) == 6  # a whole tone up: still on its way down from standard tuning
    assert name_string(90.0, strings) is None
    assert name_string(220.0, strings) is None  # an octave is another note


def test_json_is_the_contract() -> None:
    pluck = Pluck(110.0, 1e-4, 3.0)
    document = heard_to_json(notes_of(pluck.samples(2.0, RATE), RATE))
    assert json.loads(json.dumps(document)) == document
    assert document["schema"] == 1
    (note,) = document["notes"]
    assert list(note) == [
        "start_s",
        "end_s",
        "hz",
        "cents_sd",
        "note",
        "string",
        "cents_from_table",
        "stiffness",
        "attack_hz",
    ]
    assert note["note"] == "A2"
    assert note["string"] is None
    assert note["cents_from_table"] is None


def test_good_plucks_are_kept_where_a_strum_among_them_is_refused() -> None:
    rng = np.random.default_rng(13)
    sound = np.zeros(6 * RATE)
    for start, hz in ((0.2, 146.83), (2.2, 110.0), (2.22, 123.5), (2.24, 155.6), (4.2, 110.0)):
        at = round(start * RATE)
        if start in (2.2, 4.2):
            sound[at:] = 0.0
        sound[at:] += Pluck(hz, 5e-5, 1.0).samples((sound.size - at) / RATE, RATE)
    heard = hear(noisy(sound, 35, rng), RATE)
    assert [note.note for note in heard.notes] == ["D3", "A2"]
    assert len(heard.refusals) == 1
    assert heard.refusals[0].start_s == pytest.approx(2.2, abs=0.08)
