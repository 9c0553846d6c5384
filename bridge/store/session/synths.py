"""Reading the synths of a session file: a profile each, with what the session says otherwise."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from bridge.store.profiles import load_profile
from bridge.store.session.finder import Finder
from bridge.store.session.model import AUTO, SessionSynth
from bridge.store.session.parts import check_method, read_spans
from bridge.store.toml import Section
from bridge.wire.profile import SynthProfile


def read_synths(top: Section, finder: Finder) -> tuple[SessionSynth, ...]:
    """Read the synths of a session, each of a name of its own."""
    found: list[SessionSynth] = []
    for section in top.sections("synths"):
        synth = _synth(section, finder)
        for other in found:
            if other.name.lower() == synth.name.lower():
                raise section.problem(
                    f"a second synth {synth.name!r}",
                    f"the first: {other.at}; give it another name",
                    "name",
                )
        found.append(synth)
    return tuple(found)


def _synth(section: Section, finder: Finder) -> SessionSynth:
    profile: SynthProfile = finder.described(section, "profile", load_profile)
    if profile is None:
        raise section.problem(
            "entry 'profile' is missing", 'such as profile = "fluidsynth"; see: stillbeat tables synths'
        )
    name = finder.name(section, section.text("name", profile.name) or profile.name)
    track_program = section.whole("track_program", 0, 127, profile.program)
    changes: dict[str, Any] = {
        "program": track_program,
        "device_id": section.whole("device_id", 0, 127, profile.device_id),
    }
    if "bank" in section:
        changes |= {"bank": section.whole("bank", 0, 127), "note_form": "bank", "dump_form": "bank"}
    if "channels" in section:
        wanted = read_spans(section, "channels", 1, 16)
        missing = sorted(set(wanted) - set(profile.channels))
        if missing:
            raise section.problem(f"channel {missing[0]} is none that this synth receives", "", "channels")
        changes["channels"] = wanted
    programs = (
        read_spans(section, "programs", 0, 127)
        if "programs" in section
        else tuple(number for number in range(128) if number != track_program)
    )
    if track_program in programs:
        raise section.problem(
            f"tuning program {track_program} is for backing tracks and cannot hold a table as well",
            "leave it out of programs, or name another with track_program",
            "programs",
        )
    method = section.text("method", AUTO)
    check_method(section, method, profile)
    synth = SessionSynth(
        name=name,
        title=section.line("title", profile.title),
        profile=replace(profile, **changes),
        method=method,
        programs=programs,
        port=section.text("port", "").strip(),
        at=finder.at(section),
    )
    section.refuse_others()
    return synth
