"""Synth profiles as TOML files: what one synth obeys, read from ``tables/synths/`` or the user's own folder.

Conventions
-----------
Names and folders are told in `bridge.store.finding`; a user's own profile wins over a shipped one of the same name.
An entry of the file is a field of `SynthProfile` of the same name, and means the same; the schema stands in
``tables/README.md``. ``name``, ``title``, ``source``, ``units`` and ``methods`` are required, everything else keeps
the default of a plain receiver. Channels are 1 to 16.
"""

from __future__ import annotations

import dataclasses

from bridge.errors import ValueProblem
from bridge.store.finding import list_names, load_description
from bridge.store.toml import Section
from bridge.wire.profile import SynthProfile

_FIELDS = tuple(entry.name for entry in dataclasses.fields(SynthProfile))
_REQUIRED = ("name", "title", "source", "units")


def list_profiles() -> list[str]:
    """Return the names of all synth profiles, shipped and own, in order."""
    return list_names("synths")


def load_profile(name_or_path: str) -> SynthProfile:
    """Read a synth profile by a name such as ``fluidsynth``, or the path of its file.

    ValueProblem if there is no profile of that name; near names are suggested. InputProblem if the file is
    malformed or says something that no synth can be; names file and line.
    """
    return load_description("synths", name_or_path, profile_of)


def profile_of(section: Section) -> SynthProfile:
    """Make the profile that the whole of a file describes; InputProblem if no synth can be like that."""
    section.check_schema()
    for key in _REQUIRED:
        section.text(key)
    section.allow(*_FIELDS)
    section.refuse_others()
    if "methods" not in section:
        raise section.problem(
            "entry 'methods' is missing",
            'write methods = ["bend"], or [] and panel = true for a synth tuned by hand',
        )
    values = {key: value for key, value in section.entries() if key in _FIELDS}
    try:
        return SynthProfile(**values)
    except ValueProblem as problem:
        key = problem.message.split(":")[0].split(" ")[0]  # its messages begin with the field
        raise section.problem(problem.message, problem.hint, key if key in values else None) from problem
