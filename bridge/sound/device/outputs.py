"""Where sound can come out: the outputs of this computer, by name.

This module alone loads PortAudio (through sounddevice, the extra ``audio``), and only when it is needed. Once PortAudio
hangs, which it does when a JACK server dies under it, nothing more may be asked of it in this process: `give_up` says
so.
"""

from __future__ import annotations

import atexit
import contextlib
import os
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal, NoReturn, TypeAlias, TypeVar

from bridge.errors import PortProblem, near_names

_dead = threading.Event()
"""Set once PortAudio hangs: nothing more may be asked of it, not even to end."""
END_S = 1.0
"""The sound system has so long to let us go."""


Way: TypeAlias = Literal["input", "output"]


@dataclass(frozen=True)
class SoundDevice:
    """What every sound device has."""

    index: int  # PortAudio's number
    # The device's name, and the sound system that offers it.
    name: str
    system: str
    # Most channels, and the sample rate that it prefers.
    channels: int
    sample_rate: int
    default: bool  # whether it is used when none is named


class SoundOutput(SoundDevice):
    """A place where sound can come out."""


DeviceT = TypeVar("DeviceT", bound=SoundDevice)


def portaudio() -> Any:
    """Return the module sounddevice.

    PortProblem if it is missing, or PortAudio is, or PortAudio hangs since `give_up`.
    """
    if _dead.is_set():
        raise PortProblem(
            "the sound system has stopped answering",
            "start the sound server again, then start Stillbeat again",
        )
    try:
        import sounddevice
    except ModuleNotFoundError:
        raise PortProblem(
            "live sound needs the package sounddevice",
            "pip install 'stillbeat[audio]'; or render to a file instead",
        ) from None
    except OSError as error:
        raise PortProblem(
            f"the sound library PortAudio cannot be loaded: {error}",
            "install it (Debian and Ubuntu: apt install libportaudio2); or render to a file instead",
        ) from None
    if not sounddevice._initialized:  # ended by `end_portaudio`
        sounddevice._initialize()
    return sounddevice


def give_up() -> None:
    """Ask nothing of PortAudio any more, not even to end when Python does: it hangs."""
    _dead.set()
    with contextlib.suppress(ImportError, OSError, AttributeError):
        import sounddevice

        atexit.unregister(sounddevice._exit_handler)


class StreamRefused(Exception):
    """PortAudio does not open a stream; says why."""


def open_stream(
    device: SoundDevice, way: Way, callback: Callable[..., None], limit_s: float, **how: Any
) -> Any:
    """Open and start a stream of at most two channels in the device's own way; StreamRefused if it cannot be.

    One that does not start is closed again (see `end_stream`).
    """
    library = portaudio()
    stream = None
    try:
        stream = (library.InputStream if way == "input" else library.OutputStream)(
            device=device.index,
            channels=min(2, device.channels),
            dtype="float32",
            latency="low",
            callback=callback,
            **how,
        )
        stream.start()
    except (library.PortAudioError, ValueError) as error:
        if stream is not None:
            end_stream(stream, way, limit_s)
        raise StreamRefused(str(error)) from None
    return stream


def end_stream(stream: Any, way: Way, limit_s: float) -> None:
    """Close a stream of PortAudio; give PortAudio up as dead if that takes longer than `limit_s`."""

    def end() -> None:
        for step in (stream.abort, stream.close):
            with contextlib.suppress(Exception):
                step()

    _at_most(end, f"close sound {way}", limit_s)


def end_portaudio(limit_s: float) -> None:
    """End PortAudio before a process that ends without Python's own clearing up; give it up after `limit_s`.

    A JACK server that is left without a word keeps the next program that wants sound waiting for five
    seconds.
    """
    if _dead.is_set() or "sounddevice" not in sys.modules:
        return
    library = portaudio()

    def end() -> None:
        with contextlib.suppress(Exception):
            library._terminate()

    _at_most(end, "end sound", limit_s)


def end_process() -> NoReturn:
    """End this process at once, after PortAudio: a sound system that hangs is not waited for."""
    end_portaudio(END_S)
    os._exit(0)


def _at_most(do: Callable[[], None], name: str, limit_s: float) -> None:
    """Do something of PortAudio's in a thread of that name; give PortAudio up if it takes longer."""
    thread = threading.Thread(target=do, name=name, daemon=True)
    thread.start()
    thread.join(limit_s)
    if thread.is_alive():
        give_up()


def sound_outputs(rescan: bool = False) -> list[SoundOutput]:
    """Return the outputs; `rescan` looks again for devices that came or went, never while a stream is open.

    PortProblem if sounddevice or PortAudio is missing.
    """
    if rescan:
        library = portaudio()
        # PortAudio lists devices only when it is initialised; this is the way that sounddevice's manual gives.
        library._terminate()
        library._initialize()
    return list_devices("output", SoundOutput)


def list_devices(way: Way, kind: type[DeviceT]) -> list[DeviceT]:
    """Return the devices that sound can come in by, or go out by, as PortAudio last listed them."""
    library = portaudio()
    systems = library.query_hostapis()
    default = library.default.device[0 if way == "input" else 1]
    if default < 0:
        candidates = [int(system[f"default_{way}_device"]) for system in systems]
        default = next((index for index in candidates if index >= 0), -1)
    return [
        kind(
            index,
            str(device["name"]),
            str(systems[device["hostapi"]]["name"]),
            int(device[f"max_{way}_channels"]),
            round(device["default_samplerate"]),
            index == default,
        )
        for index, device in enumerate(library.query_devices())
        if device[f"max_{way}_channels"] > 0
    ]


def pick_output(name: str | None = None) -> SoundOutput:
    """Return the output whose name contains `name` (any case), or the default one.

    PortProblem if there is none, none of that name, or several.
    """
    outputs = sound_outputs() or sound_outputs(rescan=True)
    if not outputs:
        raise PortProblem(
            "there is no sound output on this computer",
            "connect or switch on a sound card or start the sound server; or render to a file instead",
        )
    return pick_by_name(outputs, name, "sound output")


def pick_by_name(devices: Sequence[DeviceT], name: str | None, what: str) -> DeviceT:
    """Return the device whose name contains `name` (any case), or without one the default of at least one device.

    PortProblem if there is none of that name, or several; messages call them `what`.
    """
    if name is None:
        return next((device for device in devices if device.default), devices[0])
    wanted = name.casefold()
    exact = [device for device in devices if device.name.casefold() == wanted]
    matching = exact or [device for device in devices if wanted in device.name.casefold()]
    if not matching:
        raise PortProblem(
            f"there is no {what} {name!r}", near_names(name, [device.name for device in devices])
        )
    systems = {device.system for device in matching}
    if len(matching) > 1 and not (exact and len(systems) == len(matching)):
        shown = ", ".join(f"{device.name} ({device.system})" for device in matching)
        raise PortProblem(f"several {what}s are called {name!r}: {shown}", "give more of the name")
    return matching[0]
