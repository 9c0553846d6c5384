"""Records of practising: a small JSON file for each run, in the user's data folder, and all of them as CSV.

Conventions
-----------
Files lie in ``practice`` of the folder that `platformdirs` gives for data and are called by time and exercise. Each is
written whole or not at all. One that cannot be read, whatever is in it, is passed over and named, and stops nothing.
Thresholds are compared only with their like: the same exercise, interval, register, timbre, length and way of sounding.

Index: `Record`, `Given`, `SungNote`, `records_dir`, `save_record`, `load_records`, `same_kind`, `records_csv`
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import platformdirs

from bridge.errors import InputProblem, OutputProblem
from bridge.store.files import read_bytes, write_bytes_atomic
from bridge.store.json_text import parse_json

SCHEMA = 1
MOST_BYTES = 1_000_000
MOST_FILES = 5000
"""Of more records than this the latest count."""

_LARGEST = 1e18
_NAME = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}-\d{2}-\d{2}-[a-z]+(-\d+)?\.json")
_WHEN = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}")
_HEADINGS = (
    "when",
    "exercise",
    "sound",
    "notes",
    "size",
    "timbre",
    "seconds",
    "through",
    "row",
    "number",
    "cents",
    "low_cents",
    "high_cents",
    "beats_hz",
    "asked",
    "given",
    "right",
    "steadiness_cents",
)


@dataclass(frozen=True)
class Given:
    """An answer to a trial."""

    cents: float
    asked: str  # what would have been right
    given: str


@dataclass(frozen=True)
class Kept:
    """A threshold, as it was told."""

    cents: float
    low_cents: float
    high_cents: float
    beats_hz: float


@dataclass(frozen=True)
class Tuned:
    """A round of tuning out the beats."""

    began_cents: float
    error_cents: float


@dataclass(frozen=True)
class SungNote:
    """A note that was sung."""

    name: str
    note: str
    cents: float
    steadiness_cents: float


@dataclass(frozen=True)
class Record:
    """One run of an exercise."""

    when: str  # local time, ``2026-05-04T18:30:00``
    exercise: str
    sound: str  # ``fifth``
    notes: str  # ``D3-A3``
    size: str  # ``3/2``
    timbre: str
    seconds: float  # how long each sound lasted
    through: str  # ``sound card`` or ``synth``
    seed: int
    answers: tuple[Given, ...] = ()
    threshold: Kept | None = None
    rounds: tuple[Tuned, ...] = ()
    sung: tuple[SungNote, ...] = ()

    @property
    def kind(self) -> tuple[str, str, str, str, float, str]:
        """What has to be the same where two thresholds are compared."""
        return (self.exercise, self.size, self.notes, self.timbre, self.seconds, self.through)


def records_dir() -> Path:
    """Return the folder of the records, which need not exist."""
    return Path(platformdirs.user_data_dir("stillbeat", appauthor=False)) / "practice"


def save_record(record: Record, folder: Path | None = None) -> Path:
    """Write a record, and return its file.

    Raises
    ------
    OutputProblem
        It cannot be written.
    """
    place = folder or records_dir()
    try:
        place.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputProblem(f"cannot make the folder {place}: {error.strerror}") from None
    stem = f"{record.when.replace(':', '-')}-{record.exercise}"
    path, number = place / f"{stem}.json", 1
    while path.exists():
        number += 1
        path = place / f"{stem}-{number}.json"
    text = json.dumps({"schema": SCHEMA, **asdict(record)}, indent=1, allow_nan=False)
    write_bytes_atomic(path, f"{text}\n".encode())
    return path


def load_records(folder: Path | None = None) -> tuple[list[Record], list[str]]:
    """Return all records, the oldest first, and the names of files that could not be read."""
    place = folder or records_dir()
    try:
        names = sorted(path.name for path in place.iterdir() if _NAME.fullmatch(path.name))
    except OSError:
        return [], []
    records, broken = [], []
    for name in names[-MOST_FILES:]:
        try:
            records.append(_read(place / name))
        except InputProblem:
            broken.append(name)
    return records, broken


def same_kind(record: Record, others: Iterable[Record]) -> list[Record]:
    """Return the earlier records that a record's threshold may be compared with, the oldest first."""
    return [
        one
        for one in others
        if one.kind == record.kind and one.threshold is not None and one.when < record.when
    ]


def records_csv(records: Sequence[Record]) -> bytes:
    """Return records as CSV: a row for each answer, round or note, and one for each threshold."""
    out = io.StringIO(newline="")
    writer = csv.DictWriter(out, _HEADINGS, lineterminator="\n")
    writer.writeheader()
    for one in records:
        head: dict[str, Any] = {
            "when": one.when,
            "exercise": one.exercise,
            "sound": one.sound,
            "notes": one.notes,
            "size": one.size,
            "timbre": one.timbre,
            "seconds": f"{one.seconds:g}",
            "through": one.through,
        }
        for number, answer in enumerate(one.answers, 1):
            writer.writerow(
                {
                    **head,
                    "row": "trial",
                    "number": number,
                    "cents": f"{answer.cents:.3f}",
                    "asked": answer.asked,
                    "given": answer.given,
                    "right": int(answer.asked == answer.given),
                }
            )
        for number, tuned in enumerate(one.rounds, 1):
            began = {**head, "row": "round", "number": number, "asked": f"{tuned.began_cents:.3f}"}
            writer.writerow({**began, "cents": f"{tuned.error_cents:.3f}"})
        for number, note in enumerate(one.sung, 1):
            spread = {"steadiness_cents": f"{note.steadiness_cents:.1f}"}
            asked = f"{note.name} {note.note}"
            writer.writerow(
                {
                    **head,
                    "row": "sung",
                    "number": number,
                    "cents": f"{note.cents:.2f}",
                    "asked": asked,
                    **spread,
                }
            )
        if one.threshold is not None:
            found = one.threshold
            writer.writerow(
                {
                    **head,
                    "row": "threshold",
                    "number": len(one.answers),
                    "cents": f"{found.cents:.3f}",
                    "low_cents": f"{found.low_cents:.3f}",
                    "high_cents": f"{found.high_cents:.3f}",
                    "beats_hz": f"{found.beats_hz:.3f}",
                }
            )
    return out.getvalue().encode()


# -- reading what anybody may have written


def _read(path: Path) -> Record:
    where = str(path)
    data = parse_json(read_bytes(path, MOST_BYTES), where)
    if not isinstance(data, dict) or data.get("schema") != SCHEMA:
        raise InputProblem(f"{where} is no record of practising")
    given = _Values(data, where)
    threshold = data.get("threshold")
    when = given.text("when")
    if not _WHEN.fullmatch(when):
        raise InputProblem(f"{where}: when = {when!r}")
    return Record(
        when=when,
        exercise=given.text("exercise"),
        sound=given.text("sound"),
        notes=given.text("notes"),
        size=given.text("size"),
        timbre=given.text("timbre"),
        seconds=given.number("seconds"),
        through=given.text("through"),
        seed=int(given.number("seed")),
        answers=tuple(
            Given(one.number("cents"), one.text("asked"), one.text("given")) for one in given.list("answers")
        ),
        threshold=None if threshold is None else _kept(_Values(threshold, where)),
        rounds=tuple(
            Tuned(one.number("began_cents"), one.number("error_cents")) for one in given.list("rounds")
        ),
        sung=tuple(
            SungNote(one.text("name"), one.text("note"), one.number("cents"), one.number("steadiness_cents"))
            for one in given.list("sung")
        ),
    )


def _kept(one: _Values) -> Kept:
    return Kept(*(one.number(name) for name in ("cents", "low_cents", "high_cents", "beats_hz")))


class _Values:
    """Entries of a JSON object, of the kind that they should be."""

    def __init__(self, data: Any, where: str) -> None:
        if not isinstance(data, dict):
            raise InputProblem(f"{where} is no record of practising")
        self._data, self._where = data, where

    def text(self, name: str) -> str:
        value = self._data.get(name)
        if not isinstance(value, str) or len(value) > 200:
            raise InputProblem(f"{self._where}: {name} is no short text")
        return value

    def number(self, name: str) -> float:
        value = self._data.get(name)
        if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= _LARGEST:
            return float(value)
        raise InputProblem(f"{self._where}: {name} is no number")

    def list(self, name: str) -> list[_Values]:
        value = self._data.get(name, [])
        if not isinstance(value, list) or len(value) > 10_000:
            raise InputProblem(f"{self._where}: {name} is no list")
        return [_Values(one, self._where) for one in value]
