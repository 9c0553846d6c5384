"""What every system of MIDI ports must do: the fake one, and both libraries on a real JACK server.

One suite, three worlds. A `World` has a system under test, and on its other side a device that plays and one that
records; over JACK these are another process (`support.jack.JackTap`).
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from typing import Any

import pytest
from support import jack, port_libraries
from support.fake_ports import Desk, FakeSystem

from bridge.errors import PortProblem
from bridge.ports.base import SAFE_SYSEX_BYTES, InPort, MidiSystem, OutPort, check_message

NOTE = bytes((0x90, 60, 100))
MESSAGES = [
    NOTE,
    bytes((0xB3, 7, 127)),
    bytes((0xC4, 5)),
    bytes((0xD5, 9)),
    bytes((0xEF, 0, 64)),
    bytes((0xF2, 1, 2)),
    bytes((0xF8,)),
    bytes((0xFA,)),
    bytes((0xFE,)),
    b"\xf0\x7e\x7f\x09\x01\xf7",
    bytes((0x80, 60, 0)),
]

KNOCK = bytes((0x8F, 127, 1))
"""A note-off that no test plays; it only shows that a connection has come about."""


@dataclass
class World:
    """A system under test and its surroundings."""

    system: MidiSystem
    keyboard: str
    synth: str
    play: Callable[..., None]
    received: Callable[[], list[bytes]]
    play_to: Callable[[str, bytes], None]
    hear: Callable[[str], None]
    arrived: Callable[[bytes], bool] = lambda message: True
    opened: list[InPort | OutPort] = field(default_factory=list)

    def listen(self) -> list[bytes]:
        """Open the keyboard's port; return the list that fills with what it plays."""
        heard: list[bytes] = []
        self.opened.append(self.system.open_input(self.keyboard, heard.append))
        return heard

    def speak(self) -> OutPort:
        """Open the synth's port."""
        port = self.system.open_output(self.synth)
        self.opened.append(port)
        self.knock(port)
        return port

    def knock(self, port: OutPort) -> None:
        """Send until something comes through: a server's connection carries nothing before its next cycle."""
        limit = time.monotonic() + 30.0
        port.send(KNOCK)
        while not self.arrived(KNOCK):
            assert time.monotonic() < limit, f"{port.name} was opened, but nothing comes through"
            time.sleep(0.02)
            port.send(KNOCK)


def until(done: Callable[[], Any], limit_s: float = 30.0) -> None:
    """Wait for something, and fail if it does not come."""
    limit = time.monotonic() + limit_s
    while not done():
        assert time.monotonic() < limit, "it never came"
        time.sleep(0.005)


def fake_world() -> Iterator[World]:
    desk = Desk()
    keyboard, synth = desk.keyboard("Keys:Keys MIDI 1"), desk.synth("Box:Box MIDI 1")
    yield World(
        FakeSystem(desk),
        keyboard.name,
        synth.name,
        keyboard.play,
        lambda: [message for message in synth.received if message != KNOCK],
        lambda name, data: desk.keyboards[name].play(data),
        lambda name: (
            desk.synths[name].received.clear() or setattr(synth, "received", desk.synths[name].received)
        ),
    )


def jack_world(request: pytest.FixtureRequest, library: str) -> Iterator[World]:
    from bridge.ports.rtmidi_ports import open_system

    port_libraries.use(library, request.getfixturevalue("monkeypatch"))
    server = request.getfixturevalue("jack_server")
    with jack.JackTap(server) as tap:
        system = open_system("JACK")
        tap.start()

        def received() -> list[bytes]:
            return [message for _, message in tap.heard() if message != KNOCK]

        def arrived(wanted: bytes) -> bool:
            return any(message == wanted for _, message in tap.heard())

        patched: set[str] = set()

        def play_to(name: str, data: bytes) -> None:
            if name not in patched:
                tap.connect(tap.midi_out, name)
                patched.add(name)
            tap.send(data)

        yield World(
            system,
            tap.midi_out,
            tap.midi_in,
            tap.send,
            received,
            play_to,
            lambda name: tap.connect(name, tap.midi_in),
            arrived,
        )
        system.close()


@pytest.fixture(
    params=["fake", *(pytest.param(name, marks=pytest.mark.jack) for name in port_libraries.NAMES)]
)
def world(request: pytest.FixtureRequest) -> Iterator[World]:
    """Each test runs on all."""
    source = fake_world() if request.param == "fake" else jack_world(request, request.param)
    one = next(source)
    yield one
    for port in one.opened:
        port.close()
    next(source, None)


def test_ports_are_listed_by_the_side_on_which_they_are(world: World) -> None:
    assert world.keyboard in world.system.inputs()
    assert world.keyboard not in world.system.outputs()
    assert world.synth in world.system.outputs()
    assert world.synth not in world.system.inputs()
    assert world.system.title


def test_messages_arrive_whole_and_in_order_both_ways(world: World) -> None:
    heard = world.listen()
    port = world.speak()
    assert port.name == world.synth
    world.play(*MESSAGES)
    until(lambda: len(heard) >= len(MESSAGES))
    assert heard == MESSAGES
    for message in MESSAGES:
        port.send(message)
    until(lambda: len(world.received()) >= len(MESSAGES))
    assert world.received() == MESSAGES


@pytest.mark.parametrize("size", [3, 33, 408, 516, 4096, SAFE_SYSEX_BYTES])
def test_sysex_up_to_the_safe_size_arrives_whole(world: World, size: int) -> None:
    message = b"\xf0" + bytes(number & 0x7F for number in range(size - 2)) + b"\xf7"
    heard = world.listen()
    port = world.speak()
    world.play(message, NOTE)
    port.send(message)
    port.send(NOTE)
    until(lambda: len(heard) >= 2)
    until(lambda: len(world.received()) >= 2)
    assert heard == [message, NOTE]
    assert world.received() == [message, NOTE]


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "nothing to send"),
        (b"\x40\x40", "status byte"),
        (b"\x90\x40", "has 3 bytes, not 2"),
        (b"\x90\x40\x40\x40", "has 3 bytes, not 4"),
        (b"\x90\x40\x80", "above 7F"),
        (b"\xf0\x7e", "end with F7"),
        (b"\xf0", "end with F7"),
        (b"\xf0\x80\xf7", "above 7F"),
        (b"\xf4", "no message"),
        (b"\xf0" + bytes(SAFE_SYSEX_BYTES - 1) + b"\xf7", "longer than ports carry safely"),
    ],
)
def test_what_is_no_message_is_refused_and_never_sent(world: World, data: bytes, says: str) -> None:
    port = world.speak()
    assert says in check_message(data)
    with pytest.raises(PortProblem, match=says):
        port.send(data)
    port.send(NOTE)
    until(lambda: world.received())
    assert world.received() == [NOTE]


def test_a_closed_port_is_silent_and_refuses(world: World) -> None:
    heard = world.listen()
    port = world.speak()
    port.send(NOTE)
    port.close()
    port.close()
    assert port.closed
    with pytest.raises(PortProblem, match="closed"):
        port.send(NOTE)
    until(lambda: world.received())
    assert world.received() == [NOTE], "what was sent before closing has arrived"
    world.opened[0].close()
    world.opened[0].close()
    world.play(NOTE)
    time.sleep(0.05)
    assert heard == []


def test_a_burst_is_there_after_closing(world: World) -> None:
    port = world.speak()
    burst = [bytes((0x90 | number % 16, number % 128, 1 + number % 127)) for number in range(500)]
    for message in burst:
        port.emit(message)
    port.close()
    until(lambda: len(world.received()) >= len(burst))
    assert world.received() == burst


@pytest.mark.parametrize(("played", "heard_by"), [("keyboard", "synth"), ("pedals", "lights")])
def test_ports_of_our_own_can_be_connected_to_and_are_not_listed(
    world: World, played: str, heard_by: str
) -> None:
    heard: list[bytes] = []
    into = world.system.make_input(heard.append, label=played)
    out = world.system.make_output(label=heard_by)
    world.opened += [into, out]
    assert into.name not in world.system.outputs()
    assert out.name not in world.system.inputs()
    until(lambda: world.play_to(into.name, KNOCK) or KNOCK in heard)
    world.play_to(into.name, NOTE)
    until(lambda: NOTE in heard)
    assert [message for message in heard if message != KNOCK] == [NOTE]
    world.hear(out.name)
    world.knock(out)
    out.send(NOTE)
    until(lambda: world.received())
    assert world.received() == [NOTE]


def test_a_port_that_is_not_there_is_refused(world: World) -> None:
    with pytest.raises(PortProblem, match="not there any more"):
        world.system.open_output("Nobody:Nothing")
    with pytest.raises(PortProblem, match="not there any more"):
        world.system.open_input("Nobody:Nothing", lambda _: None)
    assert world.synth in world.system.outputs(), "listing goes on after a refusal"
    world.speak().send(NOTE)
    until(lambda: world.received())


def test_a_receiver_that_fails_does_not_end_listening(
    world: World, capfd: pytest.CaptureFixture[str]
) -> None:
    heard: list[bytes] = []

    def receive(data: bytes) -> None:
        heard.append(data)
        raise RuntimeError("on purpose")

    world.opened.append(world.system.open_input(world.keyboard, receive))
    world.play(NOTE, NOTE)
    until(lambda: len(heard) >= 2)
    capfd.readouterr()


def test_a_system_without_virtual_ports_says_so() -> None:
    system = FakeSystem(Desk(), can_make_ports=False)
    with pytest.raises(PortProblem, match="loop-back"):
        system.make_output()
    with pytest.raises(PortProblem, match="loop-back"):
        system.make_input(lambda _: None)


def test_an_unplugged_device_is_not_listed_and_takes_nothing() -> None:
    desk = Desk()
    keys, box = desk.keyboard("Keys"), desk.synth("Box")
    system = FakeSystem(desk)
    heard: list[bytes] = []
    into, out = system.open_input("Keys", heard.append), system.open_output("Box")
    desk.unplug("Keys")
    desk.unplug("Box")
    keys.play(NOTE)
    out.send(NOTE)
    assert (system.inputs(), system.outputs(), heard, box.received) == ([], [], [], [])
    desk.plug("Keys")
    desk.plug("Box")
    keys.play(NOTE)
    out.send(NOTE)
    assert (heard, box.received) == ([NOTE], [NOTE])
    into.close()
