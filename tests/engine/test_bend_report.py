"""The report, the warnings, and the choice of method."""

from __future__ import annotations

import json
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.streams import Frequencies, Stream

from bridge.engine.beat_hiders import GM_PROGRAMS, hides_beats
from bridge.engine.bend.file import plan_bend
from bridge.engine.bend.options import BendOptions
from bridge.engine.method import Fit, choose_for_file, measure_fit
from bridge.engine.report import spans
from bridge.errors import MethodProblem
from bridge.wire.profile import SynthProfile

TABLE = Frequencies([(key * 37) % 83 - 41 for key in range(128)])


def chords(*sizes: int, channel: int = 1) -> Stream:
    """A chord a second, of so many notes a semitone apart."""
    stream: Stream = []
    for at, size in enumerate(sizes):
        stream += [(at, bytes((0x8F + channel, 60 + key, 80))) for key in range(size)]
        stream += [(at + 0.9, bytes((0x7F + channel, 60 + key, 0))) for key in range(size)]
    return stream


def bar_of(stream: Stream) -> dict[int, int]:
    return {anchor: int(time_s) + 1 for anchor, (time_s, _) in enumerate(stream)}


def test_the_record_of_an_exact_file() -> None:
    stream = chords(2, 3)
    record = plan_bend(stream, [], TABLE).report.to_json(bar_of(stream).__getitem__)
    assert json.loads(json.dumps(record)) == record
    assert (record["schema"], record["notes"], record["exact"], record["demand_max"]) == (1, 5, 5, 3)
    assert record["bars"] == []
    assert record["demand"] == [{"bar": 1, "channels": 2}, {"bar": 2, "channels": 3}]
    assert record["worst_cents"] <= 200 / 16384
    assert record["range_semitones"] == 2
    assert record["setup_messages"] == 3 * 6  # the bend range and null on each of three channels


def test_bars_with_a_loss_are_named() -> None:
    stream = chords(2, 4, 2, 5)
    report = plan_bend(stream, [], TABLE, None, BendOptions(channels=(1, 2, 3))).report
    record = report.to_json(bar_of(stream).__getitem__)
    assert [bar["bar"] for bar in record["bars"]] == [2, 4]
    assert [bar["notes_off"] for bar in record["bars"]] == [1, 2]
    assert sum(bar["notes_off"] for bar in record["bars"]) == record["notes"] - record["exact"]
    assert max(bar["worst_cents"] for bar in record["bars"]) == record["worst_cents"]
    text = "\n".join(report.lines(bar_of(stream).__getitem__))
    assert "10 of 13 notes are as the table has them" in text
    assert "3 are off" in text
    assert "in bars 2, 4" in text
    assert "5 needed at most, 3 allowed" in text


def test_words_of_an_exact_file() -> None:
    lines = plan_bend(chords(2), [], TABLE).report.lines()
    assert lines[0].startswith("all 2 notes are as the table has them")


@pytest.mark.parametrize(
    ("numbers", "text"), [([], ""), ([3], "3"), ([1, 2, 3, 5], "1-3, 5"), ([9, 8, 8, 11], "8-9, 11")]
)
def test_spans(numbers: list[int], text: str) -> None:
    assert spans(numbers) == text


def test_programs_have_the_names_of_general_midi() -> None:
    # General MIDI System Level 1, sound set: numbers from 1 as printed there
    named = {
        1: "Acoustic Grand Piano",
        4: "Honky-tonk Piano",
        17: "Drawbar Organ",
        26: "Acoustic Guitar (steel)",
    }
    named |= {
        45: "Tremolo Strings",
        49: "String Ensemble 1",
        57: "Trumpet",
        74: "Flute",
        106: "Banjo",
        128: "Gunshot",
    }
    assert len(GM_PROGRAMS) == len(set(GM_PROGRAMS)) == 128
    assert {number: GM_PROGRAMS[number - 1] for number in named} == named


HIDING = ["Honky-tonk Piano", "Tremolo Strings", "String Ensemble 1", "Pad 2 (warm)", "Accordion"]


@pytest.mark.parametrize("name", HIDING)
def test_sounds_that_hide_beats(name: str) -> None:
    assert hides_beats(GM_PROGRAMS.index(name))


@pytest.mark.parametrize(
    "name", ["Acoustic Grand Piano", "Acoustic Guitar (steel)", "Oboe", "Trumpet", "Banjo"]
)
def test_sounds_that_show_them(name: str) -> None:
    assert hides_beats(GM_PROGRAMS.index(name)) == ""


def test_warnings_name_channel_sound_and_reason() -> None:
    stream: Stream = [
        (0.0, bytes((0xC1, 3))),
        *chords(1, channel=2),
        *[(t + 2, d) for t, d in chords(1, channel=3)],
    ]
    notices = plan_bend(stream, [], TABLE).report.notices
    assert any("channel 2: Honky-tonk Piano hides beats" in text for text in notices)
    assert any("--plain" in text for text in notices)
    assert not any("channel 3" in text for text in notices)


def test_warnings_about_what_the_file_does_itself() -> None:
    tuning = bytes.fromhex("f07f7f08020001 3c 3c0000 f7".replace(" ", ""))
    coarse = [bytes((0xB0, 101, 0)), bytes((0xB0, 100, 2)), bytes((0xB0, 6, 66))]
    zone = [bytes((0xBF, 101, 0)), bytes((0xBF, 100, 6)), bytes((0xBF, 6, 5))]
    part = bytes.fromhex("f0411042124011 22 40 2d f7".replace(" ", ""))
    stream: Stream = [(0.0, data) for data in (tuning, *coarse, *zone, part)] + chords(3)
    text = " ".join(plan_bend(stream, [], TABLE).report.notices)
    for words in ("tuning messages of its own", "coarse tuning", "made for MPE", "shapes the sound by SysEx"):
        assert words in text


def profile(*methods: str) -> SynthProfile:
    return SynthProfile("box", "The box", "made up", methods)  # type: ignore[arg-type]


FITS, CROWDED, FULL = Fit(9, 4, 15, (1, 2, 3, 4)), Fit(18, 9, 15, (1, 2)), Fit(5, 5, 4, (1, 2, 3, 4, 5))


@pytest.mark.parametrize(
    ("synth", "fit", "refusals", "method", "why"),
    [
        (None, FITS, {}, "bend", "9 of 15 channels"),
        (None, CROWDED, {}, "note", "take 18 channels, but 15"),
        (None, FULL, {}, "note", "take 5 channels"),
        (profile("note", "bend"), FITS, {}, "note", "first choice of The box"),
        (profile("octave", "note"), FITS, {"octave": "the table does not repeat"}, "note", "does not repeat"),
        (profile("mpe", "bend"), FITS, {}, "bend", "MPE has two zones"),
        (profile("mpe", "bend"), CROWDED, {}, "mpe", "first choice"),
        (profile("bend", "note"), CROWDED, {}, "note", "take 18 channels"),
        (profile("bend"), CROWDED, {}, "bend", "some notes give way"),
    ],
)
def test_auto_takes_the_first_method_that_works(
    synth: SynthProfile | None, fit: Fit, refusals: dict[str, str], method: str, why: str
) -> None:
    choice = choose_for_file(synth, fit, refusals)
    assert choice.method == method
    assert why in choice.why


def test_auto_refuses_where_nothing_works() -> None:
    with pytest.raises(MethodProblem, match=r"no method that works.*octave: x"):
        choose_for_file(profile("octave"), FITS, {"octave": "x"})
    with pytest.raises(MethodProblem, match="5 parts sound at once, but 4"):
        choose_for_file(profile("bend"), FULL)


def test_a_fit_is_measured() -> None:
    stream = sorted([*chords(3), *chords(2, channel=4)], key=lambda event: event[0])
    assert measure_fit(stream, [], TABLE) == Fit(5, 2, 15, (1, 4))
    drums: Stream = [(5.0, bytes((0xBB, 0, 120))), (5.0, bytes((0xCB, 0))), (5.0, bytes((0x9B, 40, 1)))]
    assert measure_fit(stream + drums, [], TABLE).allowed == 14


@given(st.lists(st.integers(1, 6), max_size=40), st.lists(st.integers(1, 30), min_size=1, max_size=12))
def test_bars_are_counted_right_whatever_their_size(sizes: list[int], bars: list[int]) -> None:
    stream = chords(*sizes)
    numbers = [number for number, size in enumerate(bars, 1) for _ in range(size)]
    bar = {anchor: numbers[min(anchor, len(numbers) - 1)] for anchor in range(len(stream))}
    report = plan_bend(stream, [], TABLE, None, BendOptions(channels=(1, 2, 3))).report
    off = Counter(
        bar[report.starts[number]]
        for number, cents in enumerate(report.note_cents)
        if cents > report.half_step_cents[number] + 1e-7
    )
    assert {each["bar"]: each["notes_off"] for each in report.bars(bar.__getitem__)} == off
    most: dict[int, int] = {}
    for anchor, demand in zip(report.class_starts, report.demand, strict=True):
        most[bar[anchor]] = max(most.get(bar[anchor], 0), demand)
    assert {each["bar"]: each["channels"] for each in report.demand_by_bar(bar.__getitem__)} == most
