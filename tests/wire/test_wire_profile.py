"""The synth profile checks itself: good values, defaults, and the message for every bad one."""

import dataclasses

import pytest

from bridge.errors import ValueProblem
from bridge.wire.profile import METHODS, SynthProfile


def profile(**changes):
    values = {"name": "mine", "title": "My synth", "source": "its manual", "methods": ("note", "bend")}
    return SynthProfile(**(values | changes))


def test_defaults_are_a_plain_receiver():
    plain = profile()
    assert plain.channels == tuple(range(1, 17))
    assert plain.device_id == 127  # all devices
    assert plain.reset_gap_s == 0.1
    assert plain.keys_per_message == 127
    assert plain.sysex_max_bytes == 15000
    assert plain.bend_range_semitones == 12
    assert plain.bend_scale == 1
    assert plain.sounding == {"bend", "mpe"}


def test_lists_become_tuples_and_sets():
    made = profile(methods=["dump"], channels=[1, 2], sounding=["dump"], quirks=["one"])
    assert (made.methods, made.channels, made.sounding, made.quirks) == (
        ("dump",),
        (1, 2),
        frozenset({"dump"}),
        ("one",),
    )
    hash(made)


def test_obeys_and_range():
    made = profile(bend_range_max_semitones=24)
    assert [method for method in METHODS if made.obeys(method)] == ["note", "bend"]
    assert made.bend_range_semitones == 24
    assert dataclasses.replace(made, bend_range_fixed_semitones=2).bend_range_semitones == 2


def test_frozen():
    with pytest.raises(dataclasses.FrozenInstanceError):
        profile().program = 3


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"name": ""}, "needs a name"),
        ({"title": 5}, "needs a title, not 5"),
        ({"source": "  "}, "needs a source"),
        ({"methods": ("bent",)}, r"methods: there is no method 'bent' \(did you mean bend"),
        ({"methods": "bend"}, "methods must be a list, not 'bend'"),
        ({"methods": 5}, "methods must be a list"),
        ({"methods": ("bend", "bend")}, "names one twice"),
        ({"methods": ()}, "must obey at least one.*panel = true"),
        ({"panel": True}, "tuned by hand has no methods"),
        ({"sounding": ("sound",)}, "sounding: there is no method 'sound'"),
        ({"sounding": "bend"}, "sounding must be a list"),
        ({"quirks": "one"}, "quirks must be a list"),
        ({"note_form": "banks"}, "note_form: 'banks' is not a choice.*program, bank"),
        ({"dump_form": 1}, "dump_form: 1 is not a choice"),
        ({"octave_form": 3}, "octave_form: 3 is not a choice.*1, 2"),
        ({"octave_form": True}, "octave_form: True is not a choice"),
        ({"select": "bank"}, r"select: 'bank' is not a choice.*bank\+program, program, none"),
        ({"rounding": "up"}, "rounding: 'up' is not a choice.*none, nearest, floor"),
        ({"fine_tuning": "coarse"}, "fine_tuning: 'coarse' is not a choice.*rpn, master"),
        ({"note_realtime": "yes"}, "note_realtime: 'yes' must be true or false"),
        ({"octave_shared": 1}, "octave_shared: 1 must be true or false"),
        ({"note_realtime": False}, "real-time only.*note_form"),
        ({"keys_per_message": 128}, "keys_per_message: 128 is out of range.*1 to 127"),
        ({"program": 200}, "program: 200 is out of range.*0 to 127"),
        ({"bank": -1}, "bank: -1"),
        ({"device_id": 127.0}, "device_id: 127.0 is out of range.*whole number"),
        ({"program": True}, "program: True"),
        ({"bend_range_max_semitones": 0}, "bend_range_max_semitones: 0"),
        ({"bend_range_fixed_semitones": 200}, "bend_range_fixed_semitones: 200"),
        ({"mpe_range_fixed_semitones": 0}, "mpe_range_fixed_semitones: 0"),
        ({"sysex_max_bytes": 20000}, "sysex_max_bytes: 20000.*15000"),
        ({"sysex_gap_s": 60}, r"sysex_gap_s: 60 is out of range.*seconds, not milliseconds"),
        ({"reset_gap_s": -1}, "reset_gap_s: -1"),
        ({"sysex_gap_s": float("nan")}, "sysex_gap_s: nan"),
        ({"sysex_gap_s": "20 ms"}, "sysex_gap_s: '20 ms'"),
        ({"bytes_per_s": 3}, "bytes_per_s: 3 is out of range.*3125"),
        ({"bend_scale": 0}, "bend_scale: 0 is out of range"),
        ({"channels": ()}, "must receive at least one"),
        ({"channels": (0,)}, "channels: 0 is out of range.*1 to 16"),
        ({"channels": (1, 17)}, "channels: 17"),
        ({"channels": ("1",)}, "channels: '1'"),
        ({"channels": (2, 1)}, "each once, in rising order"),
        ({"channels": (1, 1)}, "each once, in rising order"),
        ({"rounding": "floor"}, "'floor' does not go with rounding_cents = 0"),
        ({"rounding_cents": 1.0}, "'none' does not go with rounding_cents = 1"),
        ({"rounding": "floor", "rounding_cents": 101}, "rounding_cents: 101"),
        ({"key_stretch_cents": (0.0,) * 127}, "127 values.*each of 128 keys"),
        ({"key_stretch_cents": (0.0,) * 127 + (500,)}, "key_stretch_cents: 500 is out of range"),
    ],
)
def test_bad_values(changes, message):
    with pytest.raises(ValueProblem, match=message):
        profile(**changes)


@pytest.mark.parametrize(
    "changes",
    [
        {"methods": (), "panel": True},
        {"note_form": "bank", "note_realtime": False},
        {"rounding": "floor", "rounding_cents": 1},
        {"bytes_per_s": 3125, "sysex_gap_s": 0.06},
        {"key_stretch_cents": [0.5] * 128},
        {"mpe_range_fixed_semitones": 48, "methods": ("mpe",)},
        {"bend_range_fixed_semitones": 2, "bend_range_max_semitones": 2},
        {"channels": (1, 2, 16)},
    ],
)
def test_good_values(changes):
    made = profile(**changes)
    for name, value in changes.items():
        found = getattr(made, name)
        assert found == (tuple(value) if isinstance(value, list) else value)
