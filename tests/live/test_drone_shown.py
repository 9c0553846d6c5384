"""What is seen while a drone sounds: a picture in a terminal, plain lines elsewhere, nothing where nobody can look."""

from __future__ import annotations

import io
import math
from dataclasses import replace
from typing import Any

import pytest
from rich.console import Console

from bridge.engine.play.drones.plan import Beat
from bridge.jobs.choose import TableRequest, choose_table
from bridge.live.desk.typed import DRONE_KEYS_SHOWN
from bridge.live.desk.views.drone import DroneLines
from bridge.live.desk.views.letters import fitting, low
from bridge.live.desk.views.playing import ALARMS, ScreenDisplay, picture
from bridge.live.snapshot import Message, Snapshot
from bridge.live.state import Lesson
from bridge.tuning.tables import build_table

TABLE = build_table(choose_table(TableRequest(tonic="D", reference="D3=146.5")))
D3_CENTS = (
    1200 * math.log2(146.5 / 440) + 1900
)  # from equal temperament at A440: D3 lies 19 semitones below A4


def state(rate_hz: float, phase: str = "sound", number: int = 2, **changes: Any) -> Snapshot:
    """What a drone's view is shown."""
    beats = (Beat(50, 54, 5, 4, rate_hz),)
    lesson = Lesson(phase, number, "third: D3 F#3", ((50, 146.5), (54, 183.125)), beats, 4)
    return replace(
        Snapshot(link="ok", synth="synth:midi", tonic="D", keys=DRONE_KEYS_SHOWN, lesson=lesson), **changes
    )


def said(*texts: str) -> Snapshot:
    """What a view is shown that only has something to say."""
    messages = tuple(Message(number, 0.0, "said", text) for number, text in enumerate(texts, 1))
    return Snapshot(messages=messages)


class Screen:
    """A terminal of a given width, and the display on it."""

    def __init__(self) -> None:
        self.written = io.StringIO()
        console = Console(file=self.written, force_terminal=True, width=100, height=30, color_system=None)
        self.display = ScreenDisplay(keys=True, console=console)

    def after(self, seen: Snapshot) -> str:
        """Show a state; return what is drawn for it."""
        self.written.seek(0)
        self.written.truncate()
        self.display.show(seen)
        return self.written.getvalue()


def test_the_picture_shows_step_notes_and_how_fast_they_beat() -> None:
    screen = Screen()
    fast = screen.after(state(5.81))
    assert "step 2 of 4: third: D3 F#3" in fast
    assert "146.500 Hz" in fast
    assert f"{D3_CENTS:+.1f} cents from equal" in fast
    assert "5.81 beats a second" in fast
    slow = screen.after(state(1.5))
    assert slow.count("~") < fast.count("~"), "the bar grows shorter as the beats slow down"
    still = screen.after(state(0.001))
    assert "still" in still
    assert "~" not in still
    assert "q ends it" in still
    assert "trim +3.5 cents" in screen.after(state(0.0, trim_cents=3.5))
    screen.display.close()


@pytest.mark.parametrize(("width", "height"), [(40, 10), (80, 24), (100, 30)])
def test_step_and_tonic_or_what_is_wrong_are_read_from_two_metres(width: int, height: int) -> None:
    more = Snapshot(feet=("sostenuto pedal: drone",), messages=said(*"abcdef").messages)
    for seen, word in (
        (state(5.81), "2 D"),
        (replace(state(5.81), lesson=replace(state(5.81).lesson, steps=1)), "D"),
        (state(0.0, phase="rest"), "SING"),
        (state(0.0, phase="quiet"), "OFF"),
        (state(5.81, link="synth gone"), ALARMS["synth gone"][0]),
    ):
        seen = replace(seen, feet=more.feet, messages=more.messages)
        rows = [row.plain for row in picture(seen, width, height)]
        assert len(rows) < height
        assert all(len(row) < width for row in rows)
        first = 1 if seen.link == "ok" else 2
        assert any(
            drawn
            and [row[1 : 1 + len(drawn[0])].ljust(len(drawn[0])) for row in rows[first:][: len(drawn)]]
            == drawn
            for drawn in (fitting(word, width - 2), low(word, width - 2))
        ), word
        assert "third: D3 F#3" in rows[first - 1]
        beats = [row for row in rows if "beats a second" in row]
        assert len(beats) == (word not in ("SING", "OFF"))
    assert ("sostenuto pedal: drone" in rows) == (height > 10)


def test_in_a_rest_there_is_nothing_but_silence_to_sing_into() -> None:
    screen = Screen()
    rest = screen.after(state(3.0, phase="rest"))
    assert "silence: sing" in rest
    assert "beats a second" not in rest
    assert "Hz" not in rest
    screen.display.close()


def test_a_lost_synth_is_marked_and_a_piece_shows_its_bar() -> None:
    screen = Screen()
    assert "the synth is gone" in screen.after(state(0.0, link="synth gone"))
    piece = screen.after(Snapshot(tonic="D", bar=7))
    assert "bar 7" in piece
    screen.display.close()


def test_what_was_said_stays_when_the_picture_goes() -> None:
    screen = Screen()
    texts = [f"line {number}" for number in range(6)]
    screen.after(said(*texts, "playing on the usual sound card"))
    screen.written.truncate(0)
    screen.display.close()
    lines = screen.written.getvalue().splitlines()
    assert lines[-5].endswith("line 2"), "after what takes the picture away"
    assert lines[-3:] == ["line 4", "line 5", "playing on the usual sound card"]


def test_a_picture_that_cannot_be_drawn_any_more_is_quiet() -> None:
    screen = Screen()
    screen.written.close()
    screen.display.show(state(1.0))
    screen.display.show(said("still here"))
    screen.display.close()


class Clock:
    """Time as the test says."""

    now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


def test_lines_say_the_beats_once_a_second_and_when_they_stop(capsys: pytest.CaptureFixture[str]) -> None:
    clock = Clock()
    lines = DroneLines(clock=clock)
    for tenth in range(31):
        clock.now_s = tenth / 10
        lines.show(state(3.0 - tenth / 10 + 0.01 * (tenth < 30)))
    lines.show(state(0.0, phase="rest"))
    lines.show(Snapshot(bar=3))
    told = capsys.readouterr().out.splitlines()
    assert told[0] == "step 2 of 4: third: D3 F#3"
    assert told[1] == "  D3 - F#3: 3.01 beats a second"
    assert told[-2:] == ["  D3 - F#3: no beats", "silence: sing"]
    assert len(told) <= 6
    lines.show(state(1.5, engine=True))
    assert capsys.readouterr().out.splitlines()[-1] == "  D3 - F#3: 1.50 beats a second (5 : 4)", (
        "v asks for it"
    )


def test_lines_end_quietly_where_the_reader_has_gone(monkeypatch: pytest.MonkeyPatch) -> None:
    def gone(*_: object, **__: object) -> None:
        raise BrokenPipeError

    monkeypatch.setattr("builtins.print", gone)
    lines = DroneLines()
    lines.show(said("nobody reads this"))
    lines.show(state(1.0))
    lines.close()
