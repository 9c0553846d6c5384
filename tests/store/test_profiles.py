"""Synth profiles: every shipped file, what the measured ones must say, and errors with file and line."""

import dataclasses
import tomllib

import pytest
from support.described import profile_from_toml

from bridge.errors import InputProblem, ValueProblem
from bridge.store import finding
from bridge.store.descriptions import tables_dir
from bridge.store.profiles import list_profiles, load_profile
from bridge.wire.profile import SynthProfile

SHIPPED = (
    "bend-fixed-2",
    "bend-only",
    "builtin",
    "din-vintage",
    "fluidsynth",
    "full-midi-tuning",
    "gm2",
    "mpe",
    "mpe-fixed-48",
    "timidity",
    "tinysoundfont",
    "whole-cents",
)

MINIMAL = """\
schema = 1
name = "mine"
title = "My synth"
source = "its manual"
units = "cents, semitones, seconds, bytes; channels 1 to 16"
methods = ["note", "bend"]
"""


@pytest.fixture(autouse=True)
def own(tmp_path, monkeypatch):
    """Keep the user's own descriptions out; return the folder that stands for theirs."""
    folder = tmp_path / "own" / "synths"
    folder.mkdir(parents=True)
    monkeypatch.setattr(finding, "user_dir", lambda: tmp_path / "own")
    return folder


def test_list():
    assert tuple(list_profiles()) == SHIPPED


@pytest.mark.parametrize("name", SHIPPED)
def test_every_shipped_profile(name):
    profile = load_profile(name)
    path = tables_dir() / "synths" / f"{name}.toml"
    assert load_profile(str(path)) == profile
    assert profile.name == name
    with path.open("rb") as file:
        entries = tomllib.load(file)
    assert entries.pop("schema") == 1
    assert "channels 1 to 16" in entries.pop("units")
    for key, value in entries.items():  # nothing in the file is lost or changed
        found = getattr(profile, key)
        assert (sorted(found) if key == "sounding" else found) == (
            sorted(value) if key == "sounding" else tuple(value) if isinstance(value, list) else value
        )
    assert set(profile.sounding) <= set(profile.methods)
    assert all(quirk.endswith(".") for quirk in profile.quirks)
    measured = "measured with" in profile.source
    assert measured == (name in ("fluidsynth", "timidity", "tinysoundfont"))


def facts(name, **expected):
    profile = dataclasses.asdict(load_profile(name))
    assert {key: profile[key] for key in expected} == expected


def test_fluidsynth():
    """Measured with FluidSynth 2.3.1."""
    facts(
        "fluidsynth",
        methods=("note", "octave", "bend"),  # a dump is not obeyed
        note_form="program",
        note_realtime=True,
        octave_shared=True,
        octave_form=2,
        select="bank+program",
        program=0,
        bank=0,
        device_id=0x7F,
        rounding="floor",
        rounding_cents=1.0,
        bend_scale=127 / 128,
        fine_tuning="rpn",
        sounding=frozenset({"note", "octave", "bend"}),
    )


def test_timidity():
    """Measured with TiMidity++ 2.14."""
    facts(
        "timidity",
        methods=("note", "dump", "bend"),
        note_form="program",
        dump_form="program",
        select="program",
        program=0,
        bend_range_max_semitones=24,
        bend_range_fixed_semitones=None,
        fine_tuning="master",
        rounding="none",
        sounding=frozenset({"note", "bend"}),
    )


def test_tinysoundfont():
    facts("tinysoundfont", methods=("bend",), select="none", fine_tuning="rpn", rounding="none")


def test_by_standard():
    facts("gm2", octave_form=1, octave_realtime=False, octave_shared=False, bend_range_max_semitones=12)
    assert "octave" in load_profile("gm2").methods
    facts("bend-only", methods=("bend",), bend_range_fixed_semitones=None)
    facts("bend-fixed-2", methods=("bend",), bend_range_fixed_semitones=2)
    facts("mpe", mpe_range_fixed_semitones=None)
    facts("mpe-fixed-48", methods=("mpe",), mpe_range_fixed_semitones=48)
    facts("din-vintage", bytes_per_s=3125, reset_gap_s=0.1)  # 31,250 baud, 10 bits a byte
    assert 0.02 <= load_profile("din-vintage").sysex_gap_s <= 0.06
    facts("whole-cents", methods=(), panel=True, rounding="nearest", rounding_cents=1)
    assert load_profile("full-midi-tuning").methods[:3] == ("note", "octave", "dump")
    assert set(load_profile("builtin").methods) == {"note", "octave", "dump", "bend", "mpe"}


def test_what_is_left_out_keeps_its_default():
    expected = SynthProfile("mine", "My synth", "its manual", ("note", "bend"))
    assert profile_from_toml(MINIMAL) == expected


def test_own_profiles_win(own):
    (own / "mine.toml").write_text(MINIMAL, encoding="utf-8")
    changed = MINIMAL.replace('"mine"', '"fluidsynth"') + "sysex_gap_s = 0.02\n"
    (own / "fluidsynth.toml").write_text(changed, encoding="utf-8")
    assert list_profiles() == sorted([*SHIPPED, "mine"])
    assert load_profile("mine").title == "My synth"
    assert load_profile("fluidsynth").sysex_gap_s == 0.02


def test_measured_stretch_of_every_key():
    stretch = [key / 100 for key in range(128)]
    made = profile_from_toml(f"{MINIMAL}key_stretch_cents = {stretch}\n")
    assert made.key_stretch_cents == tuple(stretch)


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("fluidsynt", r"unknown synth 'fluidsynt' \(did you mean fluidsynth"),
        ("", "unknown synth ''"),
        ("../synths/gm2", "no such file"),
    ],
)
def test_unknown_names(name, message):
    with pytest.raises((ValueProblem, InputProblem), match=message):
        load_profile(name)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("schema = 1", "schema = 2", r"line 1: schema = 2 .*reads schema 1"),
        ("schema = 1\n", "", "entry 'schema' is missing"),
        ('title = "My synth"\n', "", "entry 'title' is missing"),
        ('units = "cents, semitones, seconds, bytes; channels 1 to 16"\n', "", "entry 'units' is missing"),
        ('methods = ["note", "bend"]\n', "", r"entry 'methods' is missing .*panel = true"),
        ('"bend"]', '"bent"]', r"line 6: methods: there is no method 'bent' .*did you mean bend"),
        ('["note", "bend"]', '"bend"', "line 6: methods must be a list"),
        ('"bend"]', '"bend"]\nprogram = 200', r"line 7: program: 200 is out of range .*0 to 127"),
        ('"bend"]', '"bend"]\n\nsysex_gap_s = 20', r"line 8: sysex_gap_s: 20 .*seconds, not milliseconds"),
        ('"bend"]', '"bend"]\nbend_range = 2', r"line 7: unknown entry 'bend_range' .*bend_range_"),
        ('"bend"]', '"bend"]\nchannels = [0]', "line 7: channels: 0 is out of range"),
        ('"bend"]', '"bend"]\noctave_form = "2"', "line 7: octave_form: '2' is not a choice"),
        ('"its manual"', "3", r"line 4: source = 3 is not a text"),
        ('"bend"]', '"bend"', r"line \d: .*"),
        ('"My synth"', "My synth", r"line 3: invalid value"),
    ],
)
def test_errors_name_file_and_line(tmp_path, old, new, message):
    path = tmp_path / "mine.toml"
    assert old in MINIMAL
    path.write_text(MINIMAL.replace(old, new), encoding="utf-8")
    with pytest.raises(InputProblem, match=message) as caught:
        load_profile(str(path))
    assert str(caught.value).startswith(str(path))
    assert "\n" not in str(caught.value)


def test_a_name_must_be_the_files(own):
    (own / "yours.toml").write_text(MINIMAL, encoding="utf-8")
    with pytest.raises(InputProblem, match=r"line 2: name = 'mine' but the file is called yours.toml"):
        load_profile("yours")
