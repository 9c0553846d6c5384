"""A session whose tracks follow their harmony: built, read back by the tests' own reader, verified, and told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile
from jobs.test_follow_harmony import at, write_piece
from support import measure, written
from support.synths import Rendering

from bridge.errors import InputProblem
from bridge.harmony.choice import follow as following
from bridge.jobs.session.build import build_session
from bridge.jobs.session.check import check_session
from bridge.jobs.session.manifest import Manifest
from bridge.jobs.session.music import _as_entries
from bridge.jobs.session.paper.pages import Sheets
from bridge.jobs.session.reading_back.verify import verify_session
from bridge.jobs.session.workers import Crew
from bridge.sheet.html import sheet_html

HEAD = """\
schema = 1
title = "Following"
pages = false

[trims]
range_cents = 5

[[synths]]
profile = "timidity"

[[synths]]
profile = "bend-only"

[[pieces]]
title = "Pump"
tonic = "C"
track = "pump-x4.mid"
"""


def session(folder: Path, *entries: str) -> Path:
    write_piece(folder, "pump-x4")
    file = folder / "following.toml"
    file.write_text(HEAD + "\n".join(entries) + "\n", encoding="utf-8")
    return file


@pytest.mark.slow
def test_a_track_that_follows_is_built_told_and_verified(tmp_path: Path) -> None:
    file = session(tmp_path, "follow_harmony = true")
    built = build_session(file, tmp_path / "out", processes=1)
    for synth in ("timidity", "bend-only"):
        notes = written.sounding(tmp_path / "out" / "synths" / synth / "01-pump.track.mid")
        assert written.share(notes) == 1.0
        c = next(iter(at(notes, 0.0, "C")))
        assert at(notes, 4.0, "D") == {round(c - 17.6, 1)}  # 10/9 above C
    trimmed = written.sounding(
        tmp_path / "out" / "trims" / "plus-05-cents" / "timidity" / "01-pump.track.mid"
    )
    assert written.share(trimmed) == 1.0
    assert built.music[1][0].startswith("100 % of the held thirds")
    assert any(
        "leaves the table in bar" in notice
        and notice.endswith("whoever holds the piece's table differs from it there: timidity, bend-only")
        for notice in built.notices
    ), "the others are named, and the bars"
    assert verify_session(tmp_path / "out").problems == []
    # The same session as before follows nothing, and says what following would bring.
    plain = session(tmp_path)
    again = build_session(plain, tmp_path / "out", overwrite=True, processes=1)
    assert "`follow_harmony = true` makes it 100 %" in " ".join(again.music[1])
    assert again.music == check_session(plain, listen=True).music
    assert verify_session(tmp_path / "out").problems == []


def said_of(file: Path, folder: Path, processes: int) -> tuple[list[tuple[str, float]], list[float]]:
    """Build a session; return what was said of long searches, and how far the whole was from time to time."""
    long: list[tuple[str, float]] = []
    far: list[float] = []
    build_session(
        file,
        folder,
        processes=processes,
        beforehand=lambda title, seconds: long.append((title, seconds)),
        progress=lambda _, done: far.append(done),
    )
    return long, far


def test_a_long_search_is_said_beforehand_and_done_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(following, "LONG_S", 0.0)
    real, searches = following.best_choices, []
    monkeypatch.setattr(following, "best_choices", lambda *given: (searches.append(1), real(*given))[1])
    file = session(tmp_path, "follow_harmony = true")
    long, far = said_of(file, tmp_path / "out", 1)
    assert [title for title, _ in long] == ["Pump"] * len(searches)
    # By pitch bend with channels to spare, and by messages, the same search serves; so for every synth and trim.
    assert len(searches) == 1
    assert all(seconds > 0 for _, seconds in long)
    assert far == sorted(far)
    assert any(0.0 < done < 0.5 for done in far), "it moves while the piece is worked on"
    checked: list[str] = []
    check_session(file, listen=True, beforehand=lambda title, _: checked.append(title))
    assert checked == ["Pump"]


def speaks(job: int, say: Callable[[int], None]) -> int:
    say(10 * job)
    return -job


@pytest.mark.parametrize("processes", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_what_other_processes_say_is_heard_before_they_are_done(processes: int) -> None:
    heard: list[int] = []
    with Crew(processes) as crew:
        for job, done in crew.run(speaks, range(5), 5, say=heard.append):
            assert done == -job
            assert 10 * job in heard
    assert sorted(heard) == [0, 10, 20, 30, 40]


@pytest.mark.slow
def test_how_to_follow_and_what_a_drone_holds(tmp_path: Path) -> None:
    # The pump needs D on 10/9; a drone that holds D keeps it, and the guitar's other strings do not matter here.
    file = session(tmp_path, 'drone = "1,2"', "[pieces.follow_harmony]", 'pinned = "tonic"', 'moves = "many"')
    build_session(file, tmp_path / "out", processes=1)
    notes = written.sounding(tmp_path / "out" / "synths" / "timidity" / "01-pump.track.mid")
    assert len({round(note.offset_cents, 1) for note in notes if note.key % 12 == 2}) == 1
    assert verify_session(tmp_path / "out").problems == []


@pytest.mark.parametrize(
    ("entries", "says"),
    [
        (("follow_harmony = true", "follow_key_signatures = true"), "choose one"),
        (("[pieces.follow_harmony]", 'pinned = "sting"'), "line 19: pinned = 'sting'.*strings"),
        (("[pieces.follow_harmony]", 'moves = "lots"'), "few"),
        (("[pieces.follow_harmony]", "natural_sevenths = 7"), "natural_sevenths"),
        (("follow_harmony = 3",), "follow_harmony"),
    ],
)
def test_what_is_refused(entries: tuple[str, ...], says: str, tmp_path: Path) -> None:
    with pytest.raises(InputProblem, match=says):
        check_session(session(tmp_path, *entries))


def test_a_chart_in_the_session_names_the_chords(tmp_path: Path) -> None:
    file = session(tmp_path, 'chords = """', "| C | Am | Dm | G |", '"""')
    checked = check_session(file, listen=True)
    piece = checked.plan.session.pieces[0]
    assert piece.chart is not None
    assert [str(bar) for bar in piece.chart.bars] == ["C", "Am", "Dm", "G"]
    assert piece.chords == ("C", "Am", "Dm", "G")
    with pytest.raises(InputProblem, match="line 18: chords: chart, line 1: 'Xm'"):
        check_session(session(tmp_path, 'chords = "| Xm |"'))


@pytest.mark.slow
def test_a_drone_follows_the_chart_along_the_track(tmp_path: Path) -> None:
    # The track's chords are I vi ii V, a bar of two seconds each. Above C: D minor has its root at 10/9.
    entries = ('chords = "| C | Am | Dm | G |"', 'drone = ["1", "5"]', "follow_harmony = true")
    folder = tmp_path / "out"
    build_session(session(tmp_path, *entries), folder, processes=1)
    sound = Rendering(*soundfile.read(folder / "drones" / "01-pump.along-the-track.wav", always_2d=True))
    c = 440.0 * 2 ** (-9 / 12) / 2
    for start_s, root in ((0.0, 1.0), (2.0, 5 / 3), (4.0, 10 / 9), (6.0, 3 / 2)):
        wanted = [c * root, c * root * 1.5]
        found = sound.tones_hz(wanted, start_s + 0.7, 0.8)
        for one, other in zip(found, wanted, strict=True):
            assert abs(measure.cents(one, other)) <= 0.2
    text = (folder / "START-HERE.txt").read_text(encoding="utf-8")
    assert "drones/01-pump.along-the-track.wav" in text
    assert verify_session(folder).problems == []
    notes = written.sounding(folder / "synths" / "bend-only" / "01-pump.track.mid")
    assert written.share(notes) == 1.0, "the drone goes with the chords and holds none of them"


def test_the_chords_of_a_chart_stand_on_the_sheet_whatever_their_kind(tmp_path: Path) -> None:
    names = ("D5", "G6", "A9", "Em7", "Dsus4", "Dadd9", "Gmaj7")
    file = tmp_path / "kinds.toml"
    file.write_text(
        'schema = 1\ntitle = "Kinds"\nguitar = "open-d"\nreference = "D3=146.5"\n[[pieces]]\ntitle = "One"\n'
        f'chords = "| {" | ".join(names)} | % | D5 |"\n',
        encoding="utf-8",
    )
    plan = check_session(file).plan
    sheet = Sheets(plan, Manifest()).piece(plan.pieces[0])
    assert sheet.tables[0].chords == names
    text = sheet_html([sheet])
    assert [name for name in names if name in text] == list(names)


def test_advice_is_said_as_a_session_file_has_it() -> None:
    said = _as_entries(
        "--tonic G makes it 89 %; --at 5=A --at 10=F# makes it 100 %; --follow-harmony makes it 99 %"
    )
    assert said == (
        '`tonic = "G"` makes it 89 %; sections at bar 5 `tonic = "A"`, bar 10 `tonic = "F#"` makes it 100 %; '
        "`follow_harmony = true` makes it 99 %"
    )
