"""A drone that follows a chart: fades, never glides, keeps what two chords share, and leaves nothing hanging.

Events are followed message by message by the tests' own synth on paper (`support.obedient`).
"""

from __future__ import annotations

import pytest
from support.obedient import ObedientSynth

from bridge.engine.play.drones.chart import CHORD_FADE_S, ChartDrone, ChartNote
from bridge.engine.play.drones.plan import LEAST_SWELL_S
from bridge.errors import ValueProblem

CHORDS = (
    (ChartNote(50), ChartNote(57)),  # D A
    (ChartNote(52, -21.506), ChartNote(59)),  # E a comma lower, B
    (ChartNote(57), ChartNote(52)),  # A and E as the table has them
    (),
)


def play(turns: list[tuple[float, int | None]], end_s: float) -> list[tuple[float, bytes]]:
    drone = ChartDrone(CHORDS)
    sent: list[tuple[float, bytes]] = []
    for place, (at_s, number) in enumerate(turns):
        sent += [(at_s, data) for data in drone.to(number, at_s)]
        limit_s = turns[place + 1][0] if place + 1 < len(turns) else end_s
        while drone.next_s is not None and drone.next_s < limit_s:
            sent += drone.due(drone.next_s)
    return sent + [(end_s, data) for data in drone.release()]


TURNS: list[tuple[float, int | None]] = [
    (0.0, 0),
    (4.0, 1),
    (6.0, 2),
    (6.1, 1),
    (8.0, 3),
    (10.0, 0),
    (13.0, None),
]


def test_pitch_is_only_set_in_silence_and_nothing_hangs() -> None:
    synth = ObedientSynth()
    level: dict[int, int] = {}
    sounding: dict[tuple[int, int], float] = {}
    loudest = 0
    for _, data in play(TURNS, 15.0):
        kind, channel = data[0] & 0xF0, data[0] & 15
        if kind == 0xB0 and data[1] == 11:
            assert abs(data[2] - level.get(channel, 0)) <= 14 or not sounding or data[2] == 127  # no jumps
            level[channel] = data[2]
            loudest = max(loudest, data[2] if sounding else 0)
        synth.feed(data)
        if kind == 0x90:
            assert level[channel] == 0  # every note begins at nothing
            assert channel not in {one for one, _ in sounding}  # and has its channel for itself
            sounding[channel, data[1]] = synth.pitch(channel, data[1])
        elif kind == 0x80:
            assert level[channel] == 0
            del sounding[channel, data[1]]
        for (one, key), pitch in sounding.items():
            assert synth.pitch(one, key) == pytest.approx(pitch, abs=1e-9)  # nothing glides
    assert not sounding
    assert 40 < loudest <= 120


def test_exact_pitch_and_what_two_chords_share_goes_on() -> None:
    drone = ChartDrone(CHORDS)
    synth = ObedientSynth()
    for data in drone.to(1, 0.0):
        synth.feed(data)
    (e, _), (b, _) = drone.sounding()
    assert (e.key, b.key) == (52, 59)
    # Half a step of a bend over two semitones is 0.012 cents.
    assert 100 * (synth.pitch(0, 52) - 52) == pytest.approx(-21.506, abs=0.0123)
    drone = ChartDrone(CHORDS)
    drone.to(0, 0.0)
    while drone.next_s is not None:
        drone.due(drone.next_s)
    sent = drone.to(2, 5.0)  # A is in both
    assert [data[1] for data in sent if data[0] & 0xF0 == 0x90] == [52]
    assert not [data for data in sent if data[0] & 0xF0 == 0x80]


def test_out_of_silence_it_swells_slowly_and_chords_change_quickly() -> None:
    top: dict[int, list[float]] = {}
    for at_s, data in play([(0.0, 0), (4.0, 1)], 8.0):
        if data[0] & 0xF0 == 0xB0 and data[1] == 11 and 0 < data[2] < 127:
            top.setdefault(data[0] & 15, []).append(at_s)
    assert max(top[0][:1]) <= 0.1
    rising = [at_s for at_s in top[0] if at_s < 4.0]
    assert rising[-1] == pytest.approx(LEAST_SWELL_S, abs=0.11)
    assert max(top[2]) == pytest.approx(4.0 + CHORD_FADE_S, abs=0.11)


def test_too_few_channels_and_no_note_are_refused() -> None:
    with pytest.raises(ValueProblem, match="need 4 channels"):
        ChartDrone(CHORDS, channels=(1, 2, 3))
    with pytest.raises(ValueProblem, match="needs a note"):
        ChartDrone(((),))
