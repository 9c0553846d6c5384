"""What can be read about a table at a browser: its notes, chords, strings, frets, pictures and its sheet.

Words come from a browser and name only what is shipped or the user's own by name, never a file. One question is worked
out at a time; the last answers are kept.

Index: `Study`.
"""

from __future__ import annotations

import base64
import hashlib
import re
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import msgspec

from bridge.errors import ValueProblem, near_names
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table

_KEPT = 64
_WORDS = ("guitar", "scale", "tonic", "home", "reference", "fret", "chord")
_FIRST = "open-d"
_MOST_CHORDS = 200


@dataclass(frozen=True)
class Made:
    """An answer."""

    body: bytes
    media_type: str
    policy: str = ""
    """Its own content policy, where it differs."""


class Study:
    """Answers questions about tables.

    Parameters
    ----------
    spec : TableSpec or None
        The table that is meant where no words say another.
    """

    def __init__(self, spec: TableSpec | None) -> None:
        self._spec = spec
        self._lock = threading.Lock()
        self._made: OrderedDict[tuple[str, tuple[tuple[str, str], ...]], Made] = OrderedDict()
        self._answers: dict[str, Callable[[Mapping[str, str]], Made]] = {
            "choices": self._choices,
            "table": self._table,
            "chords": self._chords,
            "strings": self._strings,
            "frets.svg": self._frets,
            "keyboard.svg": self._keyboard,
            "sheet": self._sheet,
        }

    @property
    def kinds(self) -> tuple[str, ...]:
        """What can be asked for."""
        return tuple(self._answers)

    def answer(self, kind: str, words: Mapping[str, str]) -> Made:
        """Work an answer out, or return the one of before.

        Raises
        ------
        StillbeatError
            Words are unknown or out of range.
        """
        asked = kind, tuple(sorted((name, words[name].strip()) for name in words if words[name].strip()))
        with self._lock:
            if asked not in self._made:
                self._made[asked] = self._answers[kind](dict(asked[1]))
                while len(self._made) > _KEPT:
                    self._made.popitem(last=False)
            self._made.move_to_end(asked)
            return self._made[asked]

    def spec(self, words: Mapping[str, str]) -> TableSpec:
        """Return the table that words describe.

        Raises
        ------
        StillbeatError
            Words are unknown or out of range.
        """
        from bridge.jobs.choose import TableRequest, choose_table
        from bridge.store.finding import list_guitars, list_scales

        for name in words:
            if name not in _WORDS:
                raise ValueProblem(f"{name!r} says nothing about a table", near_names(name, _WORDS))
        said = {name: value for name, value in words.items() if name != "chord"}
        if not said and self._spec is not None:
            return self._spec
        for kind, known in (("guitar", list_guitars()), ("scale", list_scales())):
            if kind in said and said[kind] not in known:
                raise ValueProblem(f"no {kind} {said[kind]!r}", near_names(said[kind], known))
        fret = said.pop("fret", None)
        if fret is not None and not (fret.isascii() and fret.isdecimal() and int(fret) <= 24):
            raise ValueProblem(f"fret {fret!r}", "0 to 24")
        if "guitar" not in said and "tonic" not in said:
            said["guitar"] = _FIRST
        request = TableRequest(fret=None if fret is None else int(fret))
        named: dict[str, Any] = dict(said)
        return choose_table(replace(request, **named))

    def _choices(self, words: Mapping[str, str]) -> Made:
        from bridge.store.descriptions import load_guitar, load_scale
        from bridge.store.finding import list_guitars, list_scales

        del words
        guitars = [{"name": name, "title": load_guitar(name).title} for name in list_guitars()]
        scales = [{"name": name, "title": load_scale(name).title} for name in list_scales()]
        spec = self._spec
        return _json(
            {
                "guitars": guitars,
                "scales": scales,
                "guitar": "" if spec is not None else _FIRST,
                "own": "" if spec is None else spec.name,
            }
        )

    def _table(self, words: Mapping[str, str]) -> Made:
        from bridge.store.tablejson import table_to_json

        table = build_table(self.spec(words))
        form = table_to_json(table)
        start = _first_key(table)
        scale = table.spec.scale
        return _json(
            {
                **form,
                "keys": [
                    {
                        "key": key["key"],
                        "note": key["note"],
                        "degree": key["degree"] or "",
                        "ratio": key["ratio"] or "",
                        "hz": f"{key['hz']:.2f}",
                        "cents": _signed(key["cents_from_equal"]),
                    }
                    for key in form["keys"][start : start + 13]
                ],
                "strings": [
                    {
                        "string": one["string"],
                        "note": one["note"],
                        "hz": f"{one['hz']:.2f}",
                        "ratio": one["ratio"] or "",
                        "equal": _signed(one["cents_from_equal"]),
                        "cents": _signed(one["cents_from_table"]),
                    }
                    for one in form.get("strings", ())
                ],
                "name": table.name,
                "scale": scale.title if scale is not None else "",
                "hz": f"{table.reference.hz:.3f}",
            }
        )

    def _chords(self, words: Mapping[str, str]) -> Made:
        from bridge.tuning.chords.judged import judge_chords

        table = build_table(self.spec(words))
        found = [chord for chord in judge_chords(table.hz, table.tonic) if chord.in_major or chord.in_minor]
        return _json(
            {
                "tonic": table.tonic,
                "chords": [
                    {
                        "numeral": chord.numeral,
                        "name": chord.name,
                        "notes": " ".join(note.rstrip("-0123456789") for note in chord.notes),
                        "kind": chord.kind.name,
                        "verdict": chord.verdict,
                        "beats": f"{chord.beats_hz:.2f}",
                        "cures": [str(cure) for cure in chord.cures],
                        "triad": len(chord.keys) == 3,
                        "major": chord.in_major,
                    }
                    for chord in found[:_MOST_CHORDS]
                ],
            }
        )

    def _strings(self, words: Mapping[str, str]) -> Made:
        from bridge.jobs.strings import plan_strings
        from bridge.sheet.phrases import percent, step_words, string_notes, tuner_words, turn_words
        from bridge.tuning.notes import parse_note

        found = plan_strings(self.spec(words))
        plan = found.plan
        notes = string_notes(plan)
        moves = plan.start is not None
        return _json(
            {
                "guitar": plan.guitar.title,
                "capo": plan.capo,
                "start": plan.start.title if plan.start is not None else "",
                "changes": [
                    {
                        "string": one.string,
                        "from": one.from_note if moves else "",
                        "note": one.note,
                        "turn": turn_words(one) if moves else "",
                        "hz": f"{one.hz:.2f}",
                        "tuner": tuner_words(one.hz, one.note, parse_note(one.note)),
                        "tension": percent(found.tension[one.string]) if found.usual is not None else "",
                    }
                    for one in plan.changes
                ],
                "first": f"string {plan.guitar.reference_string} ({notes[plan.guitar.reference_string]})",
                "steps": [_step(step_words(step, plan)) for step in plan.steps],
                "checks": [_step(step_words(step, plan)) for step in plan.checks],
                "cautions": list(found.cautions),
                "advice": list(plan.advice),
            }
        )

    def _frets(self, words: Mapping[str, str]) -> Made:
        from bridge.jobs.frets import find_chords, neck_of, study_frets
        from bridge.sheet.shapes import picture_svg

        study = study_frets(self.spec(words))
        chord = find_chords(study.table, [words["chord"]])[0] if "chord" in words else None
        return Made(picture_svg(neck_of(study, chord)).encode("utf-8"), "image/svg+xml")

    def _keyboard(self, words: Mapping[str, str]) -> Made:
        from bridge.sheet.keyboard import keyboard_picture
        from bridge.sheet.shapes import picture_svg

        picture = keyboard_picture(build_table(self.spec(words)))
        return Made(picture_svg(picture).encode("utf-8"), "image/svg+xml")

    def _sheet(self, words: Mapping[str, str]) -> Made:
        from bridge.jobs.strings import plan_strings
        from bridge.sheet.html import sheet_html
        from bridge.sheet.records import PieceSheet, StringsSheet, TableSheet
        from bridge.tuning.strings.order import MAX_CAPO

        spec = self.spec(words)
        table = build_table(spec)
        strings = None
        if spec.guitar is not None and spec.fret <= MAX_CAPO:
            found = plan_strings(spec)
            usual = found.usual
            tension = found.tension if usual is not None else {}
            strings = StringsSheet(found.plan, tension, usual.title if usual is not None else "", found.slack)
        title = spec.guitar.title if spec.guitar is not None else spec.name
        text = sheet_html([PieceSheet(title, (TableSheet(replace(table, name=spec.name)),), strings=strings)])
        return Made(text.encode("utf-8"), "text/html; charset=utf-8", sheet_policy(text))


def sheet_policy(text: str) -> str:
    """Return a content policy that allows a sheet the styles that stand in it, each by its digest, and nothing else.

    Source: W3C, Content Security Policy Level 3, hashes of sources.
    """
    inside = re.findall(r"<style>(.*?)</style>", text, re.DOTALL)
    digests = sorted(
        {base64.b64encode(hashlib.sha256(one.encode("utf-8")).digest()).decode() for one in inside}
    )
    styles = " ".join(f"'sha256-{digest}'" for digest in digests)
    return (
        f"default-src 'none'; style-src {styles}; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    )


def _step(words: Any) -> dict[str, Any]:
    lines = (words.tune, words.against, words.listen, words.tempered, words.left)
    return {"title": words.title, "lines": [line for line in lines if line]}


def _first_key(table: Table) -> int:
    """The tonic at or below the reference."""
    from bridge.tuning.notes import parse_pitch_class

    key = table.sounding_reference[0]
    return min(max(key - (key - parse_pitch_class(table.tonic)) % 12, 0), 115)


def _signed(cents: float) -> str:
    from bridge.sheet.phrases import signed

    return signed(cents)


def _json(value: object) -> Made:
    return Made(msgspec.json.encode(value), "application/json")
