"""Scales, guitars and tables as TOML files: reading and writing them.

Conventions
-----------
Names and folders are told in `bridge.store.finding`, the schema in ``tables/README.md``. A scale and a guitar are
read by name or path. A table may name its scale and guitar or hold them; `save_table` always writes them out, so
that its file stands on its own and gives bit-identical frequencies.

Index
-----
`load_scale`, `load_guitar`, `load_table` by name or path · `table_of`, `save_table` from and to TOML ·
`guitar_table` a guitar's plain table · `FILES` the three loaders as a shelf for `bridge.tuning.asked` · and the names
of `bridge.store.finding`
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from bridge.errors import InputProblem, StillbeatError, ValueProblem, near_names
from bridge.store.finding import (
    TABLE_SUFFIX,
    find_description,
    inside,
    is_path,
    list_guitars,
    list_names,
    list_scales,
    list_tables,
    load_description,
    meant_name,
    other_name,
    tables_dir,
    user_dir,
)
from bridge.store.toml import SCHEMA, Section, read_toml, write_toml
from bridge.tuning.asked import DEFAULT_SCALE, parse_key
from bridge.tuning.frets import MAX_FRET
from bridge.tuning.guitar_words import guitar_of, looks_like_strings, parse_strings
from bridge.tuning.guitars import Guitar, guitar_from_mapping, guitar_to_mapping
from bridge.tuning.notes import note_name, parse_note, parse_tonic
from bridge.tuning.ratios import format_ratio, parse_ratio
from bridge.tuning.reference import Reference, default_reference, parse_reference
from bridge.tuning.scales import DEGREES, Interval, Scale, check_degree, parse_degree
from bridge.tuning.spec import MAX_HZ, MIN_HZ, TableSpec

__all__ = [
    "DEFAULT_SCALE",
    "FILES",
    "TABLE_SUFFIX",
    "find_description",
    "guitar_table",
    "is_path",
    "list_guitars",
    "list_names",
    "list_scales",
    "list_tables",
    "load_guitar",
    "load_scale",
    "load_table",
    "save_table",
    "table_of",
    "tables_dir",
    "user_dir",
]

_SCALE_UNITS = "ratios above the tonic, or cents with the letter c"
_TABLE_UNITS = "keys in Hz at fret 0; ratios, or cents with the letter c; middle C = C4"
_TABLE_COMMENTS = {
    "": "A table for Stillbeat: what makes its 128 frequencies. tables/README.md explains every entry.",
    "home": "Tonics without octave, of the open strings: home, and the present one.",
    "fret": "Capo or barre, and a slide's ratio; both move everything above.",
    "reference": "One note and its frequency in Hz at fret 0; everything is measured from it.",
    "scale": "Twelve degrees above the tonic.",
    "home_degrees": "Degrees replaced in the piece's own scale, at home and above every tonic.",
    "degrees": "Degrees replaced above the present tonic only.",
    "keys": "Keys that have their own frequency, in Hz at fret 0.",
    "guitar": "The instrument, with the unisons of harmonics by which it is tuned.",
}


def load_scale(name_or_path: str) -> Scale:
    """Read a scale.

    ValueProblem if there is no scale of that name. InputProblem if the file is malformed; names file and
    line.
    """
    return load_description("scales", name_or_path, _scale_file)


def load_guitar(name_or_path: str) -> Guitar:
    """Read a guitar.

    ValueProblem if there is no guitar of that name. InputProblem if the file is malformed; names file and
    line. TuningProblem if its strings and unisons make no tuning.
    """
    raised = name_or_path.strip().upper()
    small = len(raised) > 3 and not looks_like_strings(name_or_path) and looks_like_strings(raised)
    if small and meant_name("guitars", name_or_path) is None:
        name_or_path = raised  # the thinnest string is often written small: EADGBe
    if looks_like_strings(name_or_path) and name_or_path.strip() not in list_guitars():
        if (name := other_name(name_or_path)) is None:
            return _by_strings(name_or_path)
        return load_guitar(name)
    return load_description("guitars", name_or_path, _guitar)


def _by_strings(text: str) -> Guitar:
    """Return the guitar of these strings: one that has a file, or the pure form that is worked out for them."""
    words = parse_strings(text)
    proposed = guitar_of(words)
    if words.comma is None:
        for name in sorted(list_guitars(), key=lambda name: (len(name), name)):
            guitar = load_guitar(name) if not looks_like_strings(name) else None
            if guitar is not None and _same_strings(guitar, words.keys):
                return guitar
    return proposed


def _same_strings(guitar: Guitar, keys: tuple[int, ...]) -> bool:
    """Whether a guitar has these strings, all of them pure."""
    return tuple(string.key for string in guitar.strings) == keys and all(
        string.tempered_cents is None and not string.starts_at_fret for string in guitar.strings
    )


def load_table(name_or_path: str) -> TableSpec:
    """Read a table: the user's own or a shipped one by name, a guitar's by the guitar's name, or a file.

    A guitar's name stands for the default scale on the guitar's tonic.

    ValueProblem if there is no table or guitar of that name. InputProblem if the file is malformed; names
    file and line.
    """
    wanted = name_or_path.strip()
    if not is_path(wanted) and wanted not in list_tables():
        guitars = list_guitars()
        if looks_like_strings(wanted) or meant_name("guitars", wanted) is not None:
            return guitar_table(load_guitar(wanted))
        if wanted in list_scales():
            hint = f"{wanted} is a scale; choose it beside a tonic or a guitar"
        else:
            hint = near_names(wanted, [*list_tables(), *guitars])
        raise ValueProblem(f"unknown table {wanted!r}", hint)
    path = find_description("tables", wanted)
    return table_of(read_toml(path), path.name.removesuffix(TABLE_SUFFIX).removesuffix(".toml"), path.parent)


class _Files:
    """The `bridge.tuning.asked.Shelf` of this computer: names that are shipped or the user's own, and paths."""

    def guitar(self, name: str) -> Guitar:
        return load_guitar(name)

    def scale(self, name: str) -> Scale:
        return load_scale(name)

    def table(self, name: str) -> TableSpec:
        return load_table(name)


FILES = _Files()


def guitar_table(guitar: Guitar, scale: Scale | None = None) -> TableSpec:
    """Return the plain table of a guitar: a scale, five-limit unless given, on its tonic and reference string."""
    return TableSpec(
        name=guitar.name,
        scale=scale or load_scale(DEFAULT_SCALE),
        home=guitar.tonic,
        tonic=guitar.tonic,
        reference=default_reference(guitar.tonic, guitar),
        guitar=guitar,
    )


def _scale_file(section: Section) -> Scale:
    section.check_schema()
    return _scale(section)


def _scale(section: Section) -> Scale:
    """Make a scale of a file, or of the section of a table."""
    section.allow("schema")
    section.text("units", _SCALE_UNITS)
    degrees = section.section("degrees", required=True)
    found = degree_entries(degrees, first=True)
    for index, name in enumerate(DEGREES):
        if index not in found:
            hint = "twelve are needed: " + " ".join(DEGREES)
            if "#" in name:
                hint = f'write "{name}" in quotes, a bare # begins a comment; {hint}'
            raise degrees.problem(f"degree {name} is missing", hint)
    scale = Scale(
        name=section.text("name"),
        title=section.text("title"),
        degrees=tuple(found[index] for index in range(12)),
        source=section.line("source"),
        description=section.line("description", ""),
    )
    section.refuse_others()
    return scale


def degree_entries(section: Section, first: bool = False) -> dict[int, Interval]:
    """Read entries such as ``b7 = "7/4"``; the first degree only where a whole scale is given."""
    found: dict[int, Interval] = {}
    for name, _ in section.entries():
        try:
            index = parse_degree(name)
        except StillbeatError as problem:
            raise section.problem(problem.message, problem.hint, name) from problem
        if index in found:
            raise section.problem(f"degree {DEGREES[index]} is given twice", "", name)

        def parse(text: str, index: int = index) -> Interval:
            interval = Interval.parse(text)
            check_degree(index, interval)
            return interval

        found[index] = section.convert(name, parse)
        if index == 0 and not first:
            raise section.problem("degree 1 cannot be replaced", "it is the tonic itself", name)
    return found


def _guitar(section: Section) -> Guitar:
    """Make a guitar of a file, or of the section of a table."""
    data: dict[str, Any] = dict(section.data)
    if section.path:
        data.setdefault("schema", SCHEMA)
    try:
        return guitar_from_mapping(data, section.where)
    except InputProblem as problem:
        message = problem.message.removeprefix(f"{section.where}: ")
        raise section.problem(message, problem.hint, section.named_in(message)) from problem


def table_of(section: Section, stem: str, folder: Path | None = None) -> TableSpec:
    """Make a table of a file that lies in `folder`; the files that it names lie there too."""
    section.check_schema()
    section.text("units", _TABLE_UNITS)
    guitar = _named_or_inline(section, "guitar", folder, load_guitar, _guitar)
    literal = "keys" in section and "scale" not in section and len(section.section("keys").data) == 128
    scale = _named_or_inline(section, "scale", folder, load_scale, _scale)
    if scale is None and not literal:
        scale = load_scale(DEFAULT_SCALE)
    home, tonic = _tonics(section, guitar)
    try:
        spec = TableSpec(
            name=section.text("name", stem) or stem,
            scale=scale,
            home=home,
            tonic=tonic,
            reference=_reference(section, home, guitar),
            guitar=guitar,
            fret=section.whole("fret", 0, MAX_FRET, 0),
            slide=section.convert("slide", parse_ratio, "1/1"),
            open_strings_win=section.flag("open_strings_win", False),
            degree_changes=tuple(sorted(degree_entries(section.section("degrees")).items(), key=_first)),
            home_degree_changes=tuple(
                sorted(degree_entries(section.section("home_degrees")).items(), key=_first)
            ),
            key_overrides=key_entries(section.section("keys")),
        )
    except InputProblem:
        raise
    except StillbeatError as problem:
        raise section.problem(problem.message, problem.hint, section.named_in(problem.message)) from problem
    section.refuse_others()
    return spec


def _first(change: tuple[int, Interval]) -> int:
    return change[0]


def _named_or_inline(
    section: Section,
    key: str,
    folder: Path | None,
    load: Callable[[str], Any],
    make: Callable[[Section], Any],
) -> Any:
    """Return what an entry names, or what a section of that name describes; None if there is neither."""
    if key not in section:
        return None
    if not isinstance(section.data[key], str):
        return make(section.section(key))
    text = section.text(key)
    if not is_path(text):
        return section.convert(key, load)
    path = inside(folder, text) if folder is not None else None
    if path is None:
        raise section.problem(
            f"{key} = {text!r} lies outside the folder of the file that names it",
            "copy it into that folder, and write its path from there",
            key,
        )
    return section.convert(key, lambda _: load(str(path)))


def _tonics(section: Section, guitar: Guitar | None) -> tuple[str, str]:
    """Return home and present tonic; home is the guitar's unless written, else the tonic, else C."""
    home = section.convert("home", parse_tonic) if "home" in section else None
    tonic = section.convert("tonic", parse_tonic) if "tonic" in section else None
    if home is None:
        home = guitar.tonic if guitar is not None else tonic or "C"
    return home, tonic or home


def _reference(section: Section, home: str, guitar: Guitar | None) -> Reference:
    """Return the reference: a section with note and hz, a text like ``D3-7c@442``, or the default."""
    if "reference" not in section:
        return default_reference(home, guitar)
    if isinstance(section.data["reference"], str):
        return section.convert("reference", parse_reference)
    inner = section.section("reference")
    key = inner.convert("note", parse_note)
    hz = inner.number("hz", MIN_HZ, MAX_HZ)
    inner.refuse_others()
    try:
        return Reference(key, hz)
    except StillbeatError as problem:
        raise inner.problem(problem.message, problem.hint, "hz") from problem


def key_entries(section: Section) -> tuple[tuple[int, float], ...]:
    """Read entries such as ``"F#3" = 183.1``: a note or the number of a MIDI key, and Hz."""
    found: dict[int, float] = {}
    for name, _ in section.entries():
        try:
            key = parse_key(name)
        except StillbeatError as problem:
            raise section.problem(problem.message, problem.hint, name) from problem
        if key in found:
            raise section.problem(f"key {name} is given twice", "one frequency for each key", name)
        found[key] = section.number(name, MIN_HZ, MAX_HZ)
    return tuple(sorted(found.items()))


def save_table(spec: TableSpec) -> str:
    """Write a table as the TOML of a ``NAME.table.toml``; scale and guitar are written out, not named.

    It stands on its own and reads back to bit-identical frequencies.
    """
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "name": spec.name,
        "units": _TABLE_UNITS,
        "home": spec.home,
        "tonic": spec.tonic,
        "fret": spec.fret,
        "slide": format_ratio(spec.slide),
        "open_strings_win": spec.open_strings_win,
        "reference": {"note": note_name(spec.reference.key, spec.home), "hz": float(spec.reference.hz)},
    }
    if spec.scale is not None:
        data["scale"] = _scale_mapping(spec.scale)
    if spec.home_degree_changes:
        data["home_degrees"] = {DEGREES[index]: str(interval) for index, interval in spec.home_degree_changes}
    if spec.degree_changes:
        data["degrees"] = {DEGREES[index]: str(interval) for index, interval in spec.degree_changes}
    if spec.key_overrides:
        data["keys"] = {note_name(key, spec.tonic): float(hz) for key, hz in spec.key_overrides}
    if spec.guitar is not None:
        inline = guitar_to_mapping(spec.guitar)
        data["guitar"] = {key: value for key, value in inline.items() if key != "schema"}
    return write_toml(data, _TABLE_COMMENTS)


def _scale_mapping(scale: Scale) -> dict[str, Any]:
    """Return the entries of a scale."""
    entries: dict[str, Any] = {"name": scale.name, "title": scale.title, "source": scale.source}
    if scale.description:
        entries["description"] = scale.description
    degrees = {name: str(interval) for name, interval in zip(DEGREES, scale.degrees, strict=True)}
    return {**entries, "degrees": degrees}
