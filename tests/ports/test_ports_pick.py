"""A port by part of its name: one, several, or none."""

from __future__ import annotations

import pytest
from support.fake_ports import Desk, FakeSystem

from bridge.errors import PortProblem
from bridge.ports.base import client_name
from bridge.ports.pick import base_name, device_of, pick_port, same_port

PORTS = [
    "Midi Through:Midi Through Port-0 14:0",
    "Keys:Keys MIDI 1 28:0",
    "Keys:Keys MIDI 2 28:1",
    "synth:midi_00",
]


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ("synth", "synth:midi_00"),
        ("SYNTH:MIDI_00", "synth:midi_00"),
        ("keys 2", "Keys:Keys MIDI 2 28:1"),
        ("midi_00", "synth:midi_00"),
        (" through ", "Midi Through:Midi Through Port-0 14:0"),
        ("Keys:Keys MIDI 1 28:0", "Keys:Keys MIDI 1 28:0"),
    ],
)
def test_part_of_a_name_finds_the_only_port_that_has_it(wanted: str, found: str) -> None:
    assert pick_port(wanted, PORTS, "output") == found


@pytest.mark.parametrize(
    ("wanted", "says"),
    [
        ("keys", r"'keys' could be any of 2 output ports: Keys:Keys MIDI 1 28:0, Keys:Keys MIDI 2 28:1"),
        ("midi", "any of 4 output ports"),
        ("synht", "there is no output port 'synht' .did you mean synth:midi_00"),
        ("kyes", "did you mean Keys:Keys MIDI"),
        ("accordion", "there are: Midi Through"),
        ("", "there is no output port ''"),
    ],
)
def test_other_names_are_answered_with_what_there_is(wanted: str, says: str) -> None:
    with pytest.raises(PortProblem, match=says) as error:
        pick_port(wanted, PORTS, "output")
    assert error.value.exit_code == 4


def test_a_name_in_full_wins_over_longer_ones() -> None:
    assert pick_port("keys", ["Keys", "Keys too"], "input") == "Keys"


def test_no_ports_at_all() -> None:
    with pytest.raises(PortProblem, match=r"no input ports at all.*stillbeat ports"):
        pick_port("keys", [], "input")


def test_a_device_plugged_in_again_is_known_under_its_new_number() -> None:
    assert (
        same_port("Keys:Keys MIDI 1 28:0", ["synth:midi_00", "Keys:Keys MIDI 1 32:0"])
        == "Keys:Keys MIDI 1 32:0"
    )
    assert same_port("Keys:Keys MIDI 1 28:0", ["Keys:Keys MIDI 2 32:1"]) is None
    assert same_port("Keys 1", ["Keys 2"]) == "Keys 2", "Windows counts its ports anew"
    assert same_port("Keys 1", ["Keys 2", "Keys 3"]) is None, "two could be meant"
    assert base_name("synth:midi_00") == "synth:midi_00"


def test_the_device_of_a_port() -> None:
    assert device_of("Keys:Keys MIDI 1 28:0") == device_of("Keys:Keys MIDI 2 28:1") == "keys"
    assert device_of("synth:midi_00") != device_of("Keys:Keys MIDI 1 28:0")


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("", "stillbeat"),
        ("  ", "stillbeat"),
        ("organ", "organ"),
        ("or:gan\n", "or gan"),
        ("x" * 99, "x" * 30),
    ],
)
def test_a_run_may_have_a_name_of_its_own(monkeypatch: pytest.MonkeyPatch, said: str, name: str) -> None:
    monkeypatch.setenv("STILLBEAT_NAME", said)
    assert client_name() == name
    port = FakeSystem(Desk()).make_output(label="synth")
    assert port.name == f"{name} synth:synth"
