"""Independent synthesizers that render, so that a test can hear what a stream of MIDI bytes really does.

FluidSynth and TiMidity++ (Debian packages ``fluidsynth`` and ``timidity``) play files, TinySoundFont (PyPI
``tinysoundfont``) is driven message by message; ``libfluidsynth`` is also asked for the tuning tables it stored.
Everything that would blur a pitch is off: reverb, chorus, delay, filters, caches, the user's own configuration.

Conventions: a performance is a list of ``(time_s, message)`` or the path of a Standard MIDI File; messages are whole
(``F0`` … ``F7`` for SysEx); samples are float64 of shape ``(frames, 2)``; keys are MIDI key numbers.

A synth that is not installed skips the test, loudly, on a user's machine, and fails it in CI (`support.needs`).

Index: :func:`write_midi`, :class:`Rendering`, :func:`render_fluidsynth`, :func:`render_timidity`,
:func:`render_tinysoundfont`, :class:`FluidSynthLibrary`, :func:`fluid_stored_table`.

Sources: the manual pages fluidsynth(1), timidity(1), timidity.cfg(5); FluidSynth's API reference 2.3 (synth, tuning).
"""

from __future__ import annotations

import ctypes
import ctypes.util
import os
import struct
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType, TracebackType

import numpy as np
import soundfile
from numpy.typing import NDArray

from support import independent, measure, needs

Events = Sequence[tuple[float, bytes]]

LIMIT_S = 120.0
"""No rendering may take longer than this."""

_FLUIDSYNTH_PLAIN = "-n -i -q -R 0 -C 0 -g 0.2 -o synth.polyphony=1024 -O float -T wav"
_TIMIDITY_PLAIN = """
    -S 0 -p 256 -A 20 --preserve-silence --force-bank=0 --no-polyphony-reduction
    --no-mod-wheel --no-ch-pressure --no-vibrato -EFchorus=d -EFreverb=d -EFdelay=d -EFns=0 -EFvlpf=d
"""
_TICKS_A_QUARTER = 10_000  # at 120 quarters a minute, the tempo of a file that names none, a tick is 50 us
_TICKS_A_SECOND = 2 * _TICKS_A_QUARTER


@dataclass(frozen=True, eq=False)
class Rendering:
    """Sound that a synth made; `samples` has shape (frames, 2)."""

    samples: NDArray[np.float64]
    rate_hz: int

    @property
    def length_s(self) -> float:
        """Duration in seconds."""
        return len(self.samples) / self.rate_hz

    def window(self, start_s: float, length_s: float) -> NDArray[np.float64]:
        """Return a stretch of it, mono (raises `measure.NoTone` if it is not that long)."""
        return measure.window(self.samples, self.rate_hz, start_s, length_s)

    def tone_hz(
        self, near_hz: float, start_s: float, length_s: float, *, within_cents: float = 60.0
    ) -> float:
        """Frequency of one tone in a stretch."""
        stretch = self.window(start_s, length_s)
        return measure.tone_hz(stretch, self.rate_hz, near_hz, within_cents=within_cents)

    def tones_hz(
        self, near_hz: Sequence[float], start_s: float, length_s: float, *, within_cents: float = 60.0
    ) -> NDArray[np.float64]:
        """Frequencies of tones that sound together in a stretch, in the order asked for."""
        stretch = self.window(start_s, length_s)
        return measure.tones_hz(stretch, self.rate_hz, near_hz, within_cents=within_cents)

    def peak(self, start_s: float, length_s: float) -> float:
        """Largest absolute sample in a stretch."""
        return float(np.max(np.abs(self.window(start_s, length_s))))


def write_midi(path: Path, events: Events, *, end_s: float = 0.0) -> Path:
    """Write a Standard MIDI File of one track from timed messages; a tick is 50 microseconds.

    Events at the same time keep their order. The track lasts at least until `end_s`.
    """
    track = bytearray()
    last = 0
    for time_s, message in sorted(events, key=lambda event: event[0]):
        tick = round(time_s * _TICKS_A_SECOND)
        track += _number(tick - last)
        last = tick
        track += b"\xf0" + _number(len(message) - 1) + message[1:] if message[0] == 0xF0 else message
    track += _number(max(0, round(end_s * _TICKS_A_SECOND) - last)) + b"\xff\x2f\x00"
    head = struct.pack(">4sIHHH", b"MThd", 6, 0, 1, _TICKS_A_QUARTER)
    path.write_bytes(head + struct.pack(">4sI", b"MTrk", len(track)) + track)
    return path


def _number(value: int) -> bytes:
    """Variable-length quantity of the file format."""
    digits = [value & 0x7F]
    while value := value >> 7:
        digits.append(0x80 | value & 0x7F)
    return bytes(reversed(digits))


def render_fluidsynth(performance: Path | Events, soundfont: Path, *, rate_hz: int = 48_000) -> Rendering:
    """Render with FluidSynth, faster than real time."""
    program = needs.program("fluidsynth")
    with _workplace(performance) as (folder, midi):
        nothing = folder / "no-commands"
        nothing.touch()
        wav = folder / "out.wav"
        options = [*_FLUIDSYNTH_PLAIN.split(), "-r", str(rate_hz), "-f", str(nothing), "-F", str(wav)]
        _run([program, *options, str(soundfont), str(midi)], folder)
        return _read(wav)


def render_timidity(performance: Path | Events, soundfont: Path, *, rate_hz: int = 16_000) -> Rendering:
    """Render with TiMidity++ through a configuration of its own that knows this soundfont only.

    TiMidity++ steps through a sample in units of 1/4096 sample, so its pitch is the finer the fewer frames it makes: at
    16 kHz the step costs at most 0.003 cents at A4 and 0.025 at E1 with the soundfonts of `support.soundfont`.
    Ask for 48 kHz where partials above 7 kHz matter.
    """
    program = needs.program("timidity")
    with _workplace(performance) as (folder, midi):
        wav = folder / "out.wav"
        config = folder / "timidity.cfg"
        config.write_text(_timidity_config(soundfont))
        options = ["-c", str(config), *_TIMIDITY_PLAIN.split()]
        options += ["-idq", "-Ow2Ssl", "-s", str(rate_hz), "-o", str(wav)]
        _run([program, *options, str(midi)], folder)
        return _read(wav)


def _timidity_config(soundfont: Path) -> str:
    """Name every program and drum one by one: that overrides what the system's configuration says first."""
    lines = ["bank 0", *(f'{program} %font "{soundfont}" 0 {program}' for program in range(128))]
    for kit in range(128):
        lines += [f"drumset {kit}", *(f'{key} %font "{soundfont}" 128 0 {key}' for key in range(128))]
    return "\n".join(lines) + "\n"


def render_tinysoundfont(
    performance: Path | Events, soundfont: Path, *, rate_hz: int = 48_000, tail_s: float = 0.5
) -> Rendering:
    """Render with TinySoundFont, message by message, each at its own frame; SysEx is beyond this synth."""
    events = (
        _events(performance) if isinstance(performance, Path) else sorted(performance, key=lambda e: e[0])
    )
    synth = _tinysoundfont().Synth(gain=-20.0, samplerate=rate_hz)
    font = synth.sfload(str(soundfont), max_voices=1024)
    for channel in range(16):
        synth.program_select(channel, font, 128 if channel == 9 else 0, 0, channel == 9)
    parts: list[NDArray[np.float32]] = []
    frame = 0
    for time_s, message in [*events, ((events[-1][0] if events else 0.0) + tail_s, b"\xfe")]:
        due = round(time_s * rate_hz)
        while frame < due:
            block = min(due - frame, 1 << 16)
            parts.append(np.frombuffer(synth.generate(block), dtype=np.float32).copy())
            frame += block
        kind, channel = message[0] >> 4, message[0] & 0x0F
        if kind == 0x9:
            synth.noteon(channel, message[1], message[2])
        elif kind == 0x8:
            synth.noteoff(channel, message[1])
        elif kind == 0xB:
            synth.control_change(channel, message[1], message[2])
        elif kind == 0xC:
            synth.program_change(channel, message[1], channel == 9)
        elif kind == 0xE:
            synth.pitchbend(channel, message[1] | message[2] << 7)
    return Rendering(np.concatenate(parts).astype(np.float64).reshape(-1, 2), rate_hz)


def _tinysoundfont() -> ModuleType:
    """The module, from the environment or from where the corpus put it (its wheel asks for an audio driver too)."""
    try:
        import tinysoundfont
    except ImportError:
        from support.corpus import tinysoundfont_path

        path = tinysoundfont_path()
        sys.path.insert(0, str(path))
        try:
            import tinysoundfont
        finally:
            sys.path.remove(str(path))
    return tinysoundfont


def _events(midi: Path) -> list[tuple[float, bytes]]:
    """Timed channel and SysEx messages of a file, in playing order, as the tests' own reader finds them."""
    reading = independent.read(midi)
    order = independent.playing_order(reading)
    return [
        (time_s, data)
        for time_s, (_, _, kind, data) in zip(independent.seconds_of(reading), order, strict=True)
        if kind != "escape" and data[0] != 0xFF
    ]


@contextmanager
def _workplace(performance: Path | Events) -> Iterator[tuple[Path, Path]]:
    with tempfile.TemporaryDirectory(prefix="stillbeat-render-") as name:
        folder = Path(name)
        if isinstance(performance, Path):
            yield folder, performance
        else:
            yield folder, write_midi(folder / "performance.mid", performance)


def _run(command: list[str], folder: Path) -> None:
    """Run a renderer where it finds no configuration of the user's."""
    env = {**os.environ, "HOME": str(folder), "LC_ALL": "C"}
    done = subprocess.run(
        command,
        env=env,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        timeout=LIMIT_S,
        check=False,
        text=True,
        errors="replace",
    )
    assert done.returncode == 0, f"{command[0]} failed: {done.stderr or done.stdout}"


def _read(wav: Path) -> Rendering:
    samples, rate_hz = soundfile.read(wav, dtype="float64", always_2d=True)
    assert len(samples), f"{wav.name} is empty"
    return Rendering(samples, int(rate_hz))


class FluidSynthLibrary:
    """A FluidSynth in this process, without sound, for what only its inside tells: the tunings it has stored.

    Use it in a ``with`` statement. Messages act at once; no thread runs.
    """

    def __init__(self) -> None:
        self._library = _load_fluidsynth()
        self._settings = self._library.new_fluid_settings()
        self._synth = self._library.new_fluid_synth(self._settings)

    def __enter__(self) -> FluidSynthLibrary:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._library.delete_fluid_synth(self._synth)
        self._library.delete_fluid_settings(self._settings)

    def send(self, message: bytes) -> bytes:
        """Feed one whole message; return the synth's SysEx answer (``F0`` … ``F7``), empty if it gave none."""
        library, synth, channel = self._library, self._synth, message[0] & 0x0F
        kind = message[0] >> 4
        if message[0] == 0xF0:
            return self._sysex(message[1:-1] if message[-1] == 0xF7 else message[1:])
        if kind == 0x8:
            library.fluid_synth_noteoff(synth, channel, message[1])
        elif kind == 0x9:
            library.fluid_synth_noteon(synth, channel, message[1], message[2])
        elif kind == 0xB:
            library.fluid_synth_cc(synth, channel, message[1], message[2])
        elif kind == 0xC:
            library.fluid_synth_program_change(synth, channel, message[1])
        elif kind == 0xD:
            library.fluid_synth_channel_pressure(synth, channel, message[1])
        elif kind == 0xE:
            library.fluid_synth_pitch_bend(synth, channel, message[1] | message[2] << 7)
        return b""

    def _sysex(self, body: bytes) -> bytes:
        answer = ctypes.create_string_buffer(1024)
        length = ctypes.c_int(len(answer))
        handled = ctypes.c_int(0)
        result = self._library.fluid_synth_sysex(
            self._synth, body, len(body), answer, ctypes.byref(length), ctypes.byref(handled), 0
        )
        if result != 0 or length.value == 0:
            return b""
        return b"\xf0" + answer.raw[: length.value] + b"\xf7"

    def stored_table(self, bank: int = 0, program: int = 0) -> NDArray[np.float64] | None:
        """Return a stored tuning in cents above key 0 (shape ``(128,)``), None if there is none.

        The same figures as the shell command ``dumptuning``, unrounded.
        """
        pitches = (ctypes.c_double * 128)()
        name = ctypes.create_string_buffer(64)
        result = self._library.fluid_synth_tuning_dump(self._synth, bank, program, name, len(name), pitches)
        return np.array(pitches, dtype=np.float64) if result == 0 else None


def fluid_stored_table(
    performance: Path | Iterable[bytes], *, bank: int = 0, program: int = 0
) -> NDArray[np.float64]:
    """Return the tuning that FluidSynth has stored after a file or some messages.

    Returns
    -------
    ndarray, shape (128,)
        Cents above key 0 in equal temperament at A4 = 440 Hz (8.1758 Hz); key 69 untuned is 6900.

    Raises
    ------
    AssertionError
        FluidSynth has stored nothing at this bank and program.
    """
    messages = [data for _, data in _events(performance)] if isinstance(performance, Path) else performance
    with FluidSynthLibrary() as synth:
        for message in messages:
            synth.send(message)
        table = synth.stored_table(bank, program)
    assert table is not None, f"FluidSynth has stored no tuning in bank {bank}, program {program}"
    return table


def _load_fluidsynth() -> ctypes.CDLL:
    library: ctypes.CDLL | None = None
    for name in ("libfluidsynth.so.3", ctypes.util.find_library("fluidsynth")):
        if name and library is None:
            try:
                library = ctypes.CDLL(name)
            except OSError:
                continue
    if library is None:
        needs.missing("libfluidsynth", f"{needs.APT} fluidsynth")
    pointer, number = ctypes.c_void_p, ctypes.c_int
    signatures: dict[str, tuple[object, list[object]]] = {
        "new_fluid_settings": (pointer, []),
        "delete_fluid_settings": (None, [pointer]),
        "new_fluid_synth": (pointer, [pointer]),
        "delete_fluid_synth": (None, [pointer]),
        "fluid_synth_noteon": (number, [pointer, number, number, number]),
        "fluid_synth_noteoff": (number, [pointer, number, number]),
        "fluid_synth_cc": (number, [pointer, number, number, number]),
        "fluid_synth_program_change": (number, [pointer, number, number]),
        "fluid_synth_channel_pressure": (number, [pointer, number, number]),
        "fluid_synth_pitch_bend": (number, [pointer, number, number]),
        "fluid_synth_sysex": (
            number,
            [pointer, ctypes.c_char_p, number, ctypes.c_char_p, pointer, pointer, number],
        ),
        "fluid_synth_tuning_dump": (
            number,
            [pointer, number, number, ctypes.c_char_p, number, ctypes.POINTER(ctypes.c_double)],
        ),
        "fluid_set_log_function": (pointer, [number, pointer, pointer]),
    }
    for name, (result, arguments) in signatures.items():
        function = getattr(library, name)
        function.restype = result
        function.argtypes = arguments
    for level in range(2, 5):  # warnings and chatter; errors stay
        library.fluid_set_log_function(level, None, None)
    return library
