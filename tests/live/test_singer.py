"""Singing live without a sound card: a synthetic voice into the meter, and what of it is shown; the drone by key."""

from __future__ import annotations

import io
import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console
from support.voices import Sung, phrase

import bridge
from bridge.errors import PortProblem, ValueProblem
from bridge.live.desk.singer import LEARNING, NoteNow, SingerSeen, Singing, read_key, read_line
from bridge.live.desk.sung_drone import FADE_S, SWELL_S, SungDrone
from bridge.live.desk.views.singer import SingerLines, SingerScreen, note_line, steady_words, way_words
from bridge.sound.generator.synth import Generator
from bridge.tuning.tables import Table

RATE = 44100
BLOCK = 441
D3 = 146.5


@pytest.fixture(scope="module")
def table() -> Table:
    return bridge.table(guitar="open-d", reference=f"D3={D3}")


class Heard:
    """A sound card that keeps what it is sent, with the tone generator behind it."""

    def __init__(self) -> None:
        self.generator = Generator(RATE)
        self.sent: list[bytes] = []
        self.closed = False
        self.failure: Exception | None = None
        self.stalled_s = 0.0

    def send(self, data: bytes) -> None:
        self.sent.append(data)
        self.generator.feed(data)

    def close(self) -> None:
        self.closed = True


class Take:
    """A microphone into which a take comes."""

    sample_rate = RATE

    def __init__(self, sound: np.ndarray) -> None:
        self._blocks = iter(np.array_split(sound, max(1, sound.size // BLOCK)))

    def read(self, limit_s: float = 0.1) -> np.ndarray:
        return next(self._blocks, np.zeros(0))


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def silent_drone(table: Table) -> SungDrone:
    return SungDrone(table, (), "tenor", Heard)


def all_seen(singing: Singing, blocks: int) -> Iterator[SingerSeen]:
    for _ in range(blocks):
        if (seen := singing.step()) is not None:
            yield seen


def test_notes_are_shown_and_kept(table: Table) -> None:
    notes = [(1, 0, 0), (5 / 4, 9, 0), (3 / 2, -7, 45)]
    sound = phrase(
        [(Sung(D3 * r * 2 ** (c / 1200), vibrato_cents=v, breath_db=35.0), 1.0) for r, c, v in notes],
        RATE,
        np.random.default_rng(2),
    )
    singing = Singing(table, Take(sound), "voice", silent_drone(table))
    seen = list(all_seen(singing, sound.size // BLOCK))
    last = seen[-1]
    assert last.now is not None
    assert [note.degree for note in (*last.before, last.now)] == ["1", "3", "5"]
    off = [note.cents for note in (*last.before, last.now)]
    assert off == pytest.approx([0, 9, -7], abs=3.0)
    assert [way_words(note) for note in (*last.before, last.now)] == ["pure", "lower", "higher"]
    assert last.now.vibrato_cents == pytest.approx(45, abs=8)
    # While a note is held, its degree stands still.
    shown = [one.now.degree for one in seen if one.now is not None and not one.now.guess]
    changes = [b for a, b in itertools.pairwise(shown) if a != b]
    assert changes == ["3", "5"]


def test_between_two_degrees_the_first_one_stays(table: Table) -> None:
    """A slow slide from E3 (9/8) up to F3 (6/5) passes the middle; the name changes once, and after it."""
    t = np.arange(6 * RATE) / RATE
    low, high = 9 / 8 * D3, 6 / 5 * D3
    hz = low * (high / low) ** np.clip((t - 1) / 4, 0, 1)
    phase = 2 * np.pi * np.cumsum(hz) / RATE
    sound = 0.2 * sum(np.cos(n * phase) / n for n in range(1, 12))
    singing = Singing(table, Take(sound), "voice", silent_drone(table))
    now = [seen.now for seen in all_seen(singing, sound.size // BLOCK) if seen.now is not None]
    named = [one.degree for one in now if one.number == now[0].number]
    assert sum(a != b for a, b in itertools.pairwise(named)) <= 1


def test_keys() -> None:
    assert [read_key(key) for key in ("1", "9", "d", "q", "\x04")] == [
        *("degree 1", "degree 9", "drone", "quit", "quit")
    ]
    assert read_key("0") is None
    assert read_key("x") is None
    assert [read_line(line) for line in ("3", " drone ", "quit", "", "12")] == [
        *("degree 3", "drone", "quit", None, None)
    ]


def test_degrees_of_the_drone_come_and_go_in_tune(table: Table) -> None:
    """The sound of tonic and third is measured: spectrum of what the generator plays."""
    sound, clock = Heard(), Clock()
    drone = SungDrone(table, (50,), "tenor", lambda: sound, clock)
    drone.degree(3)
    assert drone.names == ("D3", "F#3")
    levels = []
    for _ in range(60):
        clock.now_s += 0.05
        drone.step()
        levels.append(float(np.sqrt(np.mean(sound.generator.block(round(0.05 * RATE)) ** 2))))
    assert levels[1] < 0.2 * levels[-1]  # it swells
    assert SWELL_S < 60 * 0.05
    block = sound.generator.block(2 * RATE)[:, 0].astype(float)
    spectrum = np.abs(np.fft.rfft(block * np.hanning(block.size), 8 * block.size))
    hz = np.fft.rfftfreq(8 * block.size, 1 / RATE)
    for wanted in (D3, D3 * 5 / 4):
        near = np.flatnonzero(np.abs(hz - wanted) < 5)
        peak = hz[near[np.argmax(spectrum[near])]]
        assert 1200 * abs(np.log2(peak / wanted)) < 1.0
    drone.degree(3)
    drone.all()
    assert drone.hz == ()
    for _ in range(40):
        clock.now_s += 0.05
        drone.step()
        sound.generator.block(round(0.05 * RATE))
    assert FADE_S < 40 * 0.05
    assert sound.generator.note_count == 0
    drone.close()
    assert sound.closed


def test_without_a_sound_card_it_says_so_and_listens_on(table: Table) -> None:
    def none() -> Heard:
        raise PortProblem("there is no sound output", "connect one")

    singing = Singing(table, Take(np.zeros(RATE)), "voice", SungDrone(table, (), "tenor", none))
    singing.command("degree 5")
    seen = singing.step()
    assert seen is not None
    assert any(text.startswith("no drone: there is no sound output") for text in seen.said)
    assert seen.drone == ()
    assert not singing.ended.is_set()
    singing.command("quit")
    assert singing.ended.is_set()


def test_what_the_page_tells_of_itself_is_shown(table: Table) -> None:
    singing = Singing(table, Take(np.zeros(RATE)), "voice", silent_drone(table))
    singing.command("tell the page has ended")
    seen = singing.step()
    assert seen is not None
    assert "the page has ended" in seen.said


def test_a_sound_card_that_stops_is_told_and_the_voice_heard_on(table: Table) -> None:
    sound = Heard()
    singing = Singing(table, Take(np.zeros(RATE)), "voice", SungDrone(table, (50,), "tenor", lambda: sound))
    sound.stalled_s = 5.0
    seen = singing.step()
    assert seen is not None
    assert any(text.startswith("no drone: the sound card has stopped") for text in seen.said)
    assert seen.drone == ()
    assert singing.step() is None or not singing.ended.is_set()


def test_who_sings_is_told_while_the_drone_is_still_learnt(table: Table) -> None:
    t = np.arange(6 * RATE) / RATE
    sound = 0.05 * sum(np.cos(2 * np.pi * n * D3 * t) / n for n in range(1, 12))
    singing = Singing(table, Take(sound), "voice", SungDrone(table, (50,), "tenor", Heard))
    told = [LEARNING in seen.said for seen in all_seen(singing, sound.size // BLOCK)]
    assert told[0]
    assert not told[-1]
    assert [each for each, _ in itertools.groupby(told)] == [True, False]


def test_a_drone_swells_however_long_its_sound_card_took(table: Table) -> None:
    sound, clock = Heard(), Clock()
    drone = SungDrone(table, (50,), "tenor", lambda: sound, clock)
    clock.now_s += 10.0
    drone.step()
    loudest = max(data[2] for data in sound.sent if data[0] & 0xF0 == 0xB0 and data[1] == 11)
    assert loudest < 0.1 * 127


def test_more_notes_than_there_are_channels_are_refused(table: Table) -> None:
    keys = (38, 40, 42, 43, 45, 47, 49)
    with pytest.raises(ValueProblem, match="7 notes beside the degrees"):
        SungDrone(table, keys, "tenor", Heard)


def test_lines_tell_each_note_once(capfd: pytest.CaptureFixture[str]) -> None:
    lines = SingerLines()
    notes = tuple(
        NoteNow("F#3", "3", 183.2, cents, 3.0, 0.0, 0.0, 0.4 if cents else None, 1.0, number)
        for number, cents in enumerate((0.6, 12.0, -9.0))
    )
    lines.show(SingerSeen(said=("listening to voice",)))
    for count in (1, 2, 2, 3):
        lines.show(SingerSeen(notes[count - 1], notes[:count], said=("listening to voice",)))
    lines.close()
    told = capfd.readouterr().out.splitlines()
    assert told.count("listening to voice") == 1
    assert [line.split("  ")[3] for line in told if line.startswith("F#3")] == [
        *("+0.6 cents", "+12.0 cents", "-9.0 cents")
    ]
    assert "(lower)" in note_line(notes[1])
    assert "a beat every 2.5 s with the drone" in note_line(notes[1])


@pytest.mark.parametrize(("width", "height"), [(80, 24), (40, 10)])
@pytest.mark.parametrize("vibrato_cents", [0.0, 40.0])
def test_nothing_is_cut_off_on_a_small_terminal(width: int, height: int, vibrato_cents: float) -> None:
    out = io.StringIO()
    console = Console(file=out, width=width, height=height, force_terminal=True, color_system=None)
    screen = SingerScreen(console)
    now = NoteNow("F#3", "b3", 176.2, -14.0, 4.0, 5.5 if vibrato_cents else 0.0, vibrato_cents, None, 1.0, 2)
    try:
        for one in (now, replace(now, vibrato_cents=0.0, beats_hz=0.37, cents=-1.0), None):
            out.truncate(0)
            drone = ("D3", "A3")
            screen.show(SingerSeen(one, (), drone, (1, 5), ("listening to voice; q or Ctrl-C ends it",)))
            told = " ".join(out.getvalue().split())
            assert "drone: D3 A3" in told
            if one is None:
                assert "sing a note, and hold it" in told
                assert "q leave" in told
                assert "take breaks" in told
            else:
                assert way_words(one).upper() in told
                assert steady_words(one, short=width < 60) in told
                assert one.beats_hz is None or "a beat every 2.7 s with the drone" in told
                assert out.getvalue().count("█") > 30
    finally:
        screen.close()
