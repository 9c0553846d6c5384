"""What independent synths make of the bytes: the facts that the measured profiles state, heard again.

FluidSynth 2.3.1, TiMidity++ 2.14 and tinysoundfont 0.3.7 are receivers that share no code with this project. Six notes
sound together, each on a channel of its own; the tone is a single looped sine, so that its pitch is exact.
"""

from pathlib import Path

import pytest
from support import measure, synths

from bridge.store.profiles import load_profile
from bridge.wire import bend, mts, rpn
from bridge.wire.frequency import frequency_data_to_cents, hz_to_frequency_data

KEYS = (45, 52, 57, 64, 69, 76)
# Five-limit offsets of E, A, C sharp and so on, and two wide ones, in cents.
OFFSETS_CENTS = (-13.686, 1.955, 15.641, -31.174, 84.467, -97.3)
RENDERERS = {
    "fluidsynth": synths.render_fluidsynth,
    "timidity": synths.render_timidity,
    "tinysoundfont": synths.render_tinysoundfont,
}


def key_hz(key):
    return 440.0 * 2.0 ** ((key - 69) / 12)


def sounded_cents(name, setup, font, near_cents=(0.0,) * 6):
    """Play six notes after some messages; return how far each lies from equal temperament, found near `near_cents`."""
    events = [(0.1, message) for message in setup]
    events += [(0.5, bytes((0x90 | at, key, 100))) for at, key in enumerate(KEYS)]
    events += [(3.5, bytes((0x80 | at, key, 0))) for at, key in enumerate(KEYS)]
    sound = RENDERERS[name](events, font)
    near_hz = [key_hz(key) * 2 ** (cents / 1200) for key, cents in zip(KEYS, near_cents, strict=True)]
    found = sound.tones_hz(near_hz, 1.0, 2.0)
    return [measure.cents(hz, key_hz(key)) for hz, key in zip(found, KEYS, strict=True)]


def bent(range_semitones, scale=1.0, offsets=OFFSETS_CENTS):
    """Messages that bend six channels, and the offsets that they say, in cents."""
    messages, said = [], []
    for channel, cents in enumerate(offsets, 1):
        value, _ = bend.bend_value(cents / scale, range_semitones)
        messages += [*rpn.bend_range(channel, range_semitones), bend.bend_message(channel, value)]
        said.append((value - 8192) * range_semitones * 100 / 8192 * scale)
    return messages, said


@pytest.mark.parametrize("range_semitones", [2, 12, 24])
def test_fluidsynth_bends_by_the_share_in_its_profile_and_rounds_down(range_semitones, sine_font: Path):
    profile = load_profile("fluidsynth")
    messages, said = bent(range_semitones, profile.bend_scale)
    found = sounded_cents("fluidsynth", messages, sine_font, OFFSETS_CENTS)
    for heard_cents, said_cents in zip(found, said, strict=True):
        assert -profile.rounding_cents - 0.02 <= heard_cents - said_cents <= 0.02


def test_fluidsynth_falls_short_without_that_share(sine_font: Path):
    """The control: taken at its word, a bend of 9 semitones ends 7 cents flat."""
    offsets = (900.0, 900.0, 0.0, 0.0, 0.0, 0.0)
    messages, said = bent(12, offsets=offsets)
    found = sounded_cents("fluidsynth", messages, sine_font, offsets)
    assert found[0] - said[0] == pytest.approx(-900 / 128, abs=1.02)
    assert found[0] - said[0] < -6


@pytest.mark.parametrize("range_semitones", [2, 12, 24])
def test_timidity_bends_within_its_resolution(range_semitones, sine_font: Path):
    assert load_profile("timidity").bend_range_max_semitones == 24
    messages, said = bent(range_semitones)
    found = sounded_cents("timidity", messages, sine_font, OFFSETS_CENTS)
    assert found == pytest.approx(said, abs=0.55)


def test_timidity_bends_half_as_far_at_48_semitones(sine_font: Path):
    messages, said = bent(48)
    halves = tuple(cents / 2 for cents in said)
    found = sounded_cents("timidity", messages, sine_font, halves)
    assert found == pytest.approx(halves, abs=0.55)


@pytest.mark.fetched
@pytest.mark.parametrize("range_semitones", [2, 4, 12])
def test_tinysoundfont_bends_half_a_step_sharp(range_semitones, sine_font: Path):
    messages, said = bent(range_semitones)
    found = sounded_cents("tinysoundfont", messages, sine_font, OFFSETS_CENTS)
    half_step = range_semitones * 100 / 8192 / 2
    assert found == pytest.approx([cents + half_step for cents in said], abs=0.03)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("fluidsynth", -1.02, 0.02),
        pytest.param("tinysoundfont", -0.006, 0.006, marks=pytest.mark.fetched),
    ],
)
def test_channel_fine_tuning_arrives_whole(name, low, high, sine_font: Path):
    """Both halves of the value arrive, whichever half the synth acts on."""
    messages = [
        message for at, cents in enumerate(OFFSETS_CENTS, 1) for message in rpn.fine_tuning(at, cents)
    ]
    found = sounded_cents(name, messages, sine_font, OFFSETS_CENTS)
    for heard_cents, said_cents in zip(found, OFFSETS_CENTS, strict=True):
        assert low - 0.0062 <= heard_cents - said_cents <= high + 0.0062


def test_timidity_takes_master_fine_tuning(sine_font: Path):
    assert load_profile("timidity").fine_tuning == "master"
    for cents in (-33.0, 27.5):
        found = sounded_cents("timidity", [mts.encode(mts.MasterFineTuning(0x7F, cents))], sine_font)
        assert found == pytest.approx([cents] * 6, abs=0.35)


def tuned_keys():
    """Pairs of key and frequency data for the six keys, and the cents above key 0 that they say."""
    pairs = [
        (key, hz_to_frequency_data(key_hz(key) * 2 ** (cents / 1200))[0])
        for key, cents in zip(KEYS, OFFSETS_CENTS, strict=True)
    ]
    return tuple(pairs), {key: frequency_data_to_cents(data) for key, data in pairs}


@pytest.mark.parametrize(
    "message",
    [
        mts.NoteTuning(0x7F, 0, tuned_keys()[0]),
        mts.NoteTuning(0x7F, 0, tuned_keys()[0], bank=0),
        mts.NoteTuning(0x7F, 0, tuned_keys()[0], bank=0, realtime=False),
    ],
)
def test_fluidsynth_stores_single_notes_exactly(message):
    said = tuned_keys()[1]
    table = synths.fluid_stored_table([mts.encode(message)])
    expected = [said.get(key, 100.0 * key) for key in range(128)]
    assert list(table) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("form", [1, 2])
def test_fluidsynth_stores_octaves_exactly(form):
    offsets = [
        mts.cents_to_offset(cents, form)[0]
        for cents in (0, -11.7, 3.9, 15.6, -13.7, -2, -9.8, 2, 13.7, -15.6, 17.6, -11.7)
    ]
    message = mts.OctaveTuning(0x7F, tuple(range(1, 17)), tuple(offsets), form)
    table = synths.fluid_stored_table([mts.encode(message)])
    expected = [100.0 * key + message.offsets_cents[key % 12] for key in range(128)]
    assert list(table) == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize("bank", [None, 0])
def test_fluidsynths_reply_is_read(bank):
    """Ask for the table it has stored: every key comes back, and its own kind of checksum counts as right."""
    with synths.FluidSynthLibrary() as synth:
        synth.send(mts.encode(mts.NoteTuning(0x7F, 0, tuned_keys()[0])))
        reply = mts.decode(synth.send(mts.encode(mts.DumpRequest(0x7F, 0, bank))))
    assert isinstance(reply, mts.BulkDump)
    assert reply.checksum_ok
    assert reply.bank == bank
    said = tuned_keys()[1]
    for key, data in enumerate(reply.data):
        # it cuts fractions off, a step at most
        assert 0 <= said.get(key, 100.0 * key) - frequency_data_to_cents(data) <= 0.0062


@pytest.mark.parametrize(("name", "low", "high"), [("fluidsynth", -1.02, 0.02), ("timidity", -0.05, 0.05)])
def test_single_notes_sound(name, low, high, sine_font: Path):
    profile = load_profile(name)
    messages = [mts.encode(mts.NoteTuning(profile.device_id, profile.program, tuned_keys()[0]))]
    for channel in range(1, 7):
        messages += rpn.select_tuning(
            channel, profile.bank, profile.program, profile.select == "bank+program"
        )
    found = sounded_cents(name, messages, sine_font, OFFSETS_CENTS)
    for heard_cents, said_cents in zip(found, OFFSETS_CENTS, strict=True):
        assert low <= heard_cents - said_cents <= high


def test_timidity_takes_a_dump(sine_font: Path):
    said = dict(tuned_keys()[0])
    data = tuple(said.get(key, key << 14) for key in range(128))
    messages = [mts.encode(mts.BulkDump(0x7F, 0, "open d", data))]
    for channel in range(1, 7):
        messages += rpn.select_tuning(channel, 0, 0, bank_rpn=False)
    found = sounded_cents("timidity", messages, sine_font, OFFSETS_CENTS)
    assert found == pytest.approx(OFFSETS_CENTS, abs=0.05)


def test_fluidsynth_ignores_a_dump():
    dump = mts.BulkDump(0x7F, 0, "open d", tuple(key << 14 | 77 for key in range(128)))
    with synths.FluidSynthLibrary() as synth:
        synth.send(mts.encode(mts.NoteTuning(0x7F, 0, ((60, 60 << 14),))))
        assert synth.send(mts.encode(dump)) == b""
        assert list(synth.stored_table()) == [100.0 * key for key in range(128)]
