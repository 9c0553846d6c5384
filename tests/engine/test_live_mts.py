"""Tables by MIDI Tuning messages while notes sound, heard by a synth on paper (`support.obedient`).

What each mode of changing means stands in `bridge.engine.protocols`; lengths of messages in the MIDI Tuning standard
(CA-021: 21 bytes for twelve 1-byte offsets, 33 for 2-byte ones; single note changes 8 bytes and 4 for each key).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable
from dataclasses import replace

import pytest
from support.obedient import ObedientSynth

from bridge.engine.mts.live import MtsLiveEngine
from bridge.errors import MethodProblem, ValueProblem
from bridge.store.profiles import load_profile
from bridge.wire.profile import SynthProfile

FULL = load_profile("full-midi-tuning")
DIN = load_profile("din-vintage")
GM2 = load_profile("gm2")
TIMIDITY = load_profile("timidity")
STEP = 100 / 16384 / 2  # half a step of frequency data, in cents
OCTAVE_STEP = 100 / 8192 / 2

D_JUST = [1, 16 / 15, 9 / 8, 6 / 5, 5 / 4, 4 / 3, 45 / 32, 3 / 2, 8 / 5, 5 / 3, 9 / 5, 15 / 8]


def just(tonic: int, reference_hz: float = 146.5, at: int = 50) -> list[float]:
    """A five-limit table on a tonic (0 = C), written out from its ratios; key `at` sounds at `reference_hz`."""
    plain = [D_JUST[(key - tonic) % 12] * 2.0 ** ((key - tonic) // 12) for key in range(128)]
    return [hz * reference_hz / plain[at] for hz in plain]


D, A, G = just(2), just(9), just(7)


def semitones(hz: float) -> float:
    return 69 + 12 * math.log2(hz / 440)


def heard(synth: ObedientSynth, due: Iterable[tuple[float, bytes]]) -> list[bytes]:
    """Let the synth hear what is due; return the messages."""
    messages = [data for _, data in due]
    for data in messages:
        synth.feed(data)
    return messages


def off_cents(
    synth: ObedientSynth, hz: list[float], keys: Iterable[int] = range(20, 110), channel: int = 0
) -> float:
    return max(abs(synth.pitch(channel, key) - semitones(hz[key])) * 100 for key in keys)


def playing(
    method: str, profile: SynthProfile = FULL, hz: list[float] = D
) -> tuple[MtsLiveEngine, ObedientSynth, list[bytes]]:
    engine, synth = MtsLiveEngine(profile, hz, method), ObedientSynth()
    return engine, synth, heard(synth, engine.start(0.0))


def on(key: int, channel: int = 1) -> bytes:
    return bytes((0x90 | channel - 1, key, 90))


def off(key: int, channel: int = 1) -> bytes:
    return bytes((0x80 | channel - 1, key, 0))


@pytest.mark.parametrize(("method", "step"), [("note", STEP), ("octave", OCTAVE_STEP), ("dump", STEP)])
def test_the_table_reaches_every_pitched_channel_and_leaves_drums_alone(method: str, step: float) -> None:
    _, synth, _ = playing(method)
    for channel in range(16):
        if channel == 9:
            assert synth.pitch(9, 60) == 60.0
            continue
        assert off_cents(synth, D, channel=channel) <= step + 1e-9


@pytest.mark.parametrize(("method", "step"), [("note", STEP), ("octave", OCTAVE_STEP), ("dump", STEP)])
def test_a_change_moves_every_key_and_sends_only_what_differs(method: str, step: float) -> None:
    engine, synth, _ = playing(method)
    sent = heard(synth, engine.change(A, 1.0))
    assert off_cents(synth, A) <= step + 1e-9
    assert heard(synth, engine.change(A, 2.0)) == [], "nothing differs"
    differ = sum(
        round(semitones(a) * 16384) != round(semitones(d) * 16384) for a, d in zip(A, D, strict=True)
    )
    expected = {"note": 8 + 4 * differ + 8 * (differ > 127), "octave": 33, "dump": 408}[method]
    if method == "dump":
        expected = min(expected, 8 + 4 * differ)
    assert sum(map(len, sent)) == expected


def test_one_key_takes_twelve_bytes() -> None:
    engine, synth, _ = playing("note")
    other = list(D)
    other[71] *= 1.001
    assert [len(message) for message in heard(synth, engine.change(other, 1.0))] == [12]


def test_a_whole_table_of_the_one_byte_form_takes_21_bytes() -> None:
    engine, synth, first = playing("octave", replace(GM2, fine_tuning=None))
    assert [len(message) for message in first if message[0] == 0xF0] == [21]
    sent = heard(synth, engine.change(A, 1.0))
    assert [len(message) for message in sent] == [21]
    assert off_cents(synth, A) <= 0.5 + 1e-9


@pytest.mark.parametrize("method", ["note", "octave"])
def test_now_moves_what_sounds(method: str) -> None:
    engine, synth, _ = playing(method)
    engine.feed(on(64), 0.5)
    heard(synth, engine.change(A, 1.0, "now"))
    assert off_cents(synth, A) <= OCTAVE_STEP
    assert engine.next_wake_s is None


@pytest.mark.parametrize("method", ["note", "octave"])
def test_next_leaves_a_note_until_it_has_decayed(method: str) -> None:
    engine, synth, _ = playing(method)
    engine.feed(on(71), 0.5)  # B: 5/3 above D, 9/8 above A: a comma apart
    heard(synth, engine.change(A, 1.0, "next"))
    assert off_cents(synth, D, [71]) <= OCTAVE_STEP
    others = [key for key in range(30, 100) if key % 12 != 11]
    assert off_cents(synth, A, others) <= OCTAVE_STEP
    assert heard(synth, engine.feed(off(71), 2.0)) == [off(71)]
    assert engine.next_wake_s == pytest.approx(2.5)
    assert heard(synth, engine.wake(2.49)) == []
    assert off_cents(synth, D, [71]) <= OCTAVE_STEP
    heard(synth, engine.wake(2.5))
    assert off_cents(synth, A) <= OCTAVE_STEP
    assert engine.next_wake_s is None


def test_next_gives_a_new_strike_the_new_pitch_before_it_sounds() -> None:
    engine, _, _ = playing("note")
    engine.feed(on(71), 0.5)
    engine.change(A, 1.0, "next")
    engine.feed(off(71), 1.1)
    tuning, strike = [data for _, data in engine.feed(on(71), 1.2)]
    assert strike == on(71)
    assert len(tuning) == 12
    assert tuning[:5] == b"\xf0\x7f\x7f\x08\x02"
    assert tuning[7] == 71


@pytest.mark.parametrize(("pedal", "value"), [(64, 1), (64, 127), (69, 64), (66, 127)])
def test_next_waits_for_a_pedal(pedal: int, value: int) -> None:
    engine, synth, _ = playing("note")
    engine.feed(on(71), 0.1)
    engine.feed(bytes((0xB0, pedal, value)), 0.2)
    engine.feed(off(71), 0.3)
    heard(synth, engine.change(A, 5.0, "next"))
    assert off_cents(synth, D, [71]) <= STEP + 1e-9
    engine.feed(bytes((0xB0, pedal, 0)), 6.0)
    heard(synth, engine.wake(6.5))
    assert off_cents(synth, A, [71]) <= STEP + 1e-9


def test_next_waits_for_all_octaves_of_a_pitch_class_by_octave_messages() -> None:
    engine, synth, _ = playing("octave")
    engine.feed(on(71), 0.1)
    engine.feed(on(83, channel=3), 0.1)
    heard(synth, engine.change(A, 1.0, "next"))
    engine.feed(off(71), 1.0)
    heard(synth, engine.wake(2.0))
    assert off_cents(synth, D, [71, 83]) <= OCTAVE_STEP
    engine.feed(off(83, channel=3), 2.0)
    heard(synth, engine.wake(2.5))
    assert off_cents(synth, A) <= OCTAVE_STEP


@pytest.mark.parametrize("method", ["note", "octave"])
def test_glide_moves_sounding_notes_in_a_straight_line_of_cents(method: str) -> None:
    engine, synth, _ = playing(method)
    engine.feed(on(71), 0.5)
    before, after = synth.pitch(0, 71), semitones(A[71])
    heard(synth, engine.change(A, 1.0, "glide", 1.0))
    assert off_cents(synth, A, [61, 64, 69]) <= OCTAVE_STEP, "what does not sound is there at once"
    at_s = 1.0
    steps = 0
    while (wake_s := engine.next_wake_s) is not None:
        assert wake_s > at_s
        at_s = wake_s
        sent = heard(synth, engine.wake(at_s))
        assert all(len(message) in (12, 33) for message in sent)
        steps += 1
        line = before + (after - before) * min(at_s - 1.0, 1.0)
        assert abs(synth.pitch(0, 71) - line) * 100 <= 2 * OCTAVE_STEP + 1e-9
    assert at_s == pytest.approx(2.0, abs=0.021)
    assert steps >= 40
    assert off_cents(synth, A) <= OCTAVE_STEP


def test_a_second_change_takes_over_from_a_glide_where_it_is() -> None:
    engine, synth, _ = playing("note")
    engine.feed(on(71), 0.5)
    heard(synth, engine.change(A, 1.0, "glide", 1.0))
    heard(synth, engine.wake(1.5))
    midway = synth.pitch(0, 71)
    assert abs(midway - (semitones(D[71]) + semitones(A[71])) / 2) * 100 < 0.5
    heard(synth, engine.change(D, 1.5, "next"))
    assert synth.pitch(0, 71) == midway, "it stays where the glide was"
    heard(synth, engine.change(G, 1.6, "now"))
    assert off_cents(synth, G) <= STEP + 1e-9
    assert engine.next_wake_s is None


@pytest.mark.parametrize("mode", ["now", "next", "glide"])
def test_a_dump_does_not_move_sounding_notes_so_it_goes_out_whole_at_once(mode: str) -> None:
    engine, synth, _ = playing("dump", TIMIDITY)
    engine.feed(on(71), 0.5)
    sent = heard(synth, engine.change(A, 1.0, mode))  # type: ignore[arg-type]
    assert [len(message) for message in sent] == [408], "single note changes would move the note that sounds"
    assert off_cents(synth, A) <= STEP + 1e-9
    assert engine.next_wake_s is None


def test_a_dump_gives_way_to_small_messages_where_nothing_sounds_that_they_move() -> None:
    engine, synth, _ = playing("dump", TIMIDITY)
    other = list(D)
    other[60] *= 1.001
    engine.feed(on(71), 0.5)
    assert [len(message) for message in heard(synth, engine.change(other, 1.0))] == [12]
    engine.feed(on(60), 1.5)
    assert [len(message) for message in heard(synth, engine.change(D, 2.0))] == [408]


def test_a_slow_cable_never_keeps_a_note_waiting() -> None:
    """3,125 bytes a second and 60 ms between SysEx messages: a table takes a while, a note does not."""
    engine, synth, first = playing("note", DIN)
    assert max(map(len, first)) <= 516
    at_s = 0.0
    while (wake_s := engine.next_wake_s) is not None:
        at_s = max(at_s, wake_s)
        heard(synth, engine.wake(at_s))
    assert off_cents(synth, D, range(128)) <= STEP + 1e-9
    at_s += 1.0
    engine.feed(on(71), at_s)
    pieces = [(at_s, message) for message in heard(synth, engine.change(A, at_s))]
    assert len(pieces) == 1
    assert off_cents(synth, A, [71]) <= STEP + 1e-9, "what sounds comes first"
    assert heard(synth, engine.feed(on(70), at_s + 0.001)) == [on(70)]
    while (wake_s := engine.next_wake_s) is not None:
        pieces += [(wake_s, message) for message in heard(synth, engine.wake(wake_s))]
    assert off_cents(synth, A, range(128)) <= STEP + 1e-9
    for (early_s, message), (late_s, _) in itertools.pairwise(pieces):
        assert late_s - early_s >= max(0.06, len(message) / 3125) - 1e-9
        assert len(message) / 3125 <= 0.02


def test_a_newer_table_replaces_what_waits() -> None:
    engine, synth, _ = playing("note", DIN)
    heard(synth, engine.change(A, 10.0))
    heard(synth, engine.change(G, 10.01))
    for _ in range(200):
        wake_s = engine.next_wake_s
        if wake_s is None:
            break
        heard(synth, engine.wake(wake_s))
    assert off_cents(synth, G) <= STEP + 1e-9
    engine.change(A, 100.0)
    heard(synth, engine.change(G, 100.001))
    assert engine.next_wake_s is not None, "the piece of A that went out is taken back"


@pytest.mark.parametrize(
    "reset", ["f07e7f0901f7", "f07e7f0903f7", "f04110421240007f0041f7", "f043104c00007e00f7"]
)
def test_after_a_reset_everything_is_sent_again(reset: str) -> None:
    engine, synth, first = playing("note")
    sent = heard(synth, engine.feed(bytes.fromhex(reset), 1.0))
    assert sent == [bytes.fromhex(reset)]
    assert engine.next_wake_s == pytest.approx(1.1)
    assert heard(synth, engine.wake(1.05)) == []
    assert heard(synth, engine.wake(1.1)) == first
    assert off_cents(synth, D) <= STEP + 1e-9


def test_after_a_reset_a_note_does_not_come_before_its_tuning() -> None:
    engine, synth, first = playing("note")
    heard(synth, engine.feed(bytes.fromhex("f07e7f0901f7"), 1.0))
    engine.change(A, 1.01)
    sent = heard(synth, engine.feed(on(71), 1.02))
    assert sent[-1] == on(71)
    assert len(sent) == len(first) + 1
    assert off_cents(synth, A) <= STEP + 1e-9
    assert engine.next_wake_s is None


def test_channels_that_become_drums_are_put_aside_and_taken_back() -> None:
    engine, synth, _ = playing("note")
    sent = [
        m for data in (bytes((0xB3, 0, 120)), bytes((0xC3, 0))) for m in heard(synth, engine.feed(data, 1.0))
    ]
    assert sent[0] == bytes((0xB3, 0, 120))
    assert synth.pitch(3, 71) == 71.0
    assert off_cents(synth, D, channel=2) <= STEP + 1e-9
    for data in (bytes((0xB3, 0, 0)), bytes((0xC3, 0))):
        heard(synth, engine.feed(data, 2.0))
    assert off_cents(synth, D, channel=3) <= STEP + 1e-9


def test_drums_by_octave_messages_get_no_offsets() -> None:
    engine, synth, _ = playing("octave")
    for data in (bytes((0xB3, 0, 120)), bytes((0xC3, 0))):
        heard(synth, engine.feed(data, 1.0))
    heard(synth, engine.change(A, 1.5))
    assert synth.pitch(3, 71) == 71.0
    assert off_cents(synth, A, channel=2) <= OCTAVE_STEP
    for data in (bytes((0xB3, 0, 0)), bytes((0xC3, 0))):
        heard(synth, engine.feed(data, 2.0))
    assert off_cents(synth, A, channel=3) <= OCTAVE_STEP


def test_a_pitch_level_beyond_the_offsets_goes_into_fine_tuning_beside_the_players_own() -> None:
    flat = just(2, 146.5 * 2 ** (-90 / 1200))
    engine, synth, _ = playing("octave", hz=flat)
    assert off_cents(synth, flat) <= 2 * OCTAVE_STEP
    own = [bytes((0xB0, 101, 0)), bytes((0xB0, 100, 1)), bytes((0xB0, 6, 64)), bytes((0xB0, 38, 64))]
    for data in own:
        heard(synth, engine.feed(data, 1.0))
    raised = [hz * 2 ** (64 * 100 / 8192 / 1200) for hz in flat]
    assert off_cents(synth, raised) <= 3 * OCTAVE_STEP, "the player's own 0.83 cents come on top"
    assert synth.rpn[0] == (0, 1), "and his parameter is still selected"
    assert off_cents(synth, flat, channel=1) <= 2 * OCTAVE_STEP
    heard(synth, engine.stop(2.0))
    assert abs(synth.pitch(0, 60) - 60 - 64 / 8192) < 1e-9
    assert synth.pitch(1, 60) == 60.0


def test_what_is_played_passes_through_in_order_as_the_same_object() -> None:
    engine, _, _ = playing("note")
    for data in (
        on(60),
        off(60),
        b"\xa0\x3c\x10",
        b"\xd0\x20",
        b"\xe0\x01\x40",
        b"\xb0\x07\x64",
        b"\xf8",
        b"\xf2\x01\x02",
    ):
        assert [message for _, message in engine.feed(data, 1.0)] == [data]
        assert engine.feed(data, 1.0)[0][1] is data


@pytest.mark.parametrize(
    "data",
    [
        b"",
        b"\x90",
        b"\x90\x3c",
        b"\x90\x3c\x80",
        b"\x3c\x40\x40",
        b"\x90\x3c\x40\x00",
        b"\xf0\x01",
        b"\xc0\x90",
    ],
)
def test_what_is_no_message_changes_nothing(data: bytes) -> None:
    engine, _, _ = playing("note")
    assert engine.feed(data, 1.0) == []
    assert engine.at_rest


def test_leaving_ends_notes_on_their_channels_lifts_pedals_and_puts_the_tuning_back() -> None:
    engine, synth, _ = playing("note")
    for channel in range(1, 9):
        engine.feed(on(60 + channel, channel), 1.0)
    engine.feed(on(64, 1), 1.0)
    engine.feed(on(64, 1), 1.1)
    engine.feed(bytes((0xB4, 64, 127)), 1.2)
    heard(synth, engine.feed(bytes((0xE2, 0, 80)), 1.2))
    sent = heard(synth, engine.stop(2.0))
    for channel in range(1, 9):
        assert bytes((0x80 | channel - 1, 60 + channel, 64)) in sent
    assert sent.count(bytes((0x80, 64, 64))) == 2
    assert bytes((0xB4, 64, 0)) in sent
    assert bytes((0xE2, 0, 64)) in sent
    assert all(abs(synth.pitch(channel, key) - key) < 1e-9 for channel in range(16) for key in range(128))
    assert engine.at_rest
    assert engine.next_wake_s is None
    assert engine.stop(3.0) == []


@pytest.mark.parametrize("method", ["note", "octave", "dump"])
def test_a_tuning_that_is_known_is_put_back(method: str) -> None:
    before = [max(round(semitones(hz) * 16384), 0) for hz in G]
    engine, synth, _ = playing(method)
    engine.put_back(before)  # type: ignore[attr-defined]
    heard(synth, engine.change(A, 1.0))
    heard(synth, engine.stop(2.0))
    if method == "octave":
        assert synth.program(0, 0)[60] == pytest.approx(semitones(G[60]), abs=1e-4)
        assert all(offset == 0 for offset in synth.offsets[0])
    else:
        assert off_cents(synth, G) <= STEP + 1e-9


def test_leaving_a_slow_synth_is_paced() -> None:
    engine, _, _ = playing("note", DIN)
    times = [due_s for due_s, data in engine.stop(100.0) if data[0] == 0xF0]
    assert times[0] == 100.0
    assert all(late - early >= 0.06 for early, late in itertools.pairwise(times))


def test_plain_holds_what_makes_a_sound_waver_at_nought() -> None:
    engine = MtsLiveEngine(FULL, D, "note", plain=True)
    sent = [data for _, data in engine.start(0.0)]
    assert all(bytes((0xB0, number, 0)) in sent for number in (1, 93, 94))
    assert bytes((0xB9, 1, 0)) not in sent, "drums are left alone"
    assert engine.feed(bytes((0xB0, 1, 100)), 1.0) == [(1.0, bytes((0xB0, 1, 0)))]
    assert engine.feed(bytes((0xB0, 7, 100)), 1.0) == [(1.0, bytes((0xB0, 7, 100)))]


def test_what_sounds_is_told_with_its_cents() -> None:
    engine, _, _ = playing("note")
    engine.feed(on(71, 2), 1.0)
    engine.feed(on(50, 10), 1.0)
    ((channel, key, out, cents),) = engine.sounding()
    assert (channel, key, out) == (2, 71, 2)
    assert cents == pytest.approx((semitones(D[71]) - 71) * 100, abs=STEP)


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(MethodProblem, match="sends no MIDI Tuning"):
        MtsLiveEngine(FULL, D, "bend")
    with pytest.raises(MethodProblem, match="no channel is left"):
        MtsLiveEngine(FULL, D, "note", channels=[10])
    with pytest.raises(MethodProblem, match="takes SysEx up to 100"):
        MtsLiveEngine(replace(FULL, sysex_max_bytes=100), D, "dump")
    engine, synth, _ = playing("octave")
    pinned = list(A)
    pinned[71] *= 1.01
    with pytest.raises(MethodProblem, match="does not repeat at the octave"):
        engine.change(pinned, 1.0)
    assert off_cents(synth, D) <= OCTAVE_STEP
    assert engine.next_wake_s is None
    with pytest.raises(ValueProblem, match="now, next or glide"):
        engine.change(A, 1.0, "soon")  # type: ignore[arg-type]
    with pytest.raises(ValueProblem, match="out of range"):
        engine.change(A, 1.0, "glide", math.nan)


def test_long_messages_are_divided_where_a_synth_takes_short_ones_only() -> None:
    engine, synth, first = playing("note", replace(FULL, sysex_max_bytes=64))
    assert max(len(message) for message in first) <= 64
    assert off_cents(synth, D) <= STEP + 1e-9
    sent = heard(synth, engine.change(A, 1.0))
    assert max(map(len, sent)) <= 64
    assert off_cents(synth, A) <= STEP + 1e-9


def test_the_stretch_of_a_sampled_instrument_is_taken_off() -> None:
    stretch = tuple((key - 60) / 10 for key in range(128))
    _, synth, _ = playing("note", replace(FULL, key_stretch_cents=stretch))
    for key in (30, 60, 90):
        assert synth.pitch(0, key) * 100 + stretch[key] == pytest.approx(
            semitones(D[key]) * 100, abs=STEP + 1e-9
        )
