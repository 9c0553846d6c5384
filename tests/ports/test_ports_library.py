"""Which library the ports come through, and what rtmidi2 needs that python-rtmidi does not."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pytest
from packaging.requirements import Requirement
from support import jack, needs, port_libraries
from support.live import until

from bridge.errors import PortProblem
from bridge.ports import by_rtmidi2
from bridge.ports.library import chosen_library
from bridge.ports.rtmidi_ports import open_system

ROOT = Path(__file__).resolve().parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


# ---- which one


@pytest.mark.parametrize("library", port_libraries.NAMES)
def test_the_environment_names_a_library(monkeypatch: pytest.MonkeyPatch, library: str) -> None:
    port_libraries.use(library, monkeypatch)
    assert chosen_library().name == library


def test_without_a_wish_it_is_python_rtmidi_where_that_is_installed(monkeypatch: pytest.MonkeyPatch) -> None:
    for library in port_libraries.NAMES:
        port_libraries.require(library)
    monkeypatch.delenv("STILLBEAT_PORTS", raising=False)
    assert chosen_library().name == "python-rtmidi"
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    assert chosen_library().name == "rtmidi2"


def test_a_library_that_is_named_is_not_replaced_by_the_other(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STILLBEAT_PORTS", "rtmidi2")
    monkeypatch.setitem(sys.modules, "rtmidi2", None)
    with pytest.raises(PortProblem, match=r"need the package rtmidi2, .*pip install rtmidi2"):
        chosen_library()


def test_a_name_of_no_library_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("STILLBEAT_PORTS", "rtmidi3")
    with pytest.raises(PortProblem, match=r"'rtmidi3' .*say one of: python-rtmidi, rtmidi2"):
        chosen_library()


def test_no_library_is_loaded_before_it_is_asked_for() -> None:
    code = (
        "import bridge.ports.rtmidi_ports, bridge.ports.find, bridge.ports.by_rtmidi2, sys\n"
        "import bridge.ports.by_python_rtmidi\n"
        "sys.exit(bool({'rtmidi', 'rtmidi2'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False, timeout=60).returncode == 0


# ---- what is installed where

# Wheels of python-rtmidi 1.5.8 and rtmidi2 1.5.0, by platform; looked up where they are published.
MACHINES = {
    "linux x86_64": {"sys_platform": "linux", "platform_machine": "x86_64"},
    "linux arm": {"sys_platform": "linux", "platform_machine": "aarch64"},
    "mac arm": {"sys_platform": "darwin", "platform_machine": "arm64"},
    "mac intel": {"sys_platform": "darwin", "platform_machine": "x86_64"},
    "windows": {"sys_platform": "win32", "platform_machine": "AMD64"},
    "windows arm": {"sys_platform": "win32", "platform_machine": "ARM64"},
}
RTMIDI2_WHEELS = {"linux x86_64", "mac arm", "mac intel", "windows"}


def libraries_for(machine: str, python: str, wanted: list[str]) -> set[str]:
    """Return the libraries for MIDI ports that a fresh machine gets from a list of requirements."""
    place = {**MACHINES[machine], "python_version": python}
    needs = [Requirement(text) for text in wanted]
    return {
        need.name
        for need in needs
        if need.name in port_libraries.NAMES and (need.marker is None or need.marker.evaluate(place))
    }


@pytest.mark.parametrize("machine", MACHINES)
@pytest.mark.parametrize("python", ["3.11", "3.12", "3.13", "3.14"])
def test_a_fresh_machine_gets_a_library_that_has_a_wheel(machine: str, python: str) -> None:
    got = libraries_for(machine, python, PROJECT["dependencies"])
    if python in ("3.11", "3.12"):
        assert got == {"python-rtmidi"}
    else:
        assert got == ({"rtmidi2"} if machine in RTMIDI2_WHEELS else set())


def test_the_marker_is_the_one_that_was_tried_and_the_extra_builds_the_other_anywhere() -> None:
    marker = (
        "python_version >= '3.13' and (sys_platform != 'linux' or platform_machine == 'x86_64') "
        "and platform_machine != 'ARM64'"
    )
    assert [text for text in PROJECT["dependencies"] if text.startswith("rtmidi2")] == [
        f"rtmidi2>=1.5; {marker}"
    ]
    for machine in MACHINES:
        extra = PROJECT["optional-dependencies"]["ports"]
        assert libraries_for(machine, "3.14", extra) == {"python-rtmidi"}


# ---- what is the same with both


@pytest.mark.parametrize("library", port_libraries.NAMES)
def test_our_ends_of_connections_have_names_for_people(
    jack_server: jack.JackServer, monkeypatch: pytest.MonkeyPatch, library: str
) -> None:
    port_libraries.use(library, monkeypatch)
    us = jack_server.client("stillbeat")
    with jack.JackTap(jack_server) as tap:
        system = open_system("JACK")
        out, into = system.open_output(tap.midi_in), system.open_input(tap.midi_out, lambda _: None)
        assert {f"{us} synth:synth", f"{us} keyboard:keyboard"} <= set(tap.ports())
        out.close()
        into.close()
        system.close()
        assert not [name for name in tap.ports() if name.startswith(us)], "nothing is left behind"


# ---- rtmidi2 ends the process where it should refuse

_DANGEROUS = """
from types import SimpleNamespace
from bridge.ports import by_rtmidi2
by_rtmidi2._server = lambda: SimpleNamespace(gone=False)  # as if there were one
library = by_rtmidi2.RtMidi2()
library.new_out(library.systems()["JACK"], "x").make("x")
"""
_NO_SERVER = {"JACK_DEFAULT_SERVER": "stillbeat-nobody", "JACK_NO_START_SERVER": "1"}


@pytest.fixture
def rtmidi2(monkeypatch: pytest.MonkeyPatch) -> ModuleType:
    """The library in use."""
    needs.program("jackd")  # and with it the system's JACK library
    port_libraries.use("rtmidi2", monkeypatch)
    library = chosen_library()
    assert isinstance(library, by_rtmidi2.RtMidi2)
    module = library._module
    assert isinstance(module, ModuleType)
    return module


def test_without_a_server_the_library_would_end_the_process(
    rtmidi2: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Why a server is looked for; if this fails, a newer rtmidi2 can be asked directly."""
    for name, value in _NO_SERVER.items():
        monkeypatch.setenv(name, value)
    done = subprocess.run(
        [sys.executable, "-c", _DANGEROUS], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode < 0, "ended by a signal"
    with pytest.raises(PortProblem, match="JACK does not answer: no server is running"):
        open_system("JACK")


def test_a_server_that_is_gone_before_a_port_is_opened_is_a_refusal(
    jack_server: jack.JackServer, rtmidi2: ModuleType
) -> None:
    with jack.JackTap(jack_server) as tap:
        system = open_system("JACK")
        assert tap.midi_in in system.outputs()
        opened = system.open_output(tap.midi_in)
        heard = system.open_input(tap.midi_out, lambda _: None)
        assert tap.midi_in in system.outputs()
        server = by_rtmidi2._server()
        jack_server.kill()
        until(lambda: server.gone)
        for ask in (system.make_output, system.outputs, system.inputs):
            with pytest.raises(PortProblem, match=r"JACK .*(no server is running|the server is gone)"):
                ask()
        opened.close()
        heard.close()
        system.close()
        jack_server.start()
        again = open_system("JACK")
        port = again.make_output()
        port.close()
        again.close()


def test_a_port_that_the_system_may_refuse_is_tried_in_another_process(
    jack_server: jack.JackServer, rtmidi2: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = rtmidi2.API_UNIX_JACK
    with jack.JackTap(jack_server) as tap:
        name = jack_server.client("trial")
        by_rtmidi2.try_in_a_child("out", number, name, tap.midi_in, "")
        by_rtmidi2.try_in_a_child("in", number, name, tap.midi_out, "")
        by_rtmidi2.try_in_a_child("in", number, name, "", "made")
        with pytest.raises(OSError, match="there is no port tap"):
            by_rtmidi2.try_in_a_child("in", number, name, "tap", "")
        tried: list[tuple[object, ...]] = []
        monkeypatch.setattr(by_rtmidi2, "try_in_a_child", lambda *what: tried.append(what))
        port = by_rtmidi2._Out(rtmidi2, number, name)
        port._server = None  # as on a system that has no server to look for
        port.open(tap.midi_in, "synth")
        assert tried == [("out", number, name, tap.midi_in, "")]
        port.close_port()
        port.delete()


def test_a_process_that_was_ended_by_force_is_a_refusal_with_its_reason(
    rtmidi2: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, value in _NO_SERVER.items():
        monkeypatch.setenv(name, value)
    monkeypatch.setattr(by_rtmidi2, "_TRY", _DANGEROUS)
    with pytest.raises(OSError, match=r"^JACK error creating virtual port$"):
        by_rtmidi2.try_in_a_child("out", rtmidi2.API_UNIX_JACK, "x", "", "x")


def test_another_system_than_was_asked_for_is_not_taken(rtmidi2: ModuleType) -> None:
    class Other:
        def __init__(self, client: str, api: int) -> None:
            pass

        def get_current_api(self) -> int:
            return int(rtmidi2.API_LINUX_ALSA)

    module = ModuleType("rtmidi2")
    vars(module).update(API_UNIX_JACK=rtmidi2.API_UNIX_JACK, MidiOut=Other)
    with pytest.raises(OSError, match="built without it"):
        by_rtmidi2._Out(module, rtmidi2.API_MACOSX_CORE, "x")


def test_names_are_in_the_letters_that_the_library_takes(rtmidi2: ModuleType) -> None:
    library = chosen_library()
    assert library.spelled("Orgel") == "Orgel"
    assert library.spelled("Fl\u00fcgel") == "Flgel"
    assert library.spelled("\u30aa\u30eb\u30ac\u30f3") == "stillbeat"


def test_a_port_that_was_given_back_refuses(jack_server: jack.JackServer, rtmidi2: ModuleType) -> None:
    port = open_system("JACK").make_output()
    port.close()
    with pytest.raises(RuntimeError, match="given back"):
        port.emit(bytes((0x90, 60, 90)))
