"""The harmony followed while it is played, heard message by message by a synth on paper (`support.obedient`).

Expected ratios: D minor above C is 10/9, 4/3, 5/3; a comma is 21.506 cents.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable

import pytest
from harmony.scores import five_limit_table
from jobs.test_follow_harmony import write_piece
from support import independent, written
from support.obedient import ObedientSynth

from bridge.engine.bend.live import BendEngine
from bridge.engine.mts.live import MtsLiveEngine
from bridge.engine.play.following import FollowingEngine
from bridge.engine.protocols import LiveEngine
from bridge.harmony.choice.variants import Palette, palette_of
from bridge.store.profiles import load_profile

TABLE = five_limit_table("C")
HZ = [float(hz) for hz in TABLE.hz]
COMMA = 1200 * math.log2(81 / 80)
ENGINES: dict[str, Callable[[], LiveEngine]] = {
    "note": lambda: MtsLiveEngine(load_profile("full-midi-tuning"), HZ, "note"),
    "octave": lambda: MtsLiveEngine(load_profile("full-midi-tuning"), HZ, "octave"),
    "bend": lambda: BendEngine(None, HZ),
}


def following(method: str = "note", **more: object) -> FollowingEngine:
    palette = palette_of(TABLE, pinned="tonic")
    return FollowingEngine(ENGINES[method](), HZ, lambda hz: palette, **more)  # type: ignore[arg-type]


class Played:
    """An engine and the synth behind it."""

    def __init__(self, engine: FollowingEngine) -> None:
        self.engine, self.synth = engine, ObedientSynth()
        self.held: dict[tuple[int, int], int] = {}
        self.take(engine.start(0.0))

    def take(self, due: list[tuple[float, bytes]]) -> None:
        for _, data in due:
            self.synth.feed(data)
            if data[0] & 0xF0 == 0x90 and data[2]:
                self.held[self.number, data[1]] = data[0] & 15

    def feed(self, data: bytes, now_s: float) -> None:
        self.number = data[0] & 15
        self.take(self.engine.feed(data, now_s))

    def strike(self, now_s: float, *keys: int) -> None:
        for key in keys:
            self.feed(bytes((0x90, key, 80)), now_s)

    def let_go(self, now_s: float, *keys: int) -> None:
        for key in keys:
            self.feed(bytes((0x80, key, 0)), now_s)

    def cents(self, key: int) -> float:
        """How far a note that sounds lies above the table."""
        pitch = self.synth.pitch(self.held[0, key], key)
        return 100 * (pitch - 69 - 12 * math.log2(HZ[key] / 440))


@pytest.mark.parametrize("method", ENGINES)
def test_ii_is_pure_as_it_is_struck_and_the_tonic_stays(method: str) -> None:
    played = Played(following(method))
    played.strike(1.0, 48, 60, 64, 67)
    assert all(abs(played.cents(key)) < 0.02 for key in (48, 60, 64, 67))
    played.let_go(2.0, 48, 60, 64, 67)
    played.strike(2.0, 50, 65, 69)
    third = 100 * (played.synth.pitch(played.held[0, 69], 69) - played.synth.pitch(played.held[0, 65], 65))
    fifth = 100 * (played.synth.pitch(played.held[0, 69], 69) - played.synth.pitch(played.held[0, 50], 50))
    assert third == pytest.approx(1200 * math.log2(5 / 4), abs=0.04)
    assert fifth == pytest.approx(1200 + 1200 * math.log2(3 / 2), abs=0.04)
    assert played.cents(50) == pytest.approx(-COMMA, abs=0.02)
    played.let_go(3.0, 50, 65, 69)
    played.strike(3.0, 48, 60)
    assert abs(played.cents(60)) < 0.02


@pytest.mark.parametrize("method", ENGINES)
def test_nothing_that_sounds_moves_after_its_window(method: str) -> None:
    played = Played(following(method))
    played.strike(1.0, 62)  # D alone: as the table has it
    assert abs(played.cents(62)) < 0.02
    played.strike(1.5, 65, 69)  # F and A join half a second later: D stays, whatever that costs
    assert abs(played.cents(62)) < 0.02
    played = Played(following(method))
    played.strike(1.0, 62)
    played.strike(1.015, 65, 69)  # a chord that is rolled: D may still be corrected
    assert played.cents(62) == pytest.approx(-COMMA, abs=0.02)
    played = Played(following(method, window_s=0.0))
    played.strike(1.0, 62)
    played.strike(1.015, 65, 69)
    assert abs(played.cents(62)) < 0.02


def test_a_pedal_holds_and_drums_pass_by() -> None:
    played = Played(following())
    played.feed(bytes((0xB0, 64, 127)), 0.5)
    played.strike(1.0, 62)
    played.let_go(1.1, 62)
    played.strike(2.0, 65, 69)
    assert abs(played.cents(62)) < 0.02  # still sounds by the pedal
    played.feed(bytes((0xB0, 64, 0)), 3.0)
    played.let_go(3.0, 65, 69)
    engine = following()
    engine.start(0.0)
    drum = bytes((0x99, 38, 90))
    assert engine.feed(drum, 1.0) == [(1.0, drum)]
    assert engine.offsets_cents == (0.0,) * 12


def test_on_and_off_and_another_table() -> None:
    palettes: dict[int, Palette] = {}
    other = five_limit_table("G")

    def palette_for(hz: list[float]) -> Palette | None:
        palettes[len(palettes)] = palette_of(TABLE if abs(hz[60] - HZ[60]) < 1e-9 else other, pinned="tonic")
        return palettes[len(palettes) - 1]

    engine = FollowingEngine(ENGINES["note"](), HZ, palette_for)  # type: ignore[arg-type]
    played = Played(engine)
    played.take(engine.follow(False, 0.5))
    played.strike(1.0, 50, 65, 69)
    assert abs(played.cents(50)) < 0.02
    played.let_go(2.0, 50, 65, 69)
    played.take(engine.follow(True, 2.5))
    played.strike(3.0, 50, 65, 69)
    assert played.cents(50) == pytest.approx(-COMMA, abs=0.02)
    played.take(engine.follow(False, 3.5))
    assert played.cents(50) == pytest.approx(-COMMA, abs=0.02)  # what sounds stays
    played.let_go(4.0, 50, 65, 69)
    played.strike(5.0, 50)
    assert abs(played.cents(50)) < 0.02
    played.let_go(5.5, 50)
    played.take(engine.change([float(hz) for hz in other.hz], 6.0))
    engine.on = True
    played.strike(7.0, 55)
    assert 100 * (played.synth.pitch(0, 55) - 69 - 12 * math.log2(other.hz[55] / 440)) == pytest.approx(
        0, abs=0.02
    )


@pytest.mark.parametrize("method", ENGINES)
def test_pieces_played_are_pure_wherever_a_player_can_know(method: str, tmp_path: object) -> None:
    # The pump is decided chord by chord: every chord is struck anew, so nothing ties it to what comes.
    path = write_piece(tmp_path, "pump-x4")  # type: ignore[arg-type]
    reading = independent.read(path)
    engine = following(method)
    out: list[tuple[float, bytes]] = engine.start(0.0)
    for (_, _, _, data), now_s in zip(
        independent.playing_order(reading), independent.seconds_of(reading), strict=True
    ):
        if data[0] < 0xF0:
            out += engine.feed(data, now_s + 1.0)
    from support import synths

    file = synths.write_midi(tmp_path / "played.mid", out)  # type: ignore[operator]
    notes = written.sounding(file)
    assert written.share(notes) == 1.0


@pytest.mark.parametrize("method", ENGINES)
def test_a_stroke_is_decided_in_microseconds(
    method: str, record_property: Callable[[str, object], None]
) -> None:
    # The time is told, not judged, for machines differ.
    import time

    engine = following(method)
    engine.start(0.0)
    took = []
    for number in range(200):
        now_s, key = 1.0 + number, 60 + number * 7 % 12
        began = time.perf_counter()
        engine.feed(bytes((0x90, key, 80)), now_s)
        took.append(1e6 * (time.perf_counter() - began))
        engine.feed(bytes((0x80, key, 0)), now_s + 0.9)
    record_property("median_us", statistics.median(took))
    assert engine.at_rest
    assert engine.offsets_cents[0] == 0.0
