"""After a crash of everything an evening goes on where it was, with the reference that was heard; never unasked."""

from __future__ import annotations

import fcntl
import os
import pty
import select
import signal
import subprocess
import sys
import termios
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile
from support import jack, measure, takes
from support.fake_ports import Desk, FakeSystem
from support.live import LiveRun, player_pid

from bridge.engine.play.chart_plan import ChartPlan, ChordStep
from bridge.engine.play.tables import Kept
from bridge.live.desk.book import Book
from bridge.live.left_off import LeftOff, LeftOffFile
from bridge.live.plan import LivePlan, TablesDrone
from bridge.live.player.player import Player
from bridge.live.prepare.evening import EveningRequest, prepare_evening
from bridge.live.prepare.go_on import go_on, place_of, place_words
from bridge.live.prepare.keyboard import Prepared
from bridge.live.snapshot import DroneShown, Snapshot

EVENING = Path(__file__).resolve().parents[2] / "examples" / "evening"
D3 = 146.5
LEFT = LeftOff(
    at_s=1_700_000_000.0,
    piece="Slate Roof Blues",
    section="bar 9, Turnaround",
    number=13,
    chord=3,
    trim_cents=1.5,
    drone_on=True,
    drone_volume=40,
    key=50,
    hz=D3 * 2 ** (8 / 1200),
)


@pytest.fixture(scope="module")
def prepared() -> Prepared:
    return prepare_evening(EveningRequest(file=EVENING / "evening.toml", in_port="keys"))


def drone_sounds(plan: LivePlan) -> bool:
    """Tell whether a plan's drone sounds from the beginning."""
    assert isinstance(plan.drone, TablesDrone)
    return plan.drone.on


def again() -> Prepared:
    return prepare_evening(EveningRequest(file=EVENING / "evening.toml", in_port="keys"))


@pytest.fixture
def file(tmp_path: Path) -> LeftOffFile:
    return LeftOffFile(tmp_path / "state", EVENING / "evening.toml", "Organ")


def test_it_goes_on_at_the_section_with_the_reference_that_was_heard() -> None:
    prepared = go_on(again(), LEFT)
    plan = prepared.plan
    assert plan.kept == Kept(13, None, False, 1.5)
    assert plan.chord == 3
    assert go_on(again(), replace(LEFT, section="bar 40")).plan.chord == 0, "that section is gone"
    assert drone_sounds(plan)
    assert plan.drone is not None
    assert plan.drone.volume == 40, "as loud as it was, and no louder"
    assert plan.tables[12].hz[50] == pytest.approx(D3 * 2 ** (8 / 1200))
    assert any("8.0 cents higher than in the file" in notice for notice in prepared.notices)
    assert prepared.listening is not None
    heard = prepared.listening.heard_reference
    assert heard is not None
    assert (heard.key, heard.hz) == (50, pytest.approx(LEFT.hz))
    back = prepared.listening.undo()
    assert back is not None
    assert back.tables is not None
    assert back.tables.tables[12].hz[50] == pytest.approx(D3), "u takes it back"


def test_it_goes_on_at_the_chord_of_the_chart_and_says_so(tmp_path: Path) -> None:
    steps = tuple(ChordStep(name, bar) for bar, name in enumerate(("D", "G", "Em", "A7"), 1))
    prepared = again()
    charts = tuple(ChartPlan(step.title, steps) for step in prepared.labels.programme)
    prepared = replace(prepared, plan=replace(prepared.plan, charts=charts, state_dir=str(tmp_path)))
    gone_on = go_on(prepared, LEFT)
    said = "going on in 4/6  Slate Roof Blues, bar 9, Turnaround, at the chord A7 of bar 4"
    assert said in gone_on.notices
    desk = Desk()
    desk.keyboard("keys")
    desk.synth(gone_on.plan.out_port)
    player = Player(gone_on.plan, FakeSystem(desk), lambda *_: None, clock=lambda: 0.0, pause=lambda _: None)
    player.open()
    chart = player.state().chart
    player.leave()
    assert chart is not None
    assert (chart.number, chart.name) == (3, "A7")
    first = go_on(prepared, replace(LEFT, chord=0))
    assert not any("chord" in notice for notice in first.notices), "the first chord needs no word"


def test_only_the_reference_is_kept_where_another_piece_was_asked_for() -> None:
    first = again()
    prepared = go_on(first, LEFT, place=False)
    assert prepared.plan.kept is first.plan.kept is None
    assert not drone_sounds(prepared.plan)
    assert prepared.plan.tables[0].hz[50] == pytest.approx(LEFT.hz)


def test_a_session_that_was_edited_since_is_gone_on_with_where_it_can_be(prepared: Prepared) -> None:
    programme = prepared.labels.programme
    assert place_of(LEFT, programme) == 13
    assert place_of(replace(LEFT, number=2), programme) == 13, "sections moved: its place in the piece counts"
    assert place_of(replace(LEFT, section="bar 40"), programme) == 10, (
        "the section is gone: the piece's beginning"
    )
    gone = replace(LEFT, piece="Never Played", key=45)
    assert place_of(gone, programme) is None
    assert "no longer in it" in place_words(gone, programme)
    went = go_on(again(), gone)
    assert went.plan.kept is None
    assert went.plan.tables[0].hz[50] == pytest.approx(D3)
    assert any("another reference now" in notice for notice in went.notices)
    far = go_on(again(), replace(LEFT, hz=D3 * 2 ** (300 / 1200)))
    assert far.plan.tables[0].hz[50] == pytest.approx(D3)
    assert any("is not taken over" in notice for notice in far.notices)


def test_what_was_left_is_said_in_words_of_the_session(prepared: Prepared) -> None:
    words = place_words(LEFT, prepared.labels.programme)
    assert "4/6  Slate Roof Blues, bar 9, Turnaround" in words
    assert "the reference string sounded 147.18 Hz" in words  # 146.5 * 2^(8/1200) = 147.1785
    assert "on 2023-11-1" in words, "the day, for it was another one"


def test_the_file_comes_back_as_it_was_and_nonsense_as_nothing(file: LeftOffFile) -> None:
    assert file.read() is None
    file.write(LEFT)
    assert file.read() == LEFT
    assert os.listdir(file.path.parent) == [file.path.name]
    good = file.path.read_bytes()
    for bad in (
        b"",
        good[:-5],
        b"[]",
        b"\xff\xfe",
        good.replace(b'"number":13', b'"number":0'),
        good.replace(b'"number":13', b'"number":"13"'),
        good.replace(b'"trim_cents":1.5', b'"trim_cents":1e9'),
        good.replace(b'"key":50', b'"key":500'),
        good.replace(b'"chord":3', b'"chord":-3'),
        good.replace(b'"drone_volume":40', b'"drone_volume":400'),
        good.replace(b'"schema":1', b'"schema":2'),
        b" " * (1 << 17) + good,
    ):
        file.path.write_bytes(bad)
        assert file.read() is None, bad[:60]


def test_another_session_or_synth_has_a_file_of_its_own(tmp_path: Path) -> None:
    files = [
        LeftOffFile(tmp_path, session, synth)
        for session in ("a/evening.toml", "b/evening.toml")
        for synth in ("Organ", "Rack")
    ]
    assert len({file.path for file in files}) == 4
    assert LeftOffFile(tmp_path, tmp_path / "x" / ".." / "e.toml", "O").path == (
        LeftOffFile(tmp_path, tmp_path / "e.toml", "O").path
    )


def test_what_a_run_holds_is_no_other_runs(tmp_path: Path) -> None:
    one, other = (LeftOffFile(tmp_path, "e.toml", "Organ") for _ in range(2))
    assert one.hold()
    assert not other.hold()
    one.release()
    assert other.hold()
    other.release()
    assert os.listdir(tmp_path) == []


def seen(**changes: object) -> Snapshot:
    values: dict[str, object] = {
        "at_s": 1000.0,
        "link": "ok",
        "tonic": "D",
        "pieces": 6,
        "piece": "Low Water",
        "section": "from the start",
        "number": 1,
        **changes,
    }
    return Snapshot(**values)  # type: ignore[arg-type]


def test_the_book_is_kept_once_something_has_changed(file: LeftOffFile) -> None:
    book = Book(file, None, False)
    book.show(seen(link="starting", tonic=""))
    book.show(seen())
    book.show(seen(at_s=1001.0))
    book.close()
    assert file.read() is None
    assert not book.used
    book = Book(file, None, False)
    book.show(seen())
    book.show(seen(number=2, section="bar 6", at_s=1002.0, drone=DroneShown("waiting"), drone_volume=30))
    book.show(seen(number=2, section="bar 6", at_s=1003.0, drone_volume=30))
    book.show(seen(number=2, section="bar 6", at_s=1004.0, drone_volume=30, chart_at=5))
    book.close()
    left = file.read()
    assert left is not None
    assert (left.number, left.section, left.key, left.at_s) == (2, "bar 6", None, 1004.0)
    assert (left.drone_on, left.drone_volume, left.chord) == (True, 30, 5)
    assert book.used


def test_where_nothing_is_left_the_first_moment_is_written_down(
    file: LeftOffFile, prepared: Prepared
) -> None:
    book = Book(file, again().listening, False)
    book.begin_at_once()
    book.show(seen())
    book.close()
    left = file.read()
    assert left is not None
    assert (left.number, left.key) == (1, None)


def test_a_folder_that_cannot_be_written_is_said_once(tmp_path: Path) -> None:
    told: list[str] = []
    (tmp_path / "state").write_text("no folder")
    file = LeftOffFile(tmp_path / "state", "e.toml", "Organ")
    assert not file.hold()
    book = Book(file, None, False, told.append)
    book.show(seen())
    book.show(seen(number=2))
    book.close()
    assert len(told) == 1
    assert "nothing will be there to go on with" in told[0]


# ---- on a real server


@pytest.fixture(scope="module")
def server(sine_font: Path) -> Iterator[tuple[jack.JackServer, jack.JackTap]]:
    with (
        jack.JackServer() as server,
        jack.JackTap(server) as tap,
        jack.JackFluidSynth(server, sine_font) as synth,
    ):
        tap.listen_to(synth)
        yield server, tap


@pytest.fixture
def hasty_server(sine_font: Path) -> Iterator[jack.JackServer]:
    """One that does not wait for its clients: the other kind takes ten seconds over one that was killed."""
    with (
        jack.JackServer(synchronous=False) as server,
        jack.JackTap(server),
        jack.JackFluidSynth(server, sine_font),
    ):
        yield server


def run(server: jack.JackServer, state: Path, *options: str) -> LiveRun:
    return LiveRun(
        server.env,
        state,
        *("--session", str(EVENING / "evening.toml"), "--synth", "organ"),
        *("--in", "tap", "--out", "synth", *options),
    )


def kill_all(live: LiveRun) -> None:
    """As when the power goes: every process at once."""
    pids = [live.pid, player_pid(live)]
    for pid in pids:
        os.kill(pid, signal.SIGKILL)
    live.exit_code()


@pytest.mark.jack
def test_after_a_crash_of_everything_it_goes_on_where_it_was(
    hasty_server: jack.JackServer, tmp_path: Path
) -> None:
    host = hasty_server
    heard_hz = D3 * 2 ** (8.0 / 1200)
    take = tmp_path / "fourth string.wav"
    soundfile.write(take, takes.take([takes.open_d(heard_hz)[4]]), takes.RATE, subtype="FLOAT")
    with run(host, tmp_path) as live:
        live.ready()
        live.say(f"listen {take}")
        live.wait("all tables follow")
        live.say("4")
        live.say("next")
        live.wait("^piece 4/6  Slate Roof Blues, bar 5")
        until_kept(tmp_path, "bar 5")
        kill_all(live)
    with run(host, tmp_path) as live:  # not at a terminal: it says so, and begins anew
        live.wait("the last run ended unexpectedly at .* in 4/6  Slate Roof Blues, bar 5.*147.1. Hz.*--go-on")
        live.wait("^piece 1/6")
        live.say("quit")
        assert live.exit_code() == 0
    with run(host, tmp_path, "--go-on") as live:
        live.wait("^going on in 4/6  Slate Roof Blues, bar 5")
        live.wait("^D3 is 147.1. Hz, as heard .* 8.0 cents higher than in the file")
        live.wait("^piece 4/6  Slate Roof Blues, bar 5")
        live.say("quit")
        assert live.exit_code() == 0
    with run(host, tmp_path, "--go-on") as live:
        live.wait("nothing to go on with: the last run ended as it should")
        live.wait("^piece 1/6")
        live.say("quit")
        assert live.exit_code() == 0


@pytest.mark.jack
def test_what_it_goes_on_with_is_what_sounds(
    server: tuple[jack.JackServer, jack.JackTap], tmp_path: Path
) -> None:
    host, tap = server
    wanted_hz = LEFT.hz * 2 ** (LEFT.trim_cents / 1200)
    kept(tmp_path).write(replace(LEFT, drone_on=False))
    with run(host, tmp_path, "--go-on") as live:
        live.wait(r"^piece 4/6  Slate Roof Blues, bar 9, Turnaround.*trim \+1.5 cents")
        tap.send(bytes((0x90, 62, 90)))
        sound = tap.record(1.1)
        assert abs(measure.cents(sound.tone_hz(2 * wanted_hz, 0.25, 0.8), 2 * wanted_hz)) <= 0.53
        tap.send(bytes((0x80, 62, 0)))
        live.say("quit")
        assert live.exit_code() == 0


def kept(state: Path) -> LeftOffFile:
    """The file as a run finds it under XDG_STATE_HOME."""
    return LeftOffFile(state / "stillbeat" / "live", EVENING / "evening.toml", "Organ on the laptop")


def until_kept(state: Path, text: str) -> None:
    limit = time.monotonic() + 20.0
    while not any(text in path.read_text() for path in state.rglob("*.evening.json")):
        assert time.monotonic() < limit
        time.sleep(0.02)


@pytest.mark.jack
@pytest.mark.parametrize(("answer", "piece"), [(b"\n", b"4/6"), (b"n\n", b"1/6")])
def test_at_a_terminal_it_asks(
    server: tuple[jack.JackServer, jack.JackTap], tmp_path: Path, answer: bytes, piece: bytes
) -> None:
    host, _ = server
    kept(tmp_path).write(LEFT)
    main, second = pty.openpty()
    process = subprocess.Popen(
        [
            *(sys.executable, "-c", "import sys; from bridge.cli import main; main(sys.argv[1:])", "play"),
            *(
                "--session",
                str(EVENING / "evening.toml"),
                "--synth",
                "organ",
                "--in",
                "tap",
                "--out",
                "synth",
            ),
            "--lines",
        ],
        stdin=second,
        stdout=second,
        stderr=second,
        env={**host.env, "XDG_STATE_HOME": str(tmp_path)},
        start_new_session=True,
        preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0) and None,
    )
    os.close(second)
    try:
        read_until(main, b"go on there? [Y/n]")
        os.write(main, answer)
        read_until(main, b"piece " + piece)
        os.write(main, b"q")
        assert process.wait(30.0) == 0
        assert os.listdir(kept(tmp_path).path.parent) == [], "it left as it should: nothing to go on with"
    finally:
        process.kill()
        process.wait()
        os.close(main)


def read_until(descriptor: int, wanted: bytes, limit_s: float = 30.0) -> bytes:
    seen, limit = b"", time.monotonic() + limit_s
    while wanted not in seen:
        left_s = limit - time.monotonic()
        assert left_s > 0.0, seen
        if select.select([descriptor], [], [], left_s)[0]:
            seen += os.read(descriptor, 4096)
    return seen
