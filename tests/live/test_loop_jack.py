"""A loop that is made while somebody plays: on a real JACK server, our own output patched into our own input."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
from support import jack
from support.live import LiveRun, until

pytestmark = pytest.mark.jack


@pytest.mark.parametrize("method", ["note", "bend"])
def test_a_patch_that_makes_a_loop_cuts_the_input_and_not_the_show(method: str, tmp_path: Path) -> None:
    with jack.JackServer() as server, jack.JackTap(server) as tap, jack.JackTap(server, name="box") as box:
        ours_out = f"{server.client('stillbeat')} synth:synth"
        ours_in = f"{server.client('stillbeat')} keyboard:keyboard"
        with LiveRun(
            server.env,
            tmp_path / "state",
            *("--guitar", "open-d", "--in", tap.midi_out, "--out", box.midi_in, "--synth", "fluidsynth"),
            *("--method", method, "--also", "A"),
        ) as run:
            run.ready()

            def notes() -> list[bytes]:
                return [data for _, data in box.heard() if data[0] < 0xA0]

            until(lambda: run.began_s + 2.5 < time.monotonic(), what="the beginning is over")
            box.start()
            tap.connect(ours_out, ours_in)
            tap.send(bytes((0x90, 50, 100)), bytes((0x90, 57, 90)))
            run.wait("comes back on .* a MIDI loop", limit_s=4.0)
            run.say("2")
            run.wait("table 2  A")
            until(lambda: _balance(notes()) == {}, what="what circled sounds on")
            count = len(notes())
            tap.send(bytes((0x90, 60, 100)), bytes((0x80, 60, 0)))
            tap.disconnect(ours_out, ours_in)
            run.wait("nothing comes back any more", limit_s=10.0)
            assert len(notes()) == count, "the input was not cut"
            tap.send(bytes((0x90, 62, 100)), bytes((0x80, 62, 0)))
            until(lambda: len(notes()) == count + 2, what="the keyboard is not heard again")
            run.say("quit")
            assert run.exit_code() == 0
            assert run.errors() == ""


def _balance(notes: list[bytes]) -> dict[tuple[int, int], int]:
    """Strikes less ends, by channel and key, where they differ."""
    counts: dict[tuple[int, int], int] = {}
    for data in notes:
        place = (data[0] & 15, data[1])
        counts[place] = counts.get(place, 0) + (1 if data[0] & 0x10 and data[2] else -1)
    return {place: count for place, count in counts.items() if count > 0}
