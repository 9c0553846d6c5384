"""What a musician is told when there are no ports."""

from __future__ import annotations

import sys
from importlib.metadata import version
from pathlib import Path

import pytest
from support import jack, needs, port_libraries
from support.fake_ports import Desk, FakeSystem
from support.jack_player import JackPlayer

from bridge.cli import main
from bridge.errors import PortProblem
from bridge.ports import diagnose
from bridge.ports.find import find_system
from bridge.ports.jack_watch import JackWatch
from bridge.ports.library import chosen_library


def test_nothing_is_said_where_there_are_ports_on_both_sides() -> None:
    desk = Desk()
    desk.keyboard("Keys")
    desk.synth("Box")
    assert diagnose.explain([FakeSystem(desk)], [PortProblem("JACK does not answer: no server")]) == []


def test_what_is_missing_is_said_with_what_to_do() -> None:
    desk = Desk()
    desk.keyboard("Keys")
    said = "; ".join(diagnose.explain([FakeSystem(desk)], []))
    assert "no output; switch the synth on" in said
    assert "no input" not in said
    assert "--in new --out new" in said
    said = "; ".join(diagnose.explain([FakeSystem(Desk(), can_make_ports=False)], []))
    assert "plug in a keyboard" in said
    assert "loop-back MIDI driver" in said


@pytest.mark.parametrize(
    ("exists", "may", "says"),
    [(False, False, "modprobe snd-seq"), (True, False, "usermod -aG audio"), (True, True, "another program")],
)
def test_linux_is_told_what_its_sequencer_lacks(
    monkeypatch: pytest.MonkeyPatch, exists: bool, may: bool, says: str
) -> None:
    monkeypatch.setattr(Path, "exists", lambda _: exists)
    monkeypatch.setattr("os.access", lambda *_: may)
    problem = PortProblem("ALSA does not answer: error")
    said = "; ".join(diagnose.explain([], [problem], "linux"))
    assert says in said
    assert "no MIDI system answers" in said


def test_other_systems_have_advice_of_their_own() -> None:
    assert "Audio MIDI Setup" in diagnose.advice("darwin")
    assert "driver" in diagnose.advice("win32")
    assert (
        "no server is running" in diagnose.explain([], [PortProblem("JACK does not answer: x")], "linux")[0]
    )


def test_without_a_library_the_command_says_what_to_install(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    monkeypatch.setitem(sys.modules, "rtmidi2", None)
    with pytest.raises(SystemExit) as left:
        main(["ports"])
    err = capsys.readouterr().err
    assert left.value.code == 4
    assert 'pip install "stillbeat[ports]"' in err
    assert err.count("\n") == 1


@pytest.mark.parametrize("library", port_libraries.NAMES)
def test_without_any_server_the_command_says_so(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], library: str
) -> None:
    port_libraries.use(library, monkeypatch)
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "stillbeat-nobody")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    systems = chosen_library().systems()
    if "JACK" not in systems:  # rtmidi2 asks the system's own library of JACK
        needs.missing("JACK's library", f"{needs.APT} jackd2")
    number = systems["JACK"]
    monkeypatch.setattr("bridge.ports.find.midi_systems", lambda: {"JACK": number})
    with pytest.raises(SystemExit) as left:
        main(["ports"])
    assert left.value.code == 4
    assert "JACK: no server is running" in capsys.readouterr().err
    with pytest.raises(PortProblem, match="no MIDI system answers"):
        find_system(None, ["keys"], ["synth"])
    watch = JackWatch(lambda: None)
    assert not watch.watching
    watch.close()


@pytest.mark.parametrize("library", port_libraries.NAMES)
def test_the_command_lists_ports_by_system_and_the_library(
    jack_server: jack.JackServer,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    library: str,
) -> None:
    port_libraries.use(library, monkeypatch)
    with jack.JackTap(jack_server) as tap, pytest.raises(SystemExit) as left:
        main(["ports"])
    out = capsys.readouterr().out
    assert left.value.code == 0
    assert [tap.midi_out, "in", "JACK"] in [line.split() for line in out.splitlines()]
    assert [tap.midi_in, "out", "JACK"] in [line.split() for line in out.splitlines()]
    assert f"MIDI ports through {library} {version(library)}" in out.splitlines()


def test_the_command_lists_where_sound_comes_in_and_goes_out(
    jack_server: jack.JackServer, capsys: pytest.CaptureFixture[str]
) -> None:
    needs.portaudio()
    with JackPlayer(jack_server) as guitar, pytest.raises(SystemExit):
        main(["ports"])
    rows = [line.split() for line in capsys.readouterr().out.splitlines()]
    assert [guitar.name, "sound", "in", "JACK", "Audio", "Connection", "Kit"] in [row[:7] for row in rows]
    assert ["system", "sound", "out"] in [row[:3] for row in rows]
    assert any(row[-3:] == ["the", "usual", "one"] for row in rows)


def test_a_system_and_its_ports_are_found(jack_server: jack.JackServer) -> None:
    with jack.JackTap(jack_server) as tap:
        for title in (None, "jack"):
            system = find_system(title, ["tap", None], ["new"])
            assert system.title == "JACK"
            system.close()
        with pytest.raises(PortProblem, match=f"did you mean {tap.midi_in}"):
            find_system(None, ["tap"], [tap.name.replace("tap", "tpa")])
        with pytest.raises(PortProblem, match=r"no MIDI system 'jak' here .did you mean"):
            find_system("jak", [], [])


def test_a_servers_death_is_told_within_a_moment(jack_server: jack.JackServer) -> None:
    import threading

    gone = threading.Event()
    watch = JackWatch(gone.set)
    assert watch.watching
    jack_server.kill()
    assert gone.wait(1.0)
    assert not watch.watching
    watch.close()
