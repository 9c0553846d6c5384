"""Examining synths that are independent of this project, and some of our own: each must come out as it is known to be.

What FluidSynth, TiMidity++ and TinySoundFont obey was measured by other means, with bytes written out by hand, in
``tests/synths/test_oracles.py``; the columns here repeat that table. Nothing of it is known to what is tested.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from support import synths
from support.described import profile_from_toml
from support.probed import ProbedSynth, RenderedSynth, bends_only, is_rpn, tiny_synth

from bridge.engine.probe.course import Findings, examination
from bridge.engine.probe.messages import Place
from bridge.engine.probe.profile import profile_of, unknowns
from bridge.live.probe.examine import Prober, examine, follow
from bridge.live.probe.seat import Seat
from bridge.sound.listening.probe_ear import Ear
from bridge.store.probe_profiles import profile_to_toml
from bridge.wire import mts

pytestmark = pytest.mark.slow

ALL = tuple(range(1, 17))

TIMIDITY = {
    "note-unselected": "now",
    "note-bank-unselected": "ignored",
    "dump-unselected": "new",
    "note": "now",
    "note-bank": "ignored",
    "note-bank-later": "ignored",
    "dump": "new",
    "dump-bank": "ignored",
    "octave-dump-1": "ignored",
    "octave-dump-2": "ignored",
    "octave-1": "ignored",
    "octave-2": "ignored",
    "octave-1-later": "ignored",
    "octave-2-later": "ignored",
    "select-program": "now",
    "select-bank": "ignored",  # RPN 00 03 only
    "master-fine": "now",
    "channel-fine": "new",
    "bend": "now",
    "mpe": "ignored",
    "device-0": "now",
    "device-5": "now",
}
TINYSOUNDFONT = {
    **dict.fromkeys(TIMIDITY, "ignored"),
    "channel-fine": "now",
    "bend": "now",
    "bend-range": "now",
}
BUILTIN = {
    **dict.fromkeys(TIMIDITY, "now"),
    "dump-unselected": "new",
    "note-bank-later": "new",
    "dump": "new",
    "dump-bank": "new",
    "octave-dump-1": "new",
    "octave-dump-2": "new",
    "octave-1-later": "new",
    "octave-2-later": "new",
    "octave-shared": "ignored",
    "select-bank-late": "ignored",
    "mpe-range": "now",
}


def silently(_label: str, _done: float) -> None:
    """Report nothing."""


def examined(synth: ProbedSynth) -> Findings:
    """Examine a synth in virtual time."""
    ear = Ear(synth)
    seat = Seat(synth, ear.skip)
    place = Place()
    try:
        return examine(Prober(seat, ear, place), place, silently)
    finally:
        seat.leave()


def verdicts(found: Findings) -> dict[str, str]:
    return {name: row.verdict for name, row in found.rows.items()}


def test_timidity_is_found_as_it_is_known(sine_font: Path) -> None:
    synth = RenderedSynth(synths.render_timidity, sine_font)
    found = follow(examination(Place(), ALL), synth.hold, silently)
    heard = verdicts(found)
    assert {name: heard[name] for name in TIMIDITY} == TIMIDITY
    assert found.clamped
    assert found.fine_parts == "msb"
    profile = profile_of(found, "t", "TiMidity", "heard")
    assert profile.methods == ("note", "dump", "bend")
    assert profile.select == "program"
    assert profile.bend_range_max_semitones == 24
    assert profile.bend_range_sounding is True  # with the bend that follows it
    assert profile.fine_tuning == "master"
    assert (profile.rounding, profile.bend_scale) == ("none", 1.0)
    assert profile.sounding == {"note", "bend"}
    assert found.bends.rounding is None  # uneven by up to 0.43 cents
    assert 0.1 < found.bends.worst_cents < 0.45


@pytest.mark.fetched
def test_tinysoundfont_is_found_as_it_is_known(sine_font: Path) -> None:
    found = examined(tiny_synth(sine_font))
    heard = verdicts(found)
    wanted = {name: verdict for name, verdict in TINYSOUNDFONT.items() if not name.startswith("device")}
    del wanted["select-program"], wanted["select-bank"]  # nothing is there to be selected
    assert heard == wanted
    profile = profile_of(found, "t", "TinySoundFont", "heard")
    assert profile.methods == ("bend",)
    assert profile.fine_tuning == "rpn"
    assert (profile.rounding, profile.bend_scale) == ("none", 1.0)
    assert profile.bend_range_sounding is True
    assert found.fine_parts == "both"
    assert found.channels == ALL


def test_the_built_in_generator_obeys_everything() -> None:
    found = examined(ProbedSynth())
    assert verdicts(found) == {**BUILTIN, "bend-range": "now"}
    profile = profile_of(found, "b", "Built in", "heard")
    assert profile.methods == ("note", "octave", "dump", "bend", "mpe")
    assert not profile.octave_shared
    assert profile.bend_range_sounding is True
    assert profile.sounding == {"note", "octave", "bend", "mpe"}
    assert unknowns(found) == []


def test_a_late_noisy_synth_that_only_bends() -> None:
    found = examined(ProbedSynth(bends_only, noise_rms=0.0005, late_s=0.15))
    assert {name for name, row in found.rows.items() if row.verdict != "ignored"} == {"bend"}
    profile = profile_of(found, "b", "Bends", "heard")
    assert profile.methods == ("bend",)
    assert profile.bend_range_fixed_semitones == 2
    assert profile.bend_range_sounding is None


class LateRanges:
    """Makes of the built-in generator a synth whose notes keep the bend range that they began with."""

    def __init__(self) -> None:
        self._sounding: set[tuple[int, int]] = set()
        self._waiting = b""

    def __call__(self, data: bytes) -> bytes | None:
        which = (data[0] & 15, data[1] if len(data) > 1 else 0)
        if data[0] & 0xE0 == 0x80:
            self._sounding.discard(which)
            if data[0] & 0xF0 == 0x90 and data[2]:
                self._sounding.add(which)
        if self._sounding and is_rpn(data):
            self._waiting += data
            return None
        if data[0] & 0xF0 == 0x90 and self._waiting:
            data, self._waiting = self._waiting + data, b""
        return data


def test_a_synth_that_takes_a_range_for_new_notes_only_is_found_out_and_written_down() -> None:
    found = examined(ProbedSynth(LateRanges()))
    assert found.verdict("bend-range") == "new"
    profile = profile_of(found, "late", "Late", "heard")
    assert profile.bend_range_sounding is False
    text = profile_to_toml(profile)
    assert "bend_range_sounding = false" in text
    assert profile_from_toml(text).bend_range_sounding is False
    assert any("notes that start later" in quirk and "range" in quirk for quirk in profile.quirks)


@pytest.mark.parametrize("obeyed", ["note-bank", "octave-1-later", "dump-bank", "master"])
def test_a_synth_that_obeys_one_message_only_is_found_out(obeyed: str) -> None:
    def change(data: bytes) -> bytes | None:
        if data[0] & 0xF0 == 0xE0:
            return None
        if data[0] != 0xF0:
            return None if is_rpn(data) else data
        message = mts.decode(data)
        fits = {
            "note-bank": isinstance(message, mts.NoteTuning) and message.bank == 0 and message.realtime,
            "octave-1-later": isinstance(message, mts.OctaveTuning)
            and message.form == 1
            and not message.realtime,
            "dump-bank": isinstance(message, mts.BulkDump) and message.bank is not None,
            "master": isinstance(message, mts.MasterFineTuning),
        }[obeyed]
        return data if fits else None

    found = examined(ProbedSynth(change))
    names = {
        "note-bank": {"note-bank", "note-bank-unselected", "device-0", "device-5"},
        "octave-1-later": {"octave-1-later"},
        "dump-bank": {"dump-bank"},
        "master": {"master-fine"},
    }[obeyed]
    assert {name for name, row in found.rows.items() if row.obeyed} == names
    assert not [name for name, row in found.rows.items() if row.verdict == "unknown"]
    if obeyed == "master":
        with pytest.raises(Exception, match="no method is known to be obeyed"):
            profile_of(found, "x", "x", "heard")
        return
    profile = profile_of(found, "x", "x", "heard")
    assert profile.methods == (obeyed.split("-")[0],)
    if obeyed == "note-bank":
        assert (profile.note_form, profile.note_realtime, profile.select) == ("bank", True, "none")
        assert profile.sounding == {"note"}
    elif obeyed == "octave-1-later":
        assert (profile.octave_form, profile.octave_realtime) == (1, False)
        assert profile.octave_shared  # not tried, so nobody may rely on the contrary
        assert profile.sounding == set()
    else:
        assert profile.dump_form == "bank"


def test_a_device_that_answers_to_its_own_number_only() -> None:
    def change(data: bytes) -> bytes | None:
        return data if data[0] != 0xF0 or data[2] in (0x7F, 5) else None

    found = examined(ProbedSynth(change))
    assert found.verdict("device-0") == "ignored"
    assert found.verdict("device-5") == "now"
    assert any("device 5" in quirk for quirk in profile_of(found, "x", "x", "heard").quirks)


def test_a_range_that_stays_at_twelve() -> None:
    def change(data: bytes) -> bytes | None:
        return None if is_rpn(data) else data

    synth = ProbedSynth(change)
    for data in (b"\xb0\x65\x00", b"\xb0\x64\x00", b"\xb0\x06\x0c"):
        for channel in range(16):
            synth.instrument.feed(bytes((data[0] | channel, *data[1:])))
    found = examined(synth)
    assert found.rows["bend"].verdict == "now"
    assert "12.0 semitones" in found.rows["bend"].remark
    assert profile_of(found, "x", "x", "heard").bend_range_fixed_semitones == 12
