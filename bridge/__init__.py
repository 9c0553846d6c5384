"""Stillbeat: makes electronic instruments match a guitar tuned to a pure open chord.

A tour for Python users; every example below runs.

======================  ============================================================================
`table`                 the pitch of every note, from the words of the command
`frequencies`           the same as 128 numbers
`retune`                a mido file in, a mido file in tune with the guitar out
`retune_file`           the same from file to file, for files that mido refuses too
`open_output`           a mido port whose synth plays in tune
`export`                a table in every form that synths, spreadsheets and scripts read
`drone`                 a drone as a sound file
`listen`                the notes of a take: what they are, how far from the table
`guitars`, `profiles`   what can be named
`profile`               what one synth obeys
`OffGuitarWarning`      what is warned where a table lies off the guitar that it was asked for
`StillbeatError`        every error that is raised on purpose; its kinds are in `bridge.errors`
======================  ============================================================================

Words: keywords are the options of the commands, with ``_`` for ``-``, and mean the same; `stillbeat COMMAND --help`
explains each. A guitar is said by ``guitar="open-d"``, what its reference string really sounds by
``reference="D3=146.5"`` (hertz) or ``reference="D3-7c"`` (as a tuner shows it).

For programs written with mido there is a backend: `bridge.mido_backend`. What a command would print as a notice goes
to the log ``stillbeat`` of `logging`; that an open string lies off the table is a warning, `OffGuitarWarning`. Nothing
heavy is loaded before it is needed.

Conventions everywhere: MIDI keys are 0-127 with C4 = 60; channels are 1-16 where a person reads or writes them (mido
counts them from 0); units stand in names (`_hz`, `_cents`, `_semitones`, `_s`); ratios are `fractions.Fraction` until
the last step.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from bridge.errors import OffGuitarWarning, StillbeatError

if TYPE_CHECKING:
    from os import PathLike
    from typing import Unpack

    import mido
    import numpy as np
    from numpy.typing import NDArray

    from bridge.door.output import PureOutput
    from bridge.door.words import DroneWords, ExportWords, PlayWords, RetuneWords, TableWords
    from bridge.jobs.export import Exported
    from bridge.jobs.retuned import Retuned
    from bridge.sound.files.wav import SoundReport
    from bridge.sound.listening.heard import Heard
    from bridge.tuning.tables import Table
    from bridge.wire.profile import SynthProfile

__version__ = "0.1.0"

__all__ = [
    "OffGuitarWarning",
    "StillbeatError",
    "drone",
    "export",
    "frequencies",
    "guitars",
    "listen",
    "open_output",
    "profile",
    "profiles",
    "retune",
    "retune_file",
    "table",
]


def table(**words: Unpack[TableWords]) -> Table:
    """Return the table that the words describe: 128 pitches, the ratio and degree of each, and the strings.

    Examples
    --------
    The third of an open D chord is 5/4 above the string that is the reference:

    >>> import bridge
    >>> open_d = bridge.table(guitar="open-d", reference="D3=146.5")
    >>> open_d.note(54), float(open_d.hz[54])
    ('F#3', 183.125)
    >>> open_d.strings[0].note
    'D2'

    A capo, another seventh, and the pitch of a tuner's reading:

    >>> bridge.table(guitar="open-d", reference="D3-7c", fret=2, degree="b7=7/4").tonic
    'E'

    Raises
    ------
    StillbeatError
        The words make no table; the message says why and what to do.
    """
    from bridge.door.files import table as make

    return make(words)


def frequencies(**words: Unpack[TableWords]) -> NDArray[np.float64]:
    """Return the frequencies of a table in hertz, one for each MIDI key, as a numpy array of shape (128,).

    Examples
    --------
    >>> import bridge
    >>> hz = bridge.frequencies(guitar="open-d", reference="D3=146.5")
    >>> hz.shape
    (128,)
    >>> float(hz[57] / hz[50])
    1.5
    """
    return table(**words).hz.copy()


def retune(midi: mido.MidiFile, **words: Unpack[RetuneWords]) -> mido.MidiFile:
    """Return a mido file that a synth plays in tune with the guitar; `midi` itself stays as it is.

    The words are the options of `stillbeat retune`, and the notes are the same as the command's.

    Examples
    --------
    >>> import bridge, mido
    >>> song = mido.MidiFile()
    >>> song.tracks.append(mido.MidiTrack([
    ...     mido.Message("note_on", note=54, velocity=64, time=0),
    ...     mido.Message("note_off", note=54, velocity=64, time=480),
    ... ]))
    >>> pure = bridge.retune(song, guitar="open-d", reference="D3=146.5", method="note")
    >>> pure.save("pure.mid")
    >>> [message.type for message in pure.tracks[0] if message.type.startswith("note")]
    ['note_on', 'note_off']

    What tunes them is a tuning message (SysEx F0 7F, device, 08 02) before the first note:

    >>> next(message for message in pure.tracks[0] if message.type == "sysex").data[:4]
    (127, 127, 8, 2)

    Raises
    ------
    StillbeatError
        The words make no table, or the method cannot play it.
    """
    from bridge.door.files import retune as make

    return make(midi, words)


def retune_file(
    source: str | PathLike[str],
    output: str | PathLike[str],
    *,
    overwrite: bool = False,
    **words: Unpack[RetuneWords],
) -> Retuned:
    """Retune a MIDI file into a new one, and return what was done. The file itself is never changed.

    Examples
    --------
    >>> import bridge, mido
    >>> song = mido.MidiFile()
    >>> notes = [mido.Message("note_on", note=54), mido.Message("note_off", note=54, time=480)]
    >>> song.tracks.append(mido.MidiTrack(notes))
    >>> song.save("song.mid")
    >>> done = bridge.retune_file("song.mid", "pure.mid", guitar="open-d", synth="fluidsynth")
    >>> done.method, done.exact, done.notes
    ('note', 1, 1)

    Raises
    ------
    StillbeatError
        The file is missing or no MIDI file, the output exists, or the words do not go together.
    """
    from bridge.door.files import retune_file as make

    return make(source, output, words, overwrite)


def open_output(name: str | None = None, *, virtual: bool = False, **words: Unpack[PlayWords]) -> PureOutput:
    """Open a port of a synth as mido does; what is sent to it sounds in tune with the guitar.

    `name` is part of the port's name (None: the first port); with `virtual` it is a port of our own that a synth is
    connected to. The synth gets the table now, and its own tuning back when the port is closed. Without any words the
    environment variable ``STILLBEAT_PLAY`` holds the command's options. See `bridge.door.output.PureOutput`.

    Some methods overwrite a tuning program in the synth's memory: save what is there first. Start at a low level, above
    all over headphones.

    Examples
    --------
    >>> import bridge, mido
    >>> with bridge.open_output(virtual=True, guitar="open-d", reference="D3=146.5") as port:
    ...     port.send(mido.Message("note_on", note=54, velocity=64))
    ...     port.send(mido.Message("note_off", note=54))
    ...     port.change(tonic="A")                           # another table, while it plays
    >>> port.closed
    True

    Raises
    ------
    StillbeatError
        Nothing says how the guitar is tuned, the words make no table, or the port is missing (an `OSError` too).
    """
    from bridge.door.output import open_output as make

    return make(name, virtual, words)


def export(folder: str | PathLike[str], **words: Unpack[ExportWords]) -> Exported:
    """Write a table into a folder, in every form that synths, spreadsheets and scripts read.

    Sending one of the SysEx files overwrites a tuning program in the synth's memory: save what is there first.

    Examples
    --------
    >>> import bridge
    >>> done = bridge.export("tonight", guitar="open-d", reference="D3=146.5", name="open-d")
    >>> [path.name for path in done.files][:3]
    ['open-d.note.syx', 'open-d.octave.syx', 'open-d.dump.syx']

    Raises
    ------
    StillbeatError
        A file exists already (say ``overwrite=True``) or cannot be written, or the words make no table.
    """
    from bridge.door.files import export as make

    return make(folder, words)


def drone(output: str | PathLike[str], *notes: str, **words: Unpack[DroneWords]) -> SoundReport:
    """Write a drone as a sound file (WAV or FLAC): tonic and fifth, or the notes that are named.

    HEARING: a drone never lets the ear rest. Start with the volume down, above all over headphones; take breaks.

    Examples
    --------
    >>> import bridge
    >>> written = bridge.drone("drone.wav", "1", "5", guitar="open-d", reference="D3=146.5", hold=4)
    >>> written.seconds > 4
    True

    Raises
    ------
    StillbeatError
        A note makes no sense, the file exists or cannot be written, or the words make no table.
    """
    from bridge.door.files import drone as make

    return make(output, notes, words)


def listen(take: str | PathLike[str], **words: Unpack[TableWords]) -> Heard:
    """Measure the notes of a sound file (WAV, FLAC, MP3); with words, compare them with that table.

    Examples
    --------
    A plucked string, made here of its first six partials:

    >>> import bridge, numpy as np, soundfile
    >>> time_s = np.arange(2 * 48000) / 48000
    >>> partials = [np.exp(-n * time_s) * np.sin(2 * np.pi * n * 146.5 * time_s) / n for n in range(1, 7)]
    >>> soundfile.write("take.wav", 0.2 * sum(partials), 48000)
    >>> heard = bridge.listen("take.wav", guitar="open-d", reference="D3=146.5")
    >>> heard.notes[0].string, heard.notes[0].note, round(heard.notes[0].hz, 1)
    (4, 'D3', 146.5)

    Raises
    ------
    StillbeatError
        The file is no sound, no note could be measured (with the reason), or the words make no table.
    """
    from bridge.door.files import listen as make

    return make(take, words)


def guitars() -> list[str]:
    """Return the names of all guitars and their open tunings, shipped and own.

    Examples
    --------
    >>> import bridge
    >>> "open-d" in bridge.guitars()
    True
    """
    from bridge.store.finding import list_guitars

    return list_guitars()


def profiles() -> list[str]:
    """Return the names of all synth profiles, shipped and own.

    Examples
    --------
    >>> import bridge
    >>> "fluidsynth" in bridge.profiles()
    True
    """
    from bridge.store.profiles import list_profiles

    return list_profiles()


def profile(name: str | PathLike[str]) -> SynthProfile:
    """Return what one synth obeys, by its profile's name or file.

    Examples
    --------
    >>> import bridge
    >>> bridge.profile("fluidsynth").methods[0]
    'note'

    An error says what is wrong and what to do:

    >>> try:
    ...     bridge.profile("fluidsinth")
    ... except bridge.StillbeatError as error:
    ...     error.hint
    'did you mean fluidsynth?'
    """
    from os import fspath

    from bridge.store.profiles import load_profile

    return load_profile(fspath(name))
