"""The two example pieces that change key: written the same every time, told, cured by what is told, and followed."""

from __future__ import annotations

import runpy
from pathlib import Path

import pytest
from jobs.test_follow_harmony import OPEN_D
from support import written

from bridge.harmony.asked import FollowRequest
from bridge.jobs.retune import retune_file
from bridge.jobs.retuned import RetuneRequest
from bridge.tuning.changes import parse_at

FOLDER = Path(__file__).resolve().parents[2] / "examples" / "harmony"
NAMES = ("over-the-weir", "lee-shore")


def test_the_tracks_are_what_the_text_says(tmp_path: Path) -> None:
    script = runpy.run_path(str(FOLDER / "two_keys.py"), run_name="example")
    for tune in script["TUNES"]:
        track = script["write"](tune, tmp_path)
        assert track.read_bytes() == (FOLDER / "tracks" / track.name).read_bytes()
    assert {path.stem for path in (FOLDER / "tracks").glob("*.mid")} == set(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_what_is_told_comes_true_in_the_written_file(name: str, tmp_path: Path) -> None:
    track = FOLDER / "tracks" / f"{name}.mid"
    request = RetuneRequest(spec=OPEN_D, method="note")
    told = retune_file(track, tmp_path / "fixed.mid", request, listen=True).told[0]
    fixed = written.share(written.sounding(tmp_path / "fixed.mid"))
    assert told.measured is not None
    assert told.measured.share == pytest.approx(fixed, abs=0.005)
    assert fixed < 0.9
    # The line of changes, pasted.
    assert told.advice is not None
    assert told.advice.changes
    changes = tuple(parse_at(str(change)) for change in told.advice.changes)
    retune_file(track, tmp_path / "at.mid", RetuneRequest(spec=OPEN_D, method="note", at=changes))
    assert written.share(written.sounding(tmp_path / "at.mid")) == pytest.approx(
        told.advice.changes_share, abs=0.02
    )
    # Followed: pure, the open strings D, F# and A where they were, nothing that sounds moves.
    request = RetuneRequest(spec=OPEN_D, method="note", follow_harmony=FollowRequest())
    retune_file(track, tmp_path / "followed.mid", request)
    notes = written.sounding(tmp_path / "followed.mid")
    assert written.share(notes) == 1.0
    assert max(note.moved_cents for note in notes) < 0.02
    plain = {note.key: note.cents for note in written.sounding(tmp_path / "fixed.mid")}
    for note in notes:
        if note.key % 12 in (2, 6, 9):
            assert note.cents == pytest.approx(plain[note.key], abs=0.01)
