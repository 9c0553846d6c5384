"""What hearings mean: verdicts, laws of rounding, and the course that follows from them."""

from __future__ import annotations

import math

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from bridge.engine.probe import bends, trials
from bridge.engine.probe import messages as probe_messages
from bridge.engine.probe.course import examination
from bridge.engine.probe.messages import Place
from bridge.engine.probe.profile import profile_of, unknowns
from bridge.engine.probe.trials import Trial
from bridge.engine.probe.verdicts import Hearing, exactness, judge, unclear
from bridge.errors import MethodProblem
from bridge.wire import mts

PLACE = Place()
USUAL = trials.master_fine(PLACE)


@pytest.mark.parametrize(
    ("sounding", "later", "verdict"),
    [
        (-60.0, -60.0, "now"),
        (-59.0, -61.5, "now"),
        (0.0, -60.0, "new"),
        (1.0, -58.4, "new"),
        (0.0, 0.0, "ignored"),
        (-2.5, -2.5, "ignored"),
        (-30.0, -30.0, "unknown"),
        (-60.0, 0.0, "unknown"),
        (60.0, 60.0, "unknown"),
        (-60.0, -30.0, "unknown"),
        (-30.0, -60.0, "unknown"),
        (None, -60.0, "unknown"),
        (-60.0, None, "unknown"),
    ],
)
def test_a_verdict_needs_a_clear_hearing(sounding: float | None, later: float | None, verdict: str) -> None:
    assert judge(USUAL, Hearing((0.0, sounding, later))).verdict == verdict


def test_trouble_is_never_a_verdict() -> None:
    found = judge(USUAL, Hearing((0.0, -60.0, -60.0), "the pitch wavers"))
    assert (found.verdict, found.remark) == ("unknown", "the pitch wavers")


def test_two_of_three_hearings_must_agree() -> None:
    now, new, odd = (
        judge(USUAL, Hearing((0.0, sounding, later)))
        for sounding, later in ((-60.0, -60.0), (0.0, -60.0), (-30.0, -30.0))
    )
    assert unclear([odd, now, now]).verdict == "now"
    assert unclear([odd, now, new]).verdict == "unknown"
    assert unclear([odd, now, odd]).verdict == "unknown"
    assert unclear([odd, odd, odd]).remark.startswith("asked for -60")


# ---- laws

BENDS = [steps * 200 / 8192 for steps in bends.BEND_POINTS]


@pytest.mark.parametrize("scale", [1.0, 127 / 128])
@pytest.mark.parametrize("rounding", ["none", "floor", "nearest"])
@pytest.mark.parametrize("error_cents", [0.0, 0.05])
def test_a_law_is_recognised_from_six_bends(scale: float, rounding: str, error_cents: float) -> None:
    round_it = {"none": lambda c: c, "floor": math.floor, "nearest": lambda c: math.floor(c + 0.5)}[rounding]
    heard = [round_it(scale * cents) + error_cents * (-1) ** number for number, cents in enumerate(BENDS)]
    law = exactness(BENDS, heard, scaled=True)
    assert law.rounding == rounding
    assert law.scale == pytest.approx(scale, abs=1e-9)


@pytest.mark.parametrize("rounding", ["none", "floor", "nearest"])
def test_a_law_is_recognised_from_six_tunings(rounding: str) -> None:
    round_it = {"none": lambda c: c, "floor": math.floor, "nearest": lambda c: math.floor(c + 0.5)}[rounding]
    law = exactness(trials.TUNING_POINTS, [round_it(c) for c in trials.TUNING_POINTS], scaled=False)
    assert (law.rounding, law.scale) == (rounding, 1.0)


@given(st.lists(st.floats(-3.0, 3.0), min_size=6, max_size=6))
def test_no_law_is_claimed_that_the_pitches_do_not_follow(errors: list[float]) -> None:
    heard = [cents + error for cents, error in zip(BENDS, errors, strict=True)]
    law = exactness(BENDS, heard, scaled=True)
    if law.rounding is not None and law.scale is not None:
        round_it = {"none": lambda c: c, "floor": math.floor, "nearest": lambda c: math.floor(c + 0.5)}[
            law.rounding
        ]
        # Within the tolerance for what was heard, and what snapping to a known scale may move at 200 cents.
        assert all(abs(round_it(law.scale * c) - h) < 0.5 for c, h in zip(BENDS, heard, strict=True))


def test_too_few_pitches_make_no_law() -> None:
    law = exactness(BENDS, [None, None, None, *BENDS[3:]], scaled=True)
    assert (law.scale, law.rounding) == (None, None)


# ---- trials


def every_trial() -> list[Trial]:
    course = examination(PLACE, tuple(range(1, 17)))
    out = [next(course)]
    try:
        while True:  # a synth that obeys everything is asked everything
            trial = out[-1]
            usual = len(trial.steps) == 3
            cents = (
                (0.0, trial.wanted_cents, trial.wanted_cents)
                if usual
                else (0.0, *[1.0] * (len(trial.steps) - 1))
            )
            out.append(course.send(Hearing(cents)))
    except StopIteration:
        return out


def test_every_trial_is_made_of_whole_messages_and_can_be_taken_back() -> None:
    names = set()
    for trial in every_trial():
        names.add(trial.name)
        for data in [*(data for step in trial.steps for data in step.messages), *trial.undo]:
            assert data[0] >= 0x80
            assert all(byte < 0x80 for byte in data[1 : -1 if data[0] == 0xF0 else None])
            if data[0] == 0xF0:
                mts.decode(data)
        assert trial.undo
    assert {
        "note",
        "note-bank",
        "dump",
        "octave-1",
        "octave-2",
        "master-fine",
        "bend",
        "mpe",
        "device-0",
    } <= names


def test_a_single_note_shift_is_the_bytes_of_the_standard() -> None:
    # 69 - 0.6 semitones: key 68 and 0.4 of a semitone, 0.4 x 16384 = 6554 (33 1A in two times seven bits)
    assert probe_messages.note_message(PLACE, -60.0) == bytes.fromhex("f07f7f08020001 45 44331a f7")
    # 64 - 60 = 4 for A alone, on channel 1
    assert probe_messages.octave_message(PLACE, -60.0, 1) == bytes.fromhex(
        "f07f7f0808 000001 40404040404040404004 4040 f7"
    )


# ---- profiles


@settings(max_examples=60, phases=[Phase.explicit, Phase.reuse, Phase.generate])
@given(st.data())
def test_any_hearings_end_in_a_profile_that_claims_only_what_was_heard(data: st.DataObject) -> None:
    course = examination(PLACE, (1, 2, 3))
    shift = st.sampled_from([0.0, 1.0, -1.0])  # of what is asked: nothing, all of it, the wrong way
    strange = st.one_of(st.none(), st.floats(-300.0, 300.0))
    moved: dict[str, bool] = {}
    try:
        trial = next(course)
        while True:
            if len(trial.steps) == 3:
                parts = [data.draw(shift) * trial.wanted_cents for _ in range(2)]
                if data.draw(st.integers(0, 9)) == 0:
                    parts[1] = data.draw(strange)  # type: ignore[call-overload]
            else:
                parts = [data.draw(strange) for _ in trial.steps[1:]]  # type: ignore[misc]
            later = parts[-1]
            moved[trial.name] = moved.get(trial.name, False) or (later is not None and abs(later) > 4.0)
            trial = course.send(Hearing((0.0, *parts)))
    except StopIteration as end:
        found = end.value
    said = unknowns(found)
    for name, row in found.rows.items():
        if row.obeyed:
            assert moved[name]
        if row.verdict == "unknown":
            assert any(row.label in text for text in said)
    try:
        profile = profile_of(found, "x", "X", "heard")
    except MethodProblem:
        assert not found.obeyed("note", "dump", "octave-1", "octave-2", "bend", "mpe")
        return
    prefixes = {"note": "note", "octave": "octave-", "dump": "dump", "bend": "bend", "mpe": "mpe"}
    for method in profile.methods:
        assert any(row.obeyed and name.startswith(prefixes[method]) for name, row in found.rows.items())
    assert profile.sounding <= set(profile.methods)
