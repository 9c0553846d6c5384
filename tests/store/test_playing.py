"""Playing order and the way back into tracks."""

from __future__ import annotations

from array import array

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.store.playing import Playing, sequences
from bridge.store.smf import Event, MidiFile, midi_bytes

END = b"\xff\x2f"
NEW = b"\xb0\x65\x00"


def note(key: int, on: bool = True) -> bytes:
    return bytes((0x90 if on else 0x80, key, 64))


def two_tracks() -> MidiFile:
    """At 96 ticks a quarter and 120 quarters a minute a tick lasts 1/192 s."""
    return MidiFile(
        1,
        96,
        [
            [(0, note(60)), (96, note(60, False)), (96, note(62)), (288, END)],
            [(0, note(48)), (192, note(48, False)), (192, END)],
        ],
    )


def starts(data: bytes) -> bool:
    return data[0] >> 4 == 9


def test_a_sequence_of_timed_events() -> None:
    [playing] = sequences(two_tracks())
    assert isinstance(playing, Playing)
    assert len(playing) == 7
    assert list(playing) == [playing[anchor] for anchor in range(7)] == playing[:]
    assert [time_s for time_s, _ in playing] == [0, 0, 0.5, 0.5, 1, 1, 1.5]
    assert [data for _, data in playing][:3] == [note(60), note(48), note(60, False)]
    assert playing.tracks == array("H", [0, 1, 0, 0, 1, 1, 0])
    assert [playing.place(anchor) for anchor in range(7)] == [
        (0, 0),
        (1, 0),
        (0, 1),
        (0, 2),
        (1, 1),
        (1, 2),
        (0, 3),
    ]
    assert [playing.anchor_at(tick) for tick in (0, 1, 96, 288, 289)] == [0, 2, 2, 6, 7]


def test_format_2_tracks_play_alone() -> None:
    mf = two_tracks()
    mf.format = 2
    mf.tracks[1].insert(0, (0, b"\xff\x51\x0f\x42\x40"))  # 60 quarters a minute, in this track only
    first, second = sequences(mf)
    assert (first.numbers, second.numbers) == ((0,), (1,))
    assert [time_s for time_s, _ in first] == [0, 0.5, 0.5, 1.5]
    assert [time_s for time_s, _ in second] == [0, 0, 2, 2]
    assert set(second.tracks) == {1}
    assert second.weave((anchor, None, data) for anchor, (_, data) in enumerate(second)) == {1: mf.tracks[1]}


def test_untouched_events_stay_the_same_objects() -> None:
    mf = two_tracks()
    [playing] = sequences(mf)
    woven = playing.weave((anchor, None, data) for anchor, (_, data) in enumerate(playing))
    assert [woven[0], woven[1]] == mf.tracks
    assert all(
        ours is theirs
        for number in (0, 1)
        for ours, theirs in zip(woven[number], mf.tracks[number], strict=True)
    )


def test_answers_stand_at_their_anchor_in_the_order_given() -> None:
    [playing] = sequences(two_tracks())
    changed = note(63)
    answers = [(0, None, NEW), (0, None, note(60)), (1, None, note(48)), (3, None, changed), (3, None, NEW)]
    assert playing.weave(answers) == {
        0: [(0, NEW), (0, note(60)), (96, changed), (96, NEW)],
        1: [(0, note(48))],
    }


@pytest.mark.parametrize(
    ("anchor", "seconds", "track", "tick"),
    [
        pytest.param(0, 0.25, 0, 48, id="at its time"),
        pytest.param(0, 0.2501, 0, 49, id="never sooner than asked"),
        pytest.param(0, 0.0, 0, 0, id="the anchor's own time"),
        pytest.param(0, 0.5, 0, 96, id="before the events of its tick"),
        pytest.param(1, 0.5, 1, 95, id="a tick sooner where an earlier track has an event"),
        pytest.param(1, 1.0, 1, 192, id="before its own track's event"),
        pytest.param(1, 1.25, 0, 240, id="in the track that still plays"),
        pytest.param(4, 1.5, 0, 288, id="before the end of the track that still plays"),
    ],
)
def test_answers_with_a_time(anchor: int, seconds: float, track: int, tick: int) -> None:
    mf = two_tracks()
    [playing] = sequences(mf)
    answers = [(at, None, data) for at, (_, data) in enumerate(playing)]
    answers.insert(anchor + 1, (anchor, seconds, NEW))
    woven = playing.weave(answers)
    assert (tick, NEW) in woven[track]
    assert sum(len(events) for events in woven.values()) == 8
    for number, events in woven.items():
        assert [event for event in events if event[1] is not NEW] == mf.tracks[number]
        assert events[-1][1] == END
    order = [data for _, data in sequences(MidiFile(1, 96, [woven[0], woven[1]]))[0]]
    later = [data for at, data in playing if at >= seconds and at > playing[anchor][0]]
    assert all(order.index(NEW) < order.index(data) for data in later if data != END)


def test_answers_beyond_the_end_move_the_end_mark() -> None:
    mf = two_tracks()
    [playing] = sequences(mf)
    woven = playing.weave([*((at, None, data) for at, (_, data) in enumerate(playing)), (6, 2.0, NEW)])
    assert woven[0][-2:] == [(384, NEW), (384, END)]
    assert woven[1] == mf.tracks[1]


def test_answers_at_the_end_mark_stand_before_it() -> None:
    [playing] = sequences(two_tracks())
    woven = playing.weave([*((at, None, data) for at, (_, data) in enumerate(playing)), (6, None, NEW)])
    assert woven[0][-2:] == [(288, NEW), (288, END)]


@pytest.mark.parametrize("tempo_us", [333_333, 500_000, 612_245])
def test_the_time_of_a_tick_leads_back_to_that_tick(tempo_us: int) -> None:
    tempo = b"\xff\x51" + tempo_us.to_bytes(3, "big")
    [playing] = sequences(MidiFile(0, 480, [[(0, tempo), (5000, END)]]))
    ticks = range(1, 4000, 7)
    woven = playing.weave((0, playing.tempo.seconds(tick), NEW) for tick in ticks)
    assert [tick for tick, _ in woven[0]] == list(ticks)


def test_late_answers_keep_their_order() -> None:
    [playing] = sequences(two_tracks())
    later = [bytes((0xB0, 7, value)) for value in range(5)]
    woven = playing.weave([(0, None, note(60)), *((0, 0.25, data) for data in later), (6, None, END)])
    assert woven[0] == [(0, note(60)), *((48, data) for data in later), (288, END)]


def test_markers_stand_before_the_first_note_of_their_tick() -> None:
    mf = two_tracks()
    [playing] = sequences(mf)
    anchors = playing.mark([0, 50, 96, 96, 192, 288, 400], starts)
    assert [playing.events[anchor] for anchor in anchors] == [
        (t, b"") for t in (0, 50, 96, 96, 192, 288, 400)
    ]
    assert [data for _, data in playing.events if not data or starts(data)] == [
        *(b"", note(60), note(48)),
        *(b"", b"", b"", note(62)),
        *(b"", b"", b""),
    ]
    assert playing.events[anchors[2] - 1] == (96, note(60, False))
    assert playing.events[anchors[4] - 1] == (192, END)
    assert [playing.tracks[anchor] for anchor in anchors[:4]] == [0, 0, 0, 0]
    woven = playing.weave((anchor, None, data or NEW) for anchor, (_, data) in enumerate(playing))
    assert [event for event in woven[0] if event[1] is not NEW] == [*mf.tracks[0][:-1], woven[0][-1]]
    assert woven[0][-2:] == [(400, NEW), (400, END)]


_events = st.lists(st.tuples(st.integers(0, 50), st.integers(0, 127)), max_size=20)


@given(st.lists(_events, min_size=1, max_size=5), st.data())
def test_any_answers_make_tracks_that_can_be_written(
    tracks: list[list[tuple[int, int]]], data: st.DataObject
) -> None:
    built: list[list[Event]] = []
    for steps in tracks:
        tick, events = 0, []
        for step, key in steps:
            tick += step
            events.append((tick, note(key)))
        built.append([*events, (tick, END)])
    mf = MidiFile(1, 96, built)
    [playing] = sequences(mf)
    order = sorted(
        (tick, number, at) for number, events in enumerate(built) for at, (tick, _) in enumerate(events)
    )
    assert [(number, at) for _, number, at in order] == [
        playing.place(anchor) for anchor in range(len(playing))
    ]
    answers: list[tuple[int, float | None, bytes]] = []
    for anchor, (time_s, raw) in enumerate(playing):
        answers.append((anchor, None, raw))
        for late_s in data.draw(st.lists(st.floats(0, 2), max_size=2)):
            answers.append((anchor, time_s + late_s, NEW))
    woven = playing.weave(answers)
    midi_bytes(MidiFile(1, 96, [woven[number] for number in range(len(built))]))
    assert sum(map(len, woven.values())) == len(answers)
    for number, events in woven.items():
        untouched = [event for event in events if event[1] is not NEW and event[1] != END]
        assert untouched == built[number][:-1]
