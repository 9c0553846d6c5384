"""All the ways in, each with what makes inputs for it.

A *door* takes the bytes of one input and reads them as the project does: through a reader, through `retune` by one
method, or through a whole command with files in a folder. A command must leave with 0, 2 or 3 and one line on standard
error, leave its input alone, and write its output whole or not at all.

Index: `Door`, `doors`, `REFUSED`, `Misbehaved`.
"""

from __future__ import annotations

import contextlib
import io
import random
import shutil
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from support.hostile import midi, sounds, texts

Maker = Callable[[random.Random], bytes]

REFUSED = object()
"""What a door returns that was told no by a command."""

METHODS = ("auto", "note", "octave", "dump", "bend", "mpe")


class Misbehaved(AssertionError):
    """A command did what it must not do."""


@dataclass(frozen=True)
class Door:
    """One way in: what makes inputs for it, what reads them, and its share of a campaign."""

    name: str
    make: Maker
    read: Callable[[bytes], object]
    weight: float = 60.0
    large: Maker | None = None  # makes inputs of up to 1 MB; None: a passage of a small one, over and over
    large_one_in: int = 1000  # 0: never


def doors(folder: Path) -> list[Door]:
    """All readers; those that want a path get a file in `folder`."""
    return [*_readers(folder), *_retuning(), *_commands(folder)]


def _readers(folder: Path) -> list[Door]:
    from bridge.harmony.charts.chart import parse_chart
    from bridge.jobs.read import read_table
    from bridge.jobs.session.manifest import NAME, read_manifest
    from bridge.sound.files.audiofile import read_take
    from bridge.store.descriptions import load_guitar, load_scale, load_table
    from bridge.store.profiles import load_profile
    from bridge.store.session.reading import load_session
    from bridge.store.smf import parse_midi

    def kept(name: str, read: Callable[[str], object]) -> Callable[[bytes], object]:
        path = folder / name

        def put(data: bytes) -> object:
            path.write_bytes(data)
            return read(str(path))

        return put

    if folder.name:
        shutil.copy(texts.ROOT / "examples/evening/tracks/low-water.mid", folder / "song.mid")
    smf = midi.smf
    return [
        Door("midi", smf, parse_midi, 130, midi.large_smf),
        Door("sysex", midi.syx, kept("a.syx", lambda path: read_table(Path(path)))),
        Door("set-up file", smf, kept("a.mid", lambda path: read_table(Path(path))), 60, midi.large_smf),
        Door("stream", midi.stream, _stream),
        Door("json", texts.json, kept("a.json", lambda path: read_table(Path(path)))),
        Door("csv", texts.csv, kept("a.csv", lambda path: read_table(Path(path)))),
        Door("scale", texts.description("scale"), kept("s.toml", load_scale)),
        Door("guitar", texts.description("guitar"), kept("g.toml", load_guitar)),
        Door("table", texts.description("table"), kept("t.table.toml", load_table)),
        Door("synth", texts.description("synth"), kept("p.toml", load_profile)),
        Door("session", texts.description("session"), kept("e.toml", load_session)),
        Door("manifest", texts.manifest, kept(NAME, lambda _: read_manifest(folder))),
        Door("sound", sounds.sound, kept("a.wav", read_take)),
        Door("chart", texts.chart, lambda data: parse_chart(data.decode(errors="replace"))),
        Door("words", texts.words, _words),
        Door("practice list", texts.practice_list, kept("l.toml", _practised)),
        Door("practice record", texts.practice_record, kept(_RECORD, lambda _: _recorded(folder))),
        Door("play by a chart", texts.song_chart, kept("c.txt", _played), 10),
    ]


_RECORD = "2026-05-04T18-30-00-still.json"


def _practised(path: str) -> object:
    """Read a teacher's list, and work out what is practised, as `practise --list` does before any sound."""
    from bridge.ear.course import Course
    from bridge.ear.tuning_out import TuningOut
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.practise import PractiseRequest, assignments, exercise_of

    work, title, _ = assignments(TableRequest(), PractiseRequest(list_file=Path(path)))
    for one in work:
        if one.what == "tune":
            TuningOut(one.sounds[0], one.count, 1)
        elif one.what != "sing":
            Course(exercise_of(one.what), one.sounds, one.count, 1)
    return title, [(one.question, one.about) for one in work]


def _recorded(folder: Path) -> object:
    """Read a record as `practise --records` does: one that is broken is named, and stops nothing."""
    from bridge.store.practice.records import load_records, records_csv

    records, broken = load_records(folder)
    if len(records) + len(broken) != 1:
        raise Misbehaved(f"{records} and {broken} of one file")
    records_csv(records)
    return REFUSED if broken else records


def _played(path: str) -> object:
    """Prepare to play by a chart, as `play --chart FILE` does before it opens a port."""
    from bridge.harmony.asked import FollowRequest
    from bridge.jobs.choose import TableRequest
    from bridge.jobs.harmony.charts import chart_from
    from bridge.live.prepare.follow import LiveFollow
    from bridge.live.prepare.keyboard import LiveRequest, prepare
    from bridge.live.prepare.song import SongRequest

    size = Path(path).stat().st_size
    song = SongRequest(Path(path).with_name("song.mid"), 0) if size % 4 == 3 else None
    follow = LiveFollow(FollowRequest()) if size % 2 else None
    asked = LiveRequest(
        table=TableRequest(guitar="open-d"),
        in_port="keys",
        out_port="synth",
        drone="1,5" if size % 3 else None,
        chart=chart_from(path),
        song=song,
        follow_harmony=follow,
    )
    return prepare(asked)


def _stream(data: bytes) -> object:
    """Cut a stream into messages as a port does, and let the tone generator's receiver obey them."""
    from bridge.sound.generator.receiver import Receiver
    from bridge.wire.stream import StreamSplitter

    splitter, receiver = StreamSplitter(), Receiver()
    for at in range(0, len(data), 7):
        for message in splitter.feed(data[at : at + 7]):
            receiver.feed(message)
    return receiver


def _words(data: bytes) -> object:
    """Read words about a table as every door does."""
    from bridge.errors import StillbeatError
    from bridge.jobs.channel_list import parse_channels
    from bridge.store.descriptions import FILES
    from bridge.tuning.asked import TableWords, make_spec, read_words
    from bridge.tuning.changes import parse_at
    from bridge.tuning.chords.names import parse_chord
    from bridge.tuning.drone_notes import drone_keys
    from bridge.tuning.tables import build_table

    singly = {
        "at": parse_at,
        "notes": lambda text: drone_keys(text, "D"),
        "channels": parse_channels,
        "chord": lambda text: parse_chord(text, "D"),
    }
    said: dict[str, str] = {}
    problem: StillbeatError | None = None
    for line in data.decode(errors="replace").split("\n"):
        kind, tab, text = line.partition("\t")
        if kind in singly and tab:
            try:
                singly[kind](text)
            except StillbeatError as error:
                problem = error
        elif kind in TableWords.__dataclass_fields__ and tab:
            said[kind] = text
    lists = {kind: tuple(said.pop(kind).split(" ")) for kind in ("degrees", "pins") if kind in said}
    fields = {
        kind: text for kind, text in said.items() if kind not in ("fret", "capo", "open_strings_win", "table")
    }
    if problem is not None:
        raise problem
    return build_table(make_spec(read_words(TableWords(**fields, **lists), FILES), FILES))


def _retuning() -> list[Door]:
    from bridge.errors import StillbeatError
    from bridge.harmony.asked import FollowRequest
    from bridge.jobs.retune import retune_midi
    from bridge.jobs.retuned import RetuneRequest
    from bridge.store.descriptions import guitar_table, load_guitar
    from bridge.store.smf import midi_bytes, parse_midi
    from bridge.tuning.changes import parse_at

    spec = guitar_table(load_guitar("open-d"))
    at = (parse_at("2=G"), parse_at("3=fret:2"))

    def retune(method: str, follow: FollowRequest | None = None) -> Callable[[bytes], object]:
        plain = RetuneRequest(spec, method, follow_harmony=follow)
        changing = RetuneRequest(spec, method, at=at)

        def through(data: bytes) -> object:
            parsed = parse_midi(data)
            if len(data) % 2:
                with contextlib.suppress(StillbeatError):  # there may be no such bar: then without
                    return midi_bytes(retune_midi(parsed, changing)[0])
            return midi_bytes(retune_midi(parsed, plain)[0])

        return through

    return [
        *(Door(f"retune {method}", midi.smf, retune(method), 10, midi.large_smf) for method in METHODS),
        Door("follow harmony", midi.short_smf, retune("auto", FollowRequest()), 3, midi.large_smf),
    ]


_SUNG = ("--csv", "notes.csv", "--picture", "pitch.svg")


def _commands(folder: Path) -> list[Door]:
    tuned = ("--guitar", "open-d")
    report = ("--report-json", "report.json")
    pitched = texts.description("table")
    return [
        _command(
            folder,
            "retune",
            midi.smf,
            "a.mid",
            ("-o", "out.mid", *report, *tuned),
            3,
            ("out.mid", "report.json"),
        ),
        _command(folder, "read", midi.syx, "a.syx", ("-o", "o.table.toml"), 5, ("o.table.toml",)),
        _command(folder, "chart", midi.short_smf, "a.mid", tuned, 3),
        _command(folder, "chart", texts.chart, "a.txt", tuned, 3, of="text"),
        _command(
            folder, "render", midi.short_smf, "a.mid", ("-o", "out.wav"), 2, ("out.wav",), never_large=True
        ),
        _command(folder, "session check", texts.description("session"), "e.toml", (), 5),
        _command(folder, "table", pitched, "a.table.toml", (), 5),
        _command(folder, "strings --guitar", texts.description("guitar"), "g.toml", (), 3),
        _command(folder, "listen", sounds.sound, "a.wav", tuned, 1),
        _command(folder, "sing", sounds.song, "a.wav", (*_SUNG, *tuned), 1, _SUNG[1::2]),
        _command(
            folder,
            "sing",
            sounds.song,
            "a.wav",
            (*_SUNG, *tuned, "--drone", "1,5"),
            1,
            _SUNG[1::2],
            of="over a drone",
        ),
    ]


def _command(
    folder: Path,
    name: str,
    make: Maker,
    given: str,
    options: tuple[str, ...],
    weight: float,
    outputs: tuple[str, ...] = (),
    *,
    of: str = "",
    never_large: bool = False,
) -> Door:
    """A door that runs ``stillbeat NAME FILE OPTIONS`` in this process, in a folder of its own."""

    def run(data: bytes) -> object:
        from bridge.cli import main

        place = folder / "command"
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        shutil.copy(folder / "song.mid", place / "song.mid")
        (place / given).write_bytes(data)
        out, err = io.StringIO(), io.StringIO()
        with contextlib.chdir(place), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            kept = {number: signal.getsignal(number) for number in (signal.SIGTERM, signal.SIGHUP)}
            try:
                main([*name.split(), given, *options])
            except SystemExit as left:
                code = left.code or 0
            finally:
                for number, handler in kept.items():
                    signal.signal(number, handler)
        _judge(place, code, err.getvalue(), out.getvalue())
        if (place / given).read_bytes() != data:
            raise Misbehaved("the input was changed")
        found = {path.name for path in place.iterdir()} - {given, "song.mid"}
        wanted = set(outputs) if code == 0 else set()
        if found != wanted:
            raise Misbehaved(f"exit {code}, and there lies {sorted(found)} instead of {sorted(wanted)}")
        return REFUSED if code else None

    large = midi.large_smf if make in (midi.smf, midi.short_smf) else None
    return Door(f"{name} {of}".strip() + " command", make, run, weight, large, 0 if never_large else 1000)


def _judge(place: Path, code: object, said: str, shown: str) -> None:
    if code not in (0, 2, 3):
        raise Misbehaved(f"exit {code}: {said[-600:]}")
    if code and len(said.strip().split("\n")) != 1:
        raise Misbehaved(f"exit {code} with more than a line: {said[-600:]}")
    for word in ("Traceback", "unexpected ", "out of memory", "\x1b", "\0"):
        if word in said:
            raise Misbehaved(f"{word!r} in {said[-600:]}")
    if set(shown) & set("\x1b\x07\x9b\0"):
        raise Misbehaved("a terminal would obey what was shown")
