"""Where the sound system is broken, a synth is examined by asking the player."""

from __future__ import annotations

import pytest

from bridge.errors import PortProblem
from bridge.live.probe import open as probe_open
from bridge.sound.device.asking import BROKEN


def test_it_is_not_asked_for_an_input(monkeypatch: pytest.MonkeyPatch) -> None:
    def ask(*_: object) -> None:
        raise AssertionError("asked a broken sound system")

    monkeypatch.setattr(probe_open, "sound_problem", lambda which: BROKEN)
    monkeypatch.setattr(probe_open, "sound_inputs", ask)
    monkeypatch.setattr(probe_open, "pick_input", ask)
    assert probe_open._find_input(None, "synth") == (None, BROKEN)
    with pytest.raises(PortProblem, match="answer by ear"):
        probe_open._find_input("mic", "synth")
