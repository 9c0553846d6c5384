"""Tables, MIDI files, exports, drones and takes for Python: each asks what its command asks, and prints nothing.

What a command would print as a notice goes to the log ``stillbeat`` (`bridge.door.words.say`).
"""

from __future__ import annotations

from collections.abc import Sequence
from io import BytesIO
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING

from bridge.door.words import (
    DroneWords,
    ExportWords,
    RetuneWords,
    TableWords,
    chosen_table,
    say,
    understood,
    words_of,
)

if TYPE_CHECKING:
    import mido

    from bridge.jobs.export import Exported
    from bridge.jobs.retuned import Retuned, RetuneRequest
    from bridge.sound.files.wav import SoundReport
    from bridge.sound.listening.heard import Heard
    from bridge.tuning.tables import Table


def table(words: TableWords) -> Table:
    """Return the table that the words describe."""
    from bridge.cli.table import table_command

    return chosen_table(understood(table_command, words, words_of(TableWords)))[1]


def retune(midi: mido.MidiFile, words: RetuneWords) -> mido.MidiFile:
    """Retune a mido file in memory: written as mido writes it, retuned as `stillbeat retune` does, read by mido.

    Raises
    ------
    TypeError
        It is no `mido.MidiFile`.
    StillbeatError
        See `bridge.jobs.retune.retune_file`.
    """
    import mido

    from bridge.jobs.retune import retune_midi
    from bridge.store.smf import midi_bytes, parse_midi

    if not isinstance(midi, mido.MidiFile):
        raise TypeError(f"a mido.MidiFile is wanted, not {type(midi).__name__}; retune_file takes file names")
    wanted = _retune_request(words)
    written = BytesIO()
    midi.save(file=written)
    name = str(midi.filename) if midi.filename else "the MIDI file"
    retuned, done = retune_midi(parse_midi(written.getvalue(), name), wanted)
    _tell(done)
    return mido.MidiFile(file=BytesIO(midi_bytes(retuned)), charset=midi.charset)


def retune_file(
    source: str | PathLike[str], output: str | PathLike[str], words: RetuneWords, overwrite: bool
) -> Retuned:
    """Retune a file into a new one (see `bridge.jobs.retune.retune_file`)."""
    from bridge.jobs.retune import retune_file as retune_now

    done = retune_now(Path(source), Path(output), _retune_request(words), overwrite)
    _tell(done)
    return done


def _retune_request(words: RetuneWords) -> RetuneRequest:
    from bridge.cli.parts.options import take_table
    from bridge.cli.retune import retune_command, retune_request

    values = understood(retune_command, words, words_of(RetuneWords))
    wanted = retune_request(take_table(values), values)
    if wanted.spec.doubt:
        say(wanted.spec.doubt, aloud=True)
    return wanted


def _tell(done: Retuned) -> None:
    say(f"method {done.method}" + (f": {done.why}" if done.why else ""))
    for notice in done.notices:
        say(notice, aloud=True)


def export(folder: str | PathLike[str], words: ExportWords) -> Exported:
    """Write a table in every form into a folder (see `bridge.jobs.export.export_table`)."""
    from bridge.cli.export import export_command
    from bridge.jobs.export import addressed, export_table
    from bridge.store.profiles import load_profile
    from bridge.wire.profile import STANDARD

    values = understood(export_command, words, words_of(ExportWords))
    spec, _ = chosen_table(values)
    profile = load_profile(values["synth"]) if values["synth"] else STANDARD
    profile = addressed(profile, values["program"], values["bank"], values["device_id"])
    return export_table(spec, Path(folder), profile, values["name"], values["overwrite"], values["sheet"])


def drone(output: str | PathLike[str], notes: Sequence[str], words: DroneWords) -> SoundReport:
    """Write a drone as a sound file (see `bridge.jobs.drone`)."""
    from bridge.cli.drone import drone_command, drone_request
    from bridge.engine.play.drones.sounds import about_sound
    from bridge.jobs.drone import plan_drone, render_drone

    values = understood(drone_command, words, words_of(DroneWords), notes)
    spec, held = chosen_table(values)
    asked = drone_request(values)
    plan = plan_drone(asked, spec, endless=False)
    if about_sound(asked.sound):
        say(about_sound(asked.sound), aloud=True)
    return render_drone(plan, _hz(held), Path(output), overwrite=values["overwrite"])


def listen(take: str | PathLike[str], words: TableWords) -> Heard:
    """Measure the notes of a sound file; words of a table, if there are any, say what to compare with."""
    from bridge.cli.table import table_command
    from bridge.jobs.hearing import hear_take
    from bridge.sound.files.audiofile import read_take

    values = understood(table_command, words, words_of(TableWords))
    compared = chosen_table(values)[1] if words else None
    samples, rate_hz = read_take(fspath(take))
    return hear_take(samples, rate_hz, compared)


def _hz(held: Table) -> list[float]:
    hz: list[float] = held.hz.tolist()
    return hz
