"""The page beside ``stillbeat play`` on a real JACK server: what it shows, what it asks, and how it leaves."""

from __future__ import annotations

import json
import os
import re
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support import jack
from support.live import LiveRun, until
from support.page import Client

pytestmark = pytest.mark.jack


@pytest.fixture(scope="module")
def server() -> Iterator[jack.JackServer]:
    with jack.JackServer() as one:
        yield one


@pytest.fixture
def tap(server: jack.JackServer) -> Iterator[jack.JackTap]:
    with jack.JackTap(server) as one:
        yield one


def play(server: jack.JackServer, state: Path, *more: str) -> tuple[LiveRun, Client]:
    """Play from the recorder's port to a port of our own, with a page."""
    options = ("--guitar", "open-d", "--reference", "D3=146.5", "--in", "tap", "--out", "new")
    run = LiveRun(server.env, state, *options, "--also", "A", "--drone", "1,5", *more)
    line = run.wait(r"^page: ")
    run.ready()
    return run, Client(line.removeprefix("page: ").strip())


def act(client: Client, action: str, **said: Any) -> None:
    assert json.loads(client.act(action, **said).text) == {"done": "asked"}  # type: ignore[attr-defined]


def test_what_is_played_is_seen_and_what_is_touched_is_done(
    server: jack.JackServer, tap: jack.JackTap, tmp_path: Path
) -> None:
    run, client = play(server, tmp_path, "--page")
    with run:
        seen = client.first(
            "seen", lambda one: one["drone"]["state"] == "on" and one["drone"]["volume"] == 1.0
        )
        assert (seen["tonic"], seen["tuning"], seen["hz"]) == ("D", "Open D", 146.5)
        assert seen["health"]["state"] == "ok"
        tap.send(bytes((0x90, 54, 100)))
        seen = client.first("seen", lambda one: one["notes"] == ["F#3"])
        third = next(one for one in seen["lesson"]["sounding"] if one["note"] == "F#3")
        assert (third["degree"], third["cents"]) == ("3", 0.0)
        act(client, "equal")
        seen = client.first("seen", lambda one: one["equal"])
        third = next(one for one in seen["lesson"]["sounding"] if one["note"] == "F#3")
        assert third["cents"] == pytest.approx(13.7, abs=0.05)  # 400 cents, less those of 5/4
        tap.send(bytes((0x80, 54, 0)))
        act(client, "next")
        client.first("seen", lambda one: one["tonic"] == "A")
        act(client, "trim-up")
        client.first("seen", lambda one: one["trim"] == 0.5)
        chords = client.first(
            "chords", lambda one: any(chord["name"] == "A" and chord["numeral"] == "I" for chord in one)
        )
        act(client, "chord", number=next(one["number"] for one in chords if one["name"] == "A"))
        client.first("seen", lambda one: one["notes"] == ["A3", "C#4", "E4"])
        tap.connect(f"{server.client('stillbeat')} synth:synth", tap.midi_in)
        tap.send(bytes((0x90, 64, 100)))
        client.first("seen", lambda one: "E4" in one["notes"])
        tap.start()
        act(client, "silence")
        # The keys are let go at once, all sound is ended (CC 120, MIDI 1.0) within a second after that.
        until(lambda: any(data[0] & 0xF0 == 0xB0 and data[1] == 120 for _, data in tap.heard()))
        heard = tap.heard()
        ended_s = next(at_s for at_s, data in heard if data[0] & 0xF0 == 0xB0 and data[1] == 120)
        off_s = [at_s for at_s, data in heard if data[0] & 0xF0 in (0x80, 0x90) and data[1] == 64]
        assert off_s
        assert ended_s - off_s[0] > 0.4  # not at once
        client.first("seen", lambda one: one["notes"] == [] and one["drone"]["state"] == "off")
        run.say("quit")
        assert run.exit_code() == 0


@pytest.mark.parametrize("fault", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "stuck"])
def test_a_page_that_is_killed_or_stuck_stops_no_note_and_no_way_out(
    server: jack.JackServer, tap: jack.JackTap, tmp_path: Path, fault: signal.Signals
) -> None:
    run, client = play(server, tmp_path, "--page")
    with run:
        assert client.first("stand")["command"] == "play"
        pid = next(
            int(path.parent.name) for path in Path("/proc").glob("[0-9]*/stat") if _is_page_of(path, run.pid)
        )
        os.kill(pid, fault)
        tap.connect(f"{server.client('stillbeat')} synth:synth", tap.midi_in)
        tap.start()
        tap.send(bytes((0x90, 54, 100)))
        until(lambda: any(data[0] & 0xF0 == 0x90 and data[1:2] == b"\x36" for _, data in tap.heard()))
        run.say("quit")
        assert run.exit_code() == 0


def _is_page_of(path: Path, pid: int) -> bool:
    try:
        fields = path.read_text().rsplit(")", 1)[1].split()
        return int(fields[1]) == pid and b"bridge.page.process" in (path.parent / "cmdline").read_bytes()
    except OSError:
        return False


def test_over_the_network_the_secret_is_printed_once_and_never_shown(
    server: jack.JackServer, tap: jack.JackTap, tmp_path: Path
) -> None:
    options = ("--guitar", "open-d", "--in", "tap", "--out", "new", "--page-lan")
    with LiveRun(server.env, tmp_path, *options) as run:
        line = run.wait(r"^page, to act: ")
        found = re.search(r"http://[\d.]+:\d+/([\w-]{22})/$", line.strip())
        assert found is not None
        run.ready()
        client = Client(line.rpartition(" ")[2].strip())
        seen = client.first("seen")
        assert found[1] not in json.dumps(seen)
        run.say("quit")
        assert run.exit_code() == 0


def test_a_drone_shows_its_beats_and_is_silenced_from_the_page(
    server: jack.JackServer, tap: jack.JackTap, tmp_path: Path
) -> None:
    options = (
        "third",
        "--guitar",
        "open-d",
        "--reference",
        "D3=146.5",
        "--settle",
        "tempered",
        "--out",
        "tap",
    )
    with LiveRun(server.env, tmp_path, *options, "--page", command="drone") as run:
        client = Client(run.wait(r"^page: ").removeprefix("page: ").strip())
        seen = client.first("seen", lambda one: len(one["lesson"]["sounding"]) == 2)
        assert (seen["title"], seen["tonic"], seen["tuning"]) == ("third: D3 F#3", "D", "Open D")
        assert "beats a second" in seen["beats"]
        act(client, "silence")
        assert run.exit_code() == 0  # a drone that was ended has nothing more to play


def test_a_song_is_led_from_the_page(server: jack.JackServer, tap: jack.JackTap, tmp_path: Path) -> None:
    song = Path(__file__).parents[2] / "examples" / "evening" / "tracks" / "low-water.mid"
    how = ("--guitar", "open-d", "--out", "tap", "--loop", "3-4", "--count-in", "0", "--page")
    with LiveRun(server.env, tmp_path, str(song), *how) as run:
        client = Client(run.wait(r"^page: ").removeprefix("page: ").strip())
        stand = client.first("stand")
        assert {"pause", "bar-back", "mute", "equal", "silence"} <= set(stand["actions"])
        assert "next" not in stand["actions"]
        seen = client.first("seen", lambda one: one["bar"] == 3 and one["chord"])
        assert (seen["title"], seen["barsLeft"], seen["track"]["bars"]) == ("low-water", 2, 16)
        act(client, "pause")
        place = client.first("seen", lambda one: one["track"]["paused"])["bar"]
        assert client.first("seen")["notes"] == []
        act(client, "mute", number=2)
        parts = client.first("seen", lambda one: any(part["muted"] for part in one["track"]["parts"]))[
            "track"
        ]
        assert [part["muted"] for part in parts["parts"]][:2] == [False, True]
        tap.start()
        act(client, "pause")
        client.first("seen", lambda one: not one["track"]["paused"] and one["notes"])
        assert place in (3, 4)
        until(lambda: any(data[0] & 0xF0 == 0x90 and data[2] for _, data in tap.heard()))
        act(client, "silence")
        client.first("seen", lambda one: one["track"]["paused"] and one["notes"] == [])
        run.signal(signal.SIGINT)
        assert run.exit_code() == 0
        assert run.errors() == ""
        until(lambda: _sounding(tap.heard()) == set())


def _sounding(heard: list[tuple[float, bytes]]) -> set[tuple[int, int]]:
    """What still sounds after messages, by channel and key."""
    held: set[tuple[int, int]] = set()
    for _, data in heard:
        if data[0] & 0xE0 == 0x80:
            (held.add if data[0] & 0x10 and data[2] else held.discard)((data[0] & 15, data[1]))
        elif data[0] & 0xF0 == 0xB0 and data[1] in (120, 123):
            held = {place for place in held if place[0] != data[0] & 15}
    return held
