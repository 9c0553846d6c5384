"""Getting a table back: from SysEx files, set-up files, and Stillbeat's own TOML, JSON and CSV.

A synth starts in equal temperament at A4 = 440 Hz; every tuning message in the file is applied to that, in order,
as a synth that obeys all of them would. A file that fills several tuning programs holds several tables: then one
must be named.
"""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from bridge.errors import InputProblem, ValueProblem, WireError
from bridge.store.descriptions import load_table
from bridge.store.files import read_bytes
from bridge.store.json_text import parse_json
from bridge.store.playing import sequences
from bridge.store.smf import parse_midi
from bridge.store.syx import parse_syx
from bridge.tuning.notes import key_to_hz
from bridge.tuning.spec import TableSpec, literal_spec
from bridge.wire.frequency import NO_CHANGE, frequency_data_to_hz
from bridge.wire.mts import BulkDump, MasterFineTuning, NoteTuning, OctaveDump, OctaveTuning, decode
from bridge.wire.rpn import FINE_TUNING, RpnReader, fine_tuning_cents

Place = tuple[int, int]
"""Tuning bank and program."""


@dataclass(frozen=True)
class ReadTable:
    """A table that was read back."""

    spec: TableSpec  # the table; a literal one (128 frequencies) unless it came from a description
    what: str  # what the file held, in a few words
    notices: tuple[str, ...] = ()  # what was skipped or forgiven


def read_table(path: Path, program: int | None = None) -> ReadTable:
    """Get a table back from a ``.syx``, ``.mid``, ``.table.toml``, or a ``.json`` or ``.csv`` that an export wrote.

    `program` is a tuning program, 0 to 127, where the file fills several. InputProblem if the file is
    missing, unreadable, or holds no table; ValueProblem if it fills several tuning programs and `program`
    names none of them.
    """
    suffix = path.suffix.lower()
    if suffix == ".toml":
        return ReadTable(load_table(str(path)), "a table description")
    data = read_bytes(path)
    if suffix == ".json":
        return ReadTable(_from_json(path, data), "a table in JSON")
    if suffix == ".csv":
        return ReadTable(_from_csv(path, data), "a table in CSV")
    if data[:4] in (b"MThd", b"RIFF"):
        midi = parse_midi(data, str(path))
        messages: Iterable[bytes] = [data for playing in sequences(midi) for _, data in playing]
        what = "a MIDI file"
    else:
        messages = parse_syx(data, str(path))
        what = "SysEx messages"
    return _from_messages(path, messages, what, program)


class _Receiver:
    """A synth that obeys every tuning message, reduced to the frequencies that it would sound."""

    def __init__(self) -> None:
        self.programs: dict[Place, list[float]] = {}
        self.offsets_cents: tuple[float, ...] | None = None
        self.shift_cents = 0.0
        self.kinds: list[str] = []
        self.damaged = 0  # dumps whose checksum is wrong
        self._fine: dict[int, float] = {}
        self._reader = RpnReader()

    def take(self, data: bytes) -> bool:
        """Obey one message; return whether it was a tuning message that could not be read."""
        if data[:1] == b"\xf0":
            if len(data) < 5 or data[1] not in (0x7E, 0x7F) or data[3] not in (0x08, 0x04):
                return False
            if data[3] == 0x04 and data[4] != 0x03:
                return False
            try:
                message = decode(data)
            except WireError:
                return True
            self.damaged += isinstance(message, BulkDump | OctaveDump) and not message.checksum_ok
            self._obey(message)
        else:
            change = self._reader.feed_message(data)
            if change is not None and change.registered and change.number == FINE_TUNING:
                self._fine[change.channel] = fine_tuning_cents(change.value)
        return False

    def _obey(self, message: object) -> None:
        match message:
            case NoteTuning():
                table = self._table(message.bank or 0, message.program)
                for key, value in message.keys:
                    if value != NO_CHANGE:
                        table[key] = frequency_data_to_hz(value)
                self._note("single note changes")
            case BulkDump():
                table = self._table(message.bank or 0, message.program)
                for key, value in enumerate(message.data):
                    if value != NO_CHANGE:
                        table[key] = frequency_data_to_hz(value)
                self._note("a dump")
            case OctaveDump():
                self.programs[message.bank, message.program] = [
                    key_to_hz(key + message.offsets_cents[key % 12] / 100.0) for key in range(128)
                ]
                self._note("an octave dump")
            case OctaveTuning():
                self.offsets_cents = message.offsets_cents
                self._note("an octave message")
            case MasterFineTuning():
                self.shift_cents = message.cents
                self._note("a master fine tuning")

    def _note(self, kind: str) -> None:
        if kind not in self.kinds:
            self.kinds.append(kind)

    def _table(self, bank: int, program: int) -> list[float]:
        return self.programs.setdefault((bank, program), [key_to_hz(key) for key in range(128)])

    def sounding(self, program: int | None, where: Path) -> list[float]:
        """Return the 128 frequencies in hertz that sound in the end."""
        shift = self.shift_cents
        common = set(self._fine.values())
        if len(common) == 1:
            shift += common.pop()
        if not self.programs:
            if self.offsets_cents is None:
                raise InputProblem(f"{where}: no tuning message in it", "is it the right file?")
            offsets = self.offsets_cents
            return [key_to_hz(key + (offsets[key % 12] + shift) / 100.0) for key in range(128)]
        places = sorted(self.programs)
        chosen = [place for place in places if program is None or place[1] == program]
        if len(chosen) != 1:
            listed = ", ".join(f"{number} (bank {bank})" if bank else f"{number}" for bank, number in places)
            raise ValueProblem(
                f"{where} fills the tuning programs {listed}"
                if program is None
                else f"{where} does not fill tuning program {program} exactly once; it fills {listed}",
                "say which with --program",
            )
        return [hz * 2.0 ** (shift / 1200.0) for hz in self.programs[chosen[0]]]


def _from_messages(path: Path, messages: Iterable[bytes], what: str, program: int | None) -> ReadTable:
    receiver = _Receiver()
    broken = sum(receiver.take(data) for data in messages)
    hz = receiver.sounding(program, path)
    notices = [f"{broken} tuning message{'s' * (broken > 1)} could not be read"] if broken else []
    if receiver.damaged:
        notices.append(
            "a dump's own sum does not fit: the file may be damaged, so compare it by ear or with another copy"
        )
    return ReadTable(literal_spec(_stem(path), hz), f"{what}: {', '.join(receiver.kinds)}", tuple(notices))


def _stem(path: Path) -> str:
    name = path.name
    for ending in (".note.syx", ".octave.syx", ".dump.syx", ".setup.mid"):
        if name.lower().endswith(ending):
            return name[: -len(ending)]
    return path.stem


def _from_json(path: Path, data: bytes) -> TableSpec:
    wanted = "a table as `stillbeat table --json` writes it is wanted"
    content = parse_json(data, str(path), wanted)
    try:
        rows = [(_whole(entry["key"]), float(entry["hz"])) for entry in content["keys"]]
    except (ValueError, KeyError, TypeError, OverflowError) as error:
        raise InputProblem(f"{path}: not a table ({_reason(error)})", wanted) from None
    return _checked(path, rows)


def _from_csv(path: Path, data: bytes) -> TableSpec:
    try:
        lines = csv.DictReader(io.StringIO(data.decode("utf-8-sig")))
        rows = [(_whole(line["key"]), float(line["hz"])) for line in lines]
    except (ValueError, KeyError, TypeError, csv.Error) as error:
        raise InputProblem(
            f"{path}: not a table as `stillbeat export` writes it ({_reason(error)})"
        ) from None
    return _checked(path, rows)


def _whole(value: object) -> int:
    """A key: a whole number, or the text of one."""
    if isinstance(value, bool | float):
        raise ValueError(f"key {value!r} is no whole number")
    return int(str(value)[:20])


def _reason(error: Exception) -> str:
    missing = isinstance(error, KeyError)
    return f"{error} is missing" if missing else " ".join(str(error).split())[:80]


def _checked(path: Path, rows: Sequence[tuple[int, float]]) -> TableSpec:
    """Make a table of 128 rows (key, Hz), one for each key."""
    counted = Counter(key for key, _ in rows)
    stray = sorted(key for key in counted if not 0 <= key < 128)
    if stray:
        raise InputProblem(f"{path}: names the key {stray[0]}", "keys go from 0 to 127")
    twice = sorted(key for key, count in counted.items() if count > 1)
    missing = sorted(set(range(128)) - set(counted))
    if twice or missing:
        told = [f"key {twice[0]} stands there {counted[twice[0]]} times"] if twice else []
        if missing:
            told.append(
                f"key {missing[0]} is missing" + f" (and {len(missing) - 1} more)" * (len(missing) > 1)
            )
        raise InputProblem(f"{path}: {', '.join(told)}", "a table has each key from 0 to 127 once")
    bad = [(key, hz) for key, hz in rows if not 0.0 < hz < 100_000.0]
    if bad:
        raise InputProblem(
            f"{path}: key {bad[0][0]} has {bad[0][1]:g} Hz", "each is above 0 and below 100,000 Hz"
        )
    return literal_spec(path.stem, [hz for _, hz in sorted(rows)])
