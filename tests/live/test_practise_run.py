"""The course of practising, without a sound card: what is played, asked, told and kept, and how it ends."""

from __future__ import annotations

import io
import signal
import threading
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from support.fake_ports import Desk, FakeSystem
from support.listeners import Hears
from support.voices import Sung as SungVoice

from bridge.children import on_signals
from bridge.ear.course import Course
from bridge.ear.sung import Sung
from bridge.ear.trials import Played
from bridge.ear.tuning_out import TuningOut
from bridge.errors import InputProblem, ValueProblem
from bridge.jobs.choose import TableRequest
from bridge.jobs.practise import (
    Assignment,
    PractiseRequest,
    assignments,
    course_record,
    record_row,
    told,
    tuning_record,
)
from bridge.live.practise.keys import DONE, keys_shown, moved_cents, read_key, read_line
from bridge.live.practise.run import Enough, Leaving, Practice, run_course, run_tuning, told_note
from bridge.live.practise.screen import PractiseLines, PractiseScreen
from bridge.live.practise.seen import PractiseSeen
from bridge.live.practise.singing import run_singing
from bridge.live.practise.sounders import HeldNotes, SynthSounder

OPEN_D = TableRequest(guitar="open-d", reference="D3=146.5")


def work(*notes: str, **words: object) -> Assignment:
    (one,), title, _ = assignments(OPEN_D, PractiseRequest(notes=notes, **words))  # type: ignore[arg-type]
    assert title == ""
    return one


class Views:
    """Keeps all that was seen."""

    def __init__(self) -> None:
        self.seen: list[PractiseSeen] = []

    def show(self, seen: PractiseSeen) -> None:
        self.seen.append(seen)

    def close(self) -> None:
        pass


class FakeSounder:
    """Plays nothing, and lets a student hear it."""

    through = "sound card"

    def __init__(self, heard: Callable[[], None] = lambda: None) -> None:
        self.played: list[tuple[Played, float]] = []
        self.held: list[tuple[float, ...]] = []
        self.sounding = False
        self._heard = heard

    def play(self, played: Played, level: float) -> None:
        self.played.append((played, level))
        self._heard()

    def hold(self, hz: Sequence[float], level: float) -> None:
        self.sounding = True
        self.held.append(tuple(hz))

    def move(self, hz: Sequence[float]) -> None:
        self.held.append(tuple(hz))
        self._heard()

    def let_go(self) -> None:
        self.sounding = False

    def close(self) -> None:
        self.let_go()


class QuickPractice(Practice):
    """Waits for nothing."""

    def wait(self, seconds: float) -> None:
        super().wait(0.0)


def practice(views: Views | None = None, **words: object) -> Practice:
    return QuickPractice(lambda: views or Views(), **words)  # type: ignore[arg-type]


def test_a_run_plays_two_sounds_asks_and_tells() -> None:
    one = work("fifth", trials=24)
    course = Course("still", one.sounds, one.count, seed=3)
    listener, random = Hears(3.0), np.random.default_rng(1)
    views = Views()
    with practice(views) as doing:

        def hear() -> None:
            if len(sounder.played) % 2 == 0:
                right = listener.right(course.trial.cents, random)
                answers = {"first", "second"}
                given = course.trial.answer if right else (answers - {course.trial.answer}).pop()
                doing.take(given)

        sounder = FakeSounder(hear)
        run_course(doing, sounder, one, course, 0.5)
        said = doing._seen.said
    assert course.over
    assert len(sounder.played) == 48
    levels = [level for _, level in sounder.played]
    assert levels[0] == levels[1] == pytest.approx(0.175)
    assert levels[:8:2] == sorted(levels[:8:2])
    assert set(levels[6:]) == {0.5}
    assert [line.partition(" ")[0] for line in said] == [f"{number}." for number in range(1, 25)]
    assert [" right" in line for line in said] == [marked.right for marked in course.marked]
    for seen in views.seen:  # nothing is seen of an answer beforehand
        assert "the first (1) or the second (2)" in seen.ask or not seen.ask

    record = course_record(one, course, "2026-05-04T18:30:00", "sound card", 3)
    lines = told(record, one.sounds, [])
    assert lines[0] == f"{sum(marked.right for marked in course.marked)} of 24 right"
    assert "your threshold for fifth D3-A3, steady, 2 s: " in lines[1]
    assert lines[3] == "one beat in 2 s is 2.0 cents here"
    assert record_row(record)[1:7] == ("still", "fifth", "D3-A3", "steady", "2", "24")


def test_who_leaves_keeps_what_was_answered() -> None:
    one = work("third", trials=50)
    course = Course("still", one.sounds, one.count, seed=3)
    with practice() as doing:
        for command in ("first", "second", "?x", "wide", DONE, "move 1.0", "skip", "first", "quit"):
            doing.take(command)
        with pytest.raises(Leaving):
            run_course(doing, FakeSounder(), one, course, 0.5)
        said = doing._seen.said
    assert len(course.marked) == 3
    assert [line for line in said if "no answer here" in line] == [
        "'x' is no answer here: first or second",
        "'wide' is no answer here: first or second",
        "enter is no answer here: first or second",
        "moving the note is no answer here: first or second",
    ]
    record = course_record(one, course, "2026-05-04T18:30:00", "sound card", 3)
    assert record.threshold is None
    assert "too few answers" in told(record, one.sounds, [])[1]


def test_leaving_cuts_what_sounds() -> None:
    one = work("fifth")
    course = Course("still", one.sounds, one.count)
    with practice() as doing:
        sounder = FakeSounder(doing.leave)
        with pytest.raises(Leaving):
            run_course(doing, sounder, one, course, 0.5)
    assert len(sounder.played) == 1
    assert course.marked == []


def test_ears_rest_and_at_last_it_is_enough() -> None:
    one = work("fifth", trials=50)
    course = Course("still", one.sounds, one.count)
    now = [0.0]
    with practice(minutes=12, clock=lambda: now[0]) as doing:

        def hear() -> None:
            now[0] += 30.0
            doing.take(
                "first"
            )  # one for every sound: the second answer of a trial is the key that ends a rest

        with pytest.raises(Enough):
            run_course(doing, FakeSounder(hear), one, course, 0.5)
        said = doing._seen.said
    assert sum("rest your ears for one" in line for line in said) == 1
    assert said[-1].startswith("enough for today: 12 minutes")
    assert 0 < len(course.marked) < 50


def test_a_rest_is_silent_and_sounds_again_afterwards() -> None:
    one = work("fifth", what="tune", trials=1)
    run, seen = TuningOut(one.sounds[0], 1), list[PractiseSeen]()
    with practice(watchers=[seen.append]) as doing:
        for command in ("pause", "x", "done"):
            doing.take(command)
        sounder = FakeSounder()
        events: list[str] = []
        sounder.let_go = lambda: events.append("silence")  # type: ignore[method-assign]
        sounder.hold = lambda hz, level: events.append("sound")  # type: ignore[method-assign]
        run_tuning(doing, sounder, one, run, 0.5)
    assert events == ["sound", "silence", "sound", "silence"]
    # Nothing is asked meanwhile: the key that ends the rest answers nothing.
    assert [now.ask for now in seen if now.waits == (DONE,)] == [""]


def test_a_touch_counts_once_and_only_while_it_is_waited_for() -> None:
    one = work("fifth", trials=3)
    course = Course("still", one.sounds, one.count, seed=3)
    seen: list[PractiseSeen] = []

    def touch(now: PractiseSeen) -> None:
        """Somebody who touches whatever there is, and three times."""
        seen.append(now)
        for command in ("wide", "done", "move 3", "first", "first", "second", "skip"):
            doing.touch(command)

    with QuickPractice(Views, watchers=[touch]) as doing:
        sounder = FakeSounder(lambda: doing.touch("first"))
        run_course(doing, sounder, one, course, 0.5)
        assert doing._commands.empty()
    assert len(sounder.played) == 6
    assert [marked.given for marked in course.marked] == ["first"] * 3
    assert {now.waits for now in seen} == {(), ("first", "second", "skip", "pause")}


def test_the_beats_are_tuned_out_by_keys() -> None:
    one = work("third", what="tune", trials=4)
    run = TuningOut(one.sounds[0], one.count, seed=2)
    with practice() as doing:

        def step() -> None:
            """A student who hears beats and goes home by whole cents."""
            now = run.round
            if abs(now.cents) < 0.6:
                doing.take("done")
            else:
                wider = now.cents < 0
                doing.take(f"move {1.0 if wider == bool(now.moves) else -1.0}")

        class Student(FakeSounder):
            def hold(self, hz: Sequence[float], level: float) -> None:
                super().hold(hz, level)
                step()

        sounder = Student(step)
        run_tuning(doing, sounder, one, run, 0.5)
        said = doing._seen.said
    assert run.over
    assert not sounder.sounding
    assert all(abs(round_.error_cents) < 0.6 for round_ in run.settled)
    assert len(said) == 4
    assert "beats a second (it began" in said[0]
    record = tuning_record(one, run.settled, "2026-05-04T18:30:00", "sound card", 2)
    lines = told(record, one.sounds, [])
    assert lines[0].startswith("tuned out 4 times: on average 0.")
    assert "spread of 0." in lines[0]


def test_leaving_a_round_lets_go_of_its_notes() -> None:
    one = work("fifth", what="tune")
    run = TuningOut(one.sounds[0], one.count)
    with practice() as doing:
        doing.take("quit")
        sounder = FakeSounder()
        with pytest.raises(Leaving):
            run_tuning(doing, sounder, one, run, 0.5)
    assert not sounder.sounding
    assert len(sounder.held) == 1


class Recorded:
    """A microphone that brings what was recorded, in blocks."""

    sample_rate = 44100

    def __init__(self, sound: np.ndarray, over: Callable[[], None]) -> None:
        self._sound, self._over = sound, over

    def read(self, limit_s: float = 0.1) -> np.ndarray:
        block, self._sound = self._sound[:2048], self._sound[2048:]
        if not block.size:
            self._over()
        return np.asarray(block, dtype=np.float64)


@pytest.mark.slow
def test_what_is_sung_beside_the_drone_is_told_after_each_note() -> None:
    """Vowels with vibrato (`support.voices`), 12 cents flat and an octave higher, beside the drone 20 dB below."""
    one = work("fifth", "third", "octave", what="sing")
    rate, random = 44100, np.random.default_rng(4)
    drone_hz = one.targets[0].drone_hz
    quiet = np.zeros(rate)
    notes = [
        SungVoice(hz=one.targets[0].hz * 2 ** (-12 / 1200), vibrato_hz=5.5, vibrato_cents=30.0),
        SungVoice(hz=2 * one.targets[1].hz, vibrato_hz=0.0, vibrato_cents=0.0),
        # Pure, where all its partials are the drone's: its end has to be noticed as well.
        SungVoice(hz=one.targets[2].hz, vibrato_hz=5.5, vibrato_cents=25.0),
    ]
    sound = np.concatenate(
        [quiet, quiet, *(part for note in notes for part in (note.samples(2.2, rate, random), quiet))]
    )
    voice = float(np.sqrt(np.mean(sound[2 * rate : 4 * rate] ** 2)))
    at = np.arange(sound.size) / rate
    drone = sum(np.sin(2 * np.pi * drone_hz * n * at + n) / n for n in range(1, 9))
    sound = sound + drone * (0.1 * voice / np.sqrt(np.mean(drone**2)))
    sung: list[Sung] = []
    with practice() as doing:
        run_singing(doing, FakeSounder(), Recorded(sound, lambda: doing.take("quit")), one, sung, 0.5)
        said = doing._seen.said
    assert [note.target.name for note in sung] == ["fifth", "third", "octave"]
    assert sung[0].cents == pytest.approx(-12.0, abs=3.0)
    assert sung[1].cents == pytest.approx(0.0, abs=3.0)
    assert sung[2].cents == pytest.approx(0.0, abs=3.0)
    assert (sung[0].octaves, sung[1].octaves, sung[2].octaves) == (0, 1, 0)
    assert "a little flat" in said[0]
    assert "an octave higher: in tune" in said[1]
    assert told_note(sung[0]) == said[0]


def test_enter_leaves_a_note_out_and_silence_sings_nothing() -> None:
    one = work("unison", "octave", what="sing")
    sung: list[Sung] = []
    with practice() as doing:
        for command in ("done", "done"):
            doing.take(command)
        sounder = FakeSounder()
        run_singing(doing, sounder, Recorded(np.zeros(0), lambda: doing.take("quit")), one, sung, 0.5)
        assert doing._seen.said == ("unison D3: left out", "octave D4: left out")
    assert sung == []
    assert not sounder.sounding


@pytest.mark.parametrize(
    ("typed", "means"),
    [
        ("1", "first"),
        ("\x1b[C", "second"),
        ("W", "wide"),
        ("\r", "done"),
        ("q", "quit"),
        ("x", "?x"),
        ("\x01", None),
    ],
)
def test_keys(typed: str, means: str | None) -> None:
    assert read_key(typed) == means


@pytest.mark.parametrize(
    ("typed", "means"),
    [
        ("first", "first"),
        (" 2 ", "second"),
        ("", "done"),
        ("+3", "move 3.0"),
        ("-0.4", "move -0.4"),
        ("+", "move 1.0"),
        (",", "move -0.2"),
        ("+300", "?+300"),
        ("-x", "?-x"),
        ("exit", "quit"),
        ("loud", "?loud"),
    ],
)
def test_lines(typed: str, means: str) -> None:
    assert read_line(typed) == means
    assert moved_cents(means) == (float(means[5:]) if means.startswith("move") else None)


def test_a_synth_gets_notes_of_its_own_and_is_left_as_it_was() -> None:
    """Fed to an independent count of what sounds: every note-on has its note-off, bends end in the middle."""
    sent: list[bytes] = []
    stop = threading.Event()
    stop.set()

    class Port:
        def send(self, data: bytes) -> None:
            sent.append(data)

        def close(self) -> None:
            sent.append(b"closed")

    sounder = SynthSounder(Port(), FakeSystem(Desk()), "plucked", 2.0, stop)  # type: ignore[arg-type]
    sounder.play(Played((146.5, 220.0), (0.0, 0.5), 1.0), 0.5)
    sounder.hold((146.5, 183.0), 0.5)
    sounder.move((146.5, 183.125))
    sounder.close()
    assert sent[-1] == b"closed"
    messages = sent[:-1]
    sounding: set[tuple[int, int]] = set()
    struck = 0
    bends: dict[int, bytes] = {}
    for data in messages:
        if data[0] & 0xF0 == 0x90:
            sounding.add((data[0] & 15, data[1]))
            struck += 1
        elif data[0] & 0xF0 == 0x80:
            sounding.remove((data[0] & 15, data[1]))
        elif data[0] & 0xF0 == 0xE0:
            bends[data[0] & 15] = data[1:]
    assert struck == 4
    assert not sounding
    assert set(bends.values()) == {b"\x00\x40"}
    assert bytes((0xC0, 25)) in messages


def test_held_notes_swell_from_nothing() -> None:
    sent: list[bytes] = []
    notes = HeldNotes(sent.append, lambda seconds: None, "steady")
    notes.strike((146.5,), 0.64, swell_s=1.0)
    levels = [data[2] for data in sent if data[:2] == b"\xb0\x0b"]
    assert levels[0] == 0
    assert levels == sorted(levels)
    assert levels[-1] == round(127 * 0.8)
    struck = next(at for at, data in enumerate(sent) if data[0] == 0x90)
    assert sent[:struck].count(b"\xb0\x0b\x00") == 1


def test_lines_tell_each_thing_once(capsys: pytest.CaptureFixture[str]) -> None:
    lines = PractiseLines()
    seen = PractiseSeen(
        "which does not beat?", "fifth D3-A3", "trial 1 of 2", "", "1 or 2", "keys", ("softly",)
    )
    lines.show(seen)
    lines.show(seen)
    lines.show(
        PractiseSeen(
            "which does not beat?", "fifth D3-A3", "trial 1 of 2", "1", "", "keys", ("softly", "right")
        )
    )
    assert capsys.readouterr().out.splitlines() == [
        "softly",
        "which does not beat? fifth D3-A3",
        "keys",
        "trial 1 of 2: 1 or 2",
        "right",
    ]


@pytest.mark.parametrize(("width", "height"), [(40, 24), (80, 24), (100, 30), (40, 10)])
def test_the_picture_fits(width: int, height: int) -> None:
    from rich.console import Console

    console = Console(
        width=width,
        height=height,
        force_terminal=True,
        legacy_windows=False,
        record=True,
        file=io.StringIO(),
    )
    screen = PractiseScreen(console)
    said = tuple(
        f"{number}. right, or a longer line that is broken where it is narrow" for number in range(1, 30)
    )
    seen = PractiseSeen(
        "which does not beat?",
        "fifth D3-A3, steady, 2 s",
        "trial 1 of 50",
        "1",
        "which does not beat: the first (1) or the second (2)",
        keys_shown("still"),
        said,
    )
    text = screen._picture(seen)
    with console.capture() as captured:
        console.print(text)
    screen.close()
    rows = captured.get().splitlines()
    assert len(rows) <= height
    assert "the second (2)" in captured.get(), "what is asked"
    assert ("29. right" in captured.get()) == (height > 10)
    assert "q leave" in captured.get().replace("\n", " ")
    assert "\N{FULL BLOCK}" in captured.get()


def test_a_list_gives_the_table_and_the_exercises(tmp_path: Path) -> None:
    path = tmp_path / "week.toml"
    path.write_text(
        'schema = 1\ntitle = "Week 3"\nguitar = "open-g"\n[[exercise]]\nwhat = "still"\nnotes = "third"\n'
        'timbre = "plucked"\ntrials = 30\n[[exercise]]\nwhat = "sing"\nnotes = "unison, fifth"\n'
    )
    found, title, table = assignments(TableRequest(), PractiseRequest(list_file=path))
    assert (title, table.tonic) == ("Week 3", "G")
    assert [(one.what, one.count, one.timbre) for one in found] == [
        ("still", 30, "plucked"),
        ("sing", 2, "steady"),
    ]
    assert found[0].about == "third G3-B3, plucked, 2 s"
    over, _, table = assignments(TableRequest(guitar="open-d"), PractiseRequest(list_file=path))
    assert table.tonic == "D"
    assert over[1].about == "unison, fifth"
    path.write_text('schema = 1\nguitar = "open-g"\n[[exercise]]\nwhat = "wide"\nnotes = "ii"\n')
    with pytest.raises(InputProblem, match=r"week\.toml, exercise 1: ii \(Am\) cannot be wide or narrow"):
        assignments(TableRequest(), PractiseRequest(list_file=path))


def test_what_does_not_go_together_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueProblem, match="two notes are tuned"):
        work("ii", what="tune")
    with pytest.raises(ValueProblem, match="cannot be wide or narrow"):
        work("unison", what="wide")
    with pytest.raises(ValueProblem, match="a list says itself"):
        assignments(OPEN_D, PractiseRequest(notes=("fifth",), list_file=tmp_path / "x.toml"))


def test_thresholds_are_compared_with_the_last_of_their_like() -> None:
    from dataclasses import replace

    from bridge.store.practice.records import Kept

    one = work("fifth", trials=24)
    course = Course("still", one.sounds, one.count, seed=3)
    while not course.over:
        course.answer(course.trial.answer)
    now = course_record(one, course, "2026-05-04T18:30:00", "sound card", 3)
    now = replace(now, threshold=Kept(4.0, 3.0, 5.3, 1.0))
    coarse = replace(now, when="2026-05-01T10:00:00", threshold=Kept(9.0, 6.0, 13.0, 2.3))
    near = replace(now, when="2026-05-02T10:00:00", threshold=Kept(4.4, 3.0, 6.6, 1.1))
    other = replace(coarse, when="2026-05-03T10:00:00", timbre="plucked")
    assert told(now, one.sounds, [coarse, other])[-1] == "last time, 2026-05-01: 9.0 (6.0 to 13.0): finer now"
    assert told(now, one.sounds, [coarse, near])[-1].endswith("no difference that is sure")
    assert "last time" not in " ".join(told(now, one.sounds, [other]))


@pytest.mark.skipif(not hasattr(signal, "pthread_kill"), reason="this system has no such signals")
def test_a_signal_that_comes_to_another_thread_has_its_turn_while_a_key_is_waited_for() -> None:
    """As after Ctrl-Z and fg: the system chooses the thread, and only the main one may act."""
    with practice() as doing, on_signals(lambda: doing.take("first"), ["SIGUSR1"]):
        limit = threading.Timer(10.0, doing.leave)
        limit.start()
        other = threading.Timer(0.05, lambda: signal.pthread_kill(threading.get_ident(), signal.SIGUSR1))
        other.start()
        assert doing.command() == "first"
        limit.cancel()
