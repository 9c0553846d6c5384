"""A chart led by hand and foot, heard: FluidSynth on a JACK server, recorded, and the commands as their users run them.

Expected ratios above D: E minor is pure as 10/9, 4/3, 5/3, G as 4/3, 5/3, 1 (five-limit just intonation). FluidSynth
2.3.1 sounds whole cents, rounded down or to the nearest: a pitch may lie up to a cent beside the table.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from support import jack, measure
from support.live import LiveRun, until
from support.obedient import ObedientSynth

pytestmark = pytest.mark.jack

D3_HZ = 146.5
TABLE = ("--guitar", "open-d", "--reference", "D3=146.5")
SONG = ("--chart", "| D | Em G | A | D |")


@pytest.fixture(scope="module")
def server() -> Iterator[jack.JackServer]:
    with jack.JackServer() as one:
        yield one


def test_the_drone_of_a_chart_is_heard_and_led_by_key(
    server: jack.JackServer, organ_font: Path, tmp_path: Path
) -> None:
    with jack.JackTap(server) as tap, jack.JackFluidSynth(server, organ_font) as synth:
        tap.listen_to(synth)
        with LiveRun(
            server.env,
            tmp_path,
            *("1", "5", *TABLE, *SONG, "--lines"),
            *("--out", "synth", "--synth", "fluidsynth", "--method", "note"),
            command="drone",
        ) as run:
            run.ready()
            run.wait(r"^now D  \(bar 1\)   next Em  \(bar 2\)")
            found = [heard(tap, 3.0)]
            run.say("chord")
            run.wait(r"^now Em  \(bar 2\)   next G  \(bar 2\)")
            found.append(heard(tap, 1.0))
            run.say("next")  # there is no other table: the next one is the next chord
            run.wait(r"^now G  \(bar 2\)   next A  \(bar 3\)")
            found.append(heard(tap, 1.0))
            run.say("quit")
            assert run.exit_code() == 0
            assert run.errors() == ""
    for sound, ratios in zip(found, ((1.0, 1.5), (10 / 9, 5 / 3), (4 / 3, 2.0)), strict=True):
        wanted = [D3_HZ * ratio for ratio in ratios]
        tones = sound.tones_hz(wanted, 0.0, 1.0)
        for one, other in zip(tones, wanted, strict=True):
            assert abs(measure.cents(one, other)) < 1.05


def heard(tap: jack.JackTap, fade_s: float) -> jack.Recording:
    """Record a chord once it has risen."""
    time.sleep(fade_s)
    return tap.record(1.2)


def test_a_foot_leads_and_every_stroke_has_the_pitch_of_its_chord(
    server: jack.JackServer, tmp_path: Path
) -> None:
    with jack.JackTap(server) as tap:
        tap.start()
        with LiveRun(
            server.env,
            tmp_path,
            *("--in", "tap", "--out", "tap", *TABLE, *SONG, "--follow-harmony", "--foot", "66=next-chord"),
            *("--synth", "full-midi-tuning", "--method", "bend", "--lines"),
        ) as run:
            run.ready()
            note, off = bytes((0x90, 64, 80)), bytes((0x80, 64, 0))
            tap.send(note, off, bytes((0xB0, 66, 127)), bytes((0xB0, 66, 0)))
            run.wait("^now Em")
            tap.send(note, off)
            until(lambda: sum(data[0] & 0xF0 == 0x90 and data[1] == 64 for _, data in tap.heard()) == 2)
            run.say("quit")
            assert run.exit_code() == 0
        heard = [data for _, data in tap.heard()]
    paper, struck = ObedientSynth(), []
    for data in heard:
        paper.feed(data)
        if data[0] & 0xF0 == 0x90 and data[2]:
            struck.append(100 * paper.pitch(data[0] & 15, data[1]))
    assert struck[0] - struck[1] == pytest.approx(21.506, abs=0.05), "a comma: 9/8, and 10/9 under E minor"
    assert not any(data[0] & 0xF0 == 0xB0 and data[1:] == b"\x42\x7f" for data in heard), (
        "the foot is no music"
    )
