"""What the page beside a singer is told, and what it may ask; without a browser."""

from __future__ import annotations

import os
import queue
import signal
import time
from contextlib import closing

import pytest
from support.page import Client
from support.page_singing import D3, sing_stand, sing_table, sung

from bridge.live.desk.singer import SingerSeen
from bridge.live.desk.sung_line import BREAKS_S, KEPT_S, SungLine
from bridge.live.desk.typed import Command
from bridge.page.actions import actions_of, command_of
from bridge.page.frames import ShowSinger
from bridge.page.singing import LEAST_CENTS, page_of_singer, sung_shown
from bridge.sound.listening.voice.meter import VoiceReading


def shown(told: ShowSinger) -> dict:
    return sung_shown(told, sing_stand().pure)


def reading(hz: float, note: int) -> VoiceReading:
    return VoiceReading(0.0, hz, hz, 1.0, 1.0, 0.0, 0.0, 1.0, note)


def test_the_note_is_told_in_the_words_of_the_terminal() -> None:
    now = shown(sung(10.0))["now"]
    assert (now["degree"], now["cents"], now["way"], now["near"]) == ("3", 10, "lower", False)
    assert now["steady"] == "vibrato 5.5 a second, 30 cents to either side: its centre"
    assert shown(sung(-2.0, 0.0))["now"]["way"] == "pure"
    assert shown(sung(-12.0, 0.0))["now"]["way"] == "higher"
    assert shown(sung())["told"] == "degree 1: pure"


def test_the_line_lies_among_the_pure_lines() -> None:
    """Over D the third is 386.3 cents above the tonic, 5/4 (by definition); the note was sung 10 above that."""
    told = shown(sung(10.0, 0.0))
    pure = {one["name"]: one["cents"] for one in told["pure"]}
    assert pure["3 F#3"] - pure["1 D3"] == pytest.approx(386.3, abs=0.1)
    assert told["now"]["centre"] - pure["3 F#3"] == pytest.approx(10.0, abs=0.1)
    assert told["line"][-1][1] == pytest.approx(told["now"]["centre"], abs=0.1)
    assert [cents for _, cents in told["line"]].count(None) == 1  # it breaks in the rest
    heard = [cents for _, cents in told["line"] if cents is not None]
    assert told["low"] < min(heard) - 50
    assert told["high"] > max(heard) + 50
    assert all(told["low"] <= cents <= told["high"] for cents in pure.values())


def test_the_window_is_never_too_narrow_and_empty_without_a_voice() -> None:
    one = sung(0.0, 0.0)
    steady = shown(ShowSinger(one.seen, tuple((ago_s, D3 * 5 / 4) for ago_s, _ in one.line)))
    assert steady["high"] - steady["low"] >= LEAST_CENTS
    assert steady["low"] < steady["now"]["centre"] < steady["high"]
    silent = shown(ShowSinger(SingerSeen()))
    assert (silent["low"], silent["high"], silent["now"], silent["pure"]) == (0.0, 0.0, None, [])


def test_the_line_keeps_ten_seconds_and_breaks_where_nothing_was_read() -> None:
    line = SungLine()
    for at in range(400):
        line.take(reading(200.0, 1), 0.036 * at)
    now_s = 0.036 * 399
    kept = line.until(now_s)
    assert all(0 <= ago_s <= KEPT_S for ago_s, _ in kept)
    assert len(kept) == pytest.approx(KEPT_S / 0.036, abs=2)
    assert all(hz == 200.0 for _, hz in kept)
    line.take(reading(210.0, 1), now_s + 3 * BREAKS_S)
    line.take(reading(250.0, 2), now_s + 3 * BREAKS_S + 0.036)
    assert [hz for _, hz in line.until(now_s + 3 * BREAKS_S + 0.036)[-5:]] == [200.0, 0.0, 210.0, 0.0, 250.0]
    assert line.until(now_s + 60) == ()


def test_what_may_be_asked_is_degrees_and_the_whole_drone() -> None:
    assert actions_of("sing") == ("degree", "drone")
    assert [command_of("degree", number) for number in (1, 9, 0, 10, 2.5, -1)] == [
        *("degree 1", "degree 9", None, None, None, None)
    ]
    assert sing_stand().sung_degrees[:5] == ("D3", "E3", "F#3", "G3", "A3")
    assert len(sing_table().hz) == len(sing_stand().pure)


def test_over_the_wire_it_is_shown_and_asked() -> None:
    asked: list[Command] = []
    with page_of_singer(sing_stand(), asked.append) as (watcher, page):
        client = Client(page.addresses.act)
        told = sung()
        watcher.show(told.seen, told.line)
        with closing(client.events()) as events:
            found = next(data for name, data in events if name == "sung")
        assert found["now"]["degree"] == "3"
        assert found["degrees"] == [1, 5]
        assert client.act("degree", number=3, id="a").status == 200
        assert client.act("degree", number=77, id="b").status == 200
        assert client.act("drone", id="c").status == 200
        assert client.act("mute", number=1, id="d").status == 400  # of the list, but not of this page
        assert client.act("quit", id="e").status == 400
        until_s = time.monotonic() + 5
        while len(asked) < 2 and time.monotonic() < until_s:
            client.first("beat")
        assert asked == ["degree 3", "drone"]


def test_a_server_that_ends_is_told_at_the_desk() -> None:
    told: queue.SimpleQueue[Command] = queue.SimpleQueue()
    with page_of_singer(sing_stand(), told.put) as (_, page):
        os.kill(page.pid, signal.SIGKILL)
        assert told.get(timeout=20) == "tell the page's server ended; starting it again"
