"""Inputs are closed while messages come in, by a process of its own: it must neither crash nor hang."""

from __future__ import annotations

import subprocess
import sys

import pytest
from support import jack, port_libraries

pytestmark = pytest.mark.jack

_ROUNDS = 15
_PLAYS = """
import sys, threading
from bridge.ports.rtmidi_ports import open_system
out = open_system("JACK").make_output(label="flood")
ended = threading.Event()
threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
print(out.name, flush=True)
while not ended.wait(0.001):
    for key in range(30):  # so many at a time that the thread of a listener is hardly ever idle
        out.emit(bytes((0x90, key, 90)))
out.close()
"""
_CLOSES = f"""
import sys, threading, time
from bridge.ports.rtmidi_ports import open_system
system = open_system("JACK")
heard = []
def receive(data):
    heard.append(data)
    sum(range(500))  # as long as an engine takes
def compute():
    while True:
        sum(range(100))
for _ in range(2):  # the listener's thread has to wait for the interpreter
    threading.Thread(target=compute, daemon=True).start()
for number in range({_ROUNDS}):
    port = system.open_input(sys.argv[1], receive)
    before = len(heard)
    while len(heard) == before:
        time.sleep(0.001)
    port.close()
    after = len(heard)
    time.sleep(0.005)
    assert len(heard) == after, "heard after it was closed"
    port.close()
system.close()
print("closed", number + 1)
"""


@pytest.mark.parametrize("library", port_libraries.NAMES)
def test_an_input_is_closed_in_the_middle_of_a_flood(jack_server: jack.JackServer, library: str) -> None:
    port_libraries.require(library)
    env = {**jack_server.env, "STILLBEAT_PORTS": library}
    with subprocess.Popen(
        [sys.executable, "-c", _PLAYS],
        env={**env, "STILLBEAT_NAME": jack_server.client("busy")},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as busy:
        assert busy.stdout is not None
        name = busy.stdout.readline().strip()
        assert name == f"{jack_server.client('busy')} flood:flood"
        done = subprocess.run(
            [sys.executable, "-c", _CLOSES, name],
            env=env,
            capture_output=True,
            text=True,
            timeout=90,
        )
    assert done.returncode == 0, done.stderr
    assert done.stdout == f"closed {_ROUNDS}\n"


def test_connections_of_a_port_are_taken_away(jack_server: jack.JackServer) -> None:
    from bridge.ports.jack_library import cut_off

    note = bytes((0x90, 60, 90))
    with jack.JackTap(jack_server, name="from") as source, jack.JackTap(jack_server, name="to") as tap:
        assert cut_off(tap.midi_in), "nothing to take away is no error"
        tap.connect(source.midi_out, tap.midi_in)
        tap.start()
        source.send(note)
        assert cut_off(tap.midi_in)
        source.send(note)
        source.send(note)
        assert len(tap.stop_recording().midi) <= 1
        assert not cut_off(f"{tap.name}:nothing")
