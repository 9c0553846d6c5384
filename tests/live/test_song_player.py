"""A song from the command's words to what a synth receives: when, and at which pitch. Time is the test's.

The synth obeys on paper (`support.obedient`, written from the MIDI Tuning standard). Pitches come from ratios above the
reference: in a five-limit scale on D the third is 5/4 and the second 9/8; equal means through the same reference.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Self

import pytest
from support.fake_ports import Desk, FakeSystem, Synth
from support.live import until
from support.obedient import ObedientSynth

from bridge.engine.play.controls import Action, Controls
from bridge.errors import StillbeatError
from bridge.jobs.choose import TableRequest
from bridge.live.desk.views.playing import LinesDisplay, picture
from bridge.live.plan import TablesDrone
from bridge.live.player.player import Player
from bridge.live.prepare.keyboard import LiveRequest, Prepared, prepare
from bridge.live.prepare.song import SongRequest
from bridge.live.snapshot import Snapshot
from bridge.store.smf import Event, MidiFile, write_midi

OPEN_D = TableRequest(guitar="open-d", reference="D3=146.5")
QUARTER = 480
BAR = 4 * QUARTER
D, E, F_SHARP = 50, 52, 54


def song(path: Path) -> Path:
    """Four bars of D, F# and A, then E (Dadd9), 120 quarters a minute; a bass that holds D below."""
    melody: list[Event] = [(0, b"\xff\x03Melody")]
    bass: list[Event] = [(0, b"\xff\x03Bass")]
    for bar in range(4):
        for beat, key in ((0, D), (0, F_SHARP), (0, 57), (1, E)):
            tick = bar * BAR + beat * QUARTER
            melody += [(tick, bytes((0x90, key, 80))), (tick + QUARTER - 10, bytes((0x80, key, 0)))]
        bass += [(bar * BAR, b"\x91\x26\x50"), (bar * BAR + BAR - 10, b"\x81\x26\x00")]
    tracks = [[*sorted(track, key=lambda one: one[0]), (4 * BAR, b"\xff\x2f")] for track in (melody, bass)]
    write_midi(path, MidiFile(1, QUARTER, tracks))
    return path


def semitones(hz: float) -> float:
    return 69.0 + 12.0 * math.log2(hz / 440.0)


PURE = {D: semitones(146.5), E: semitones(146.5 * 9 / 8), F_SHARP: semitones(146.5 * 5 / 4)}
EQUAL = {key: semitones(146.5 * 2 ** ((key - D) / 12)) for key in PURE}
LOW = semitones(146.5 * 10 / 9)


class HearingSynth(Synth):
    """A synth that notes when each note begins, and what it sounds then."""

    def __init__(self, name: str, stage: Stage) -> None:
        super().__init__(name)
        self.paper = ObedientSynth()
        self.stage = stage
        self.heard: list[tuple[float, int, float]] = []
        self.held: set[tuple[int, int]] = set()

    def take(self, data: bytes) -> None:
        super().take(data)
        self.paper.feed(data)
        place = data[0] & 15, data[1]
        if data[0] & 0xF0 == 0x90 and data[2]:
            self.held.add(place)
            self.heard.append((self.stage.now_s, data[1], self.paper.pitch(*place)))
        elif data[0] & 0xE0 == 0x80:
            self.held.discard(place)


class Stage:
    """A player of a song, on a port in memory."""

    def __init__(self, path: Path, at: tuple[str, ...] = (), **said: object) -> None:
        request = SongRequest(path, **{"count_in": 0, "at": at, **said.pop("song", {})})  # type: ignore[arg-type, dict-item]
        self.prepared = prepare(
            LiveRequest(
                **{"table": OPEN_D, "out_port": "box", "synth": "full-midi-tuning", "song": request, **said}
            )  # type: ignore[arg-type]
        )
        self.now_s = 0.0
        self.desk = Desk()
        self.keys = self.desk.keyboard("Keys:Keys MIDI 1")
        self.box = HearingSynth("Box:Box MIDI 1", self)
        self.desk.synth("Box:Box MIDI 1", self.box)
        self.said: list[str] = []
        self.player = Player(
            self.prepared.plan,
            FakeSystem(self.desk),
            lambda _kind, text: self.said.append(text),
            clock=lambda: self.now_s,
        )
        self.player.open()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.player.leave()

    def to(self, until_s: float) -> None:
        """Turn the clock as the player's process does: on to whatever is due next."""
        while True:
            next_s = self.player.next_s
            if next_s > until_s:
                break
            self.now_s = max(next_s, self.now_s)
            self.player.tick()
        self.now_s = until_s

    def heard(self, since_s: float = 0.0) -> list[tuple[float, int, float]]:
        return [(round(at_s, 4), key, pitch) for at_s, key, pitch in self.box.heard if at_s > since_s - 1e-6]

    def shown(self) -> Snapshot:
        return Snapshot(link="ok", **self.prepared.labels.shown(self.player.state()))

    def rows(self) -> str:
        return "\n".join(row.plain for row in picture(self.shown(), 80, 40))


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return song(tmp_path / "song.mid")


@pytest.fixture
def stage(path: Path) -> Iterator[Stage]:
    with Stage(path) as one:
        yield one


def pitches(heard: list[tuple[float, int, float]], key: int) -> list[float]:
    return [pitch for _, one, pitch in heard if one == key]


def test_every_note_comes_when_the_file_says_at_the_pitch_of_the_table(stage: Stage) -> None:
    stage.to(8.5)
    heard = stage.heard()
    begins = [(at_s, key) for at_s, key, _ in heard if key != 38]
    assert begins == [
        (2.0 * bar + late_s, key)
        for bar in range(4)
        for late_s, key in ((0.0, D), (0.0, F_SHARP), (0.0, 57), (0.5, E))
    ]
    for key, wanted in PURE.items():
        # Half a step of the message's 14 bits is 0.003 cents (MIDI Tuning standard).
        assert pitches(heard, key) == pytest.approx([wanted] * 4, abs=1e-4)
    assert stage.player.ended
    assert stage.box.held == set()
    assert stage.player.state().counts.late == 0


def test_equal_and_pure_are_compared_in_place(stage: Stage) -> None:
    stage.to(2.7)
    sounds = stage.box.paper.pitch(1, 38)
    assert sounds == pytest.approx(PURE[D] - 12, abs=1e-4)
    assert stage.box.paper.pitch(0, E) == pytest.approx(PURE[E], abs=1e-4)
    stage.player.act(Action("equal"))
    assert stage.box.paper.pitch(0, E) == pytest.approx(EQUAL[E], abs=1e-4), "what sounds moves at once"
    stage.player.act(Action("bar-back"))
    stage.to(2.8)
    assert stage.heard(2.7)[0][1:] == (D, pytest.approx(EQUAL[D], abs=1e-4))
    assert pitches(stage.heard(2.7), F_SHARP) == [pytest.approx(EQUAL[F_SHARP], abs=1e-4)]
    stage.player.act(Action("equal"))
    stage.to(5.0)
    assert pitches(stage.heard(4.0), F_SHARP) == [pytest.approx(PURE[F_SHARP], abs=1e-4)]


def test_changes_at_bars_hold_wherever_it_goes(path: Path) -> None:
    with Stage(path, at=("2=,2=10/9", "3=,2=9/8")) as stage:
        stage.to(5.0)
        assert pitches(stage.heard(), E) == pytest.approx([PURE[E], LOW, PURE[E]], abs=1e-4)
        assert len(stage.prepared.plan.tables) == 2, "home is home again"
        stage.player.act(Action("bar-back"))
        stage.to(5.6)
        assert pitches(stage.heard(5.0), E) == [pytest.approx(LOW, abs=1e-4)]
        assert "2=10/9" in " ".join(stage.prepared.notices)
        assert stage.player.state().kept.number == 2


def test_a_foot_and_a_key_do_the_same(path: Path) -> None:
    feet = {66: Action("pause"), 67: Action("bar-back"), 68: Action("mute", 2)}
    with Stage(path, in_port="keys", controls=Controls(feet=feet)) as stage:
        stage.to(2.7)
        stage.keys.play(b"\xb0\x42\x7f")
        assert stage.box.held == set()
        assert stage.player.state().track is not None
        assert stage.player.state().track.paused  # type: ignore[union-attr]
        stage.keys.play(b"\xb0\x43\x7f")
        stage.keys.play(b"\xb0\x44\x7f")
        stage.keys.play(b"\xb0\x42\x00")
        stage.keys.play(b"\xb0\x42\x7f")
        stage.to(3.0)
        assert [key for _, key, _ in stage.heard(2.7)] == [D, F_SHARP, 57], "bar 1, without the bass"
        stage.keys.play(bytes((0x90, 62, 90)))
        assert stage.heard(3.0)[-1][2] == pytest.approx(PURE[D] + 12, abs=1e-4), (
            "the keyboard plays beside it"
        )
        stage.player.leave()
        assert stage.box.held == set()


def test_a_part_that_is_not_there_is_told(stage: Stage) -> None:
    stage.to(0.1)
    stage.player.act(Action("mute", 9))
    stage.to(0.6)
    assert stage.said[-1] == "there is no part 9: the track has 2"


def test_without_a_track_it_says_so(path: Path, tmp_path: Path) -> None:
    with Stage(path) as stage:
        other = Player(
            prepare(LiveRequest(table=OPEN_D, out_port="box", in_port="keys", synth="full-midi-tuning")).plan,
            FakeSystem(stage.desk),
            lambda _kind, text: stage.said.append(text),
            clock=lambda: 0.0,
        )
        other.open()
        other.act(Action("pause"))
        other.tick()
        assert "there is no track" in stage.said[-1]
        other.act(Action("drone-volume", 10))
        other.tick()
        assert "there is no drone" in stage.said[-1]
        other.leave()


def test_silence_stops_the_track(stage: Stage) -> None:
    stage.to(2.7)
    stage.player.act(Action("panic"))
    stage.to(6.0)
    assert stage.box.held == set()
    assert stage.heard(2.7) == []
    assert not stage.player.ended
    stage.player.act(Action("pause"))
    stage.to(7.4)
    assert [key for _, key, _ in stage.heard(6.0)] == [D, F_SHARP, 57, 38], "bar 3 comes as ever"


def test_leaving_in_the_middle_lets_everything_go(stage: Stage) -> None:
    stage.to(2.7)
    assert stage.box.held
    stage.player.leave()
    assert stage.box.held == set()


# ---- what is shown


def test_bar_chord_and_parts_are_on_the_screen(stage: Stage) -> None:
    stage.to(2.7)
    seen = stage.shown()
    assert (seen.bar, seen.bars_left, seen.chord) == (2, 3, "Dadd9")
    assert seen.track is not None
    assert [one.name for one in seen.track.parts] == ["Melody", "Bass"]
    assert "bar 2 of 4" in stage.rows()
    stage.player.act(Action("mute", 2))
    stage.player.act(Action("pause"))
    rows = stage.rows()
    assert "bar 2 of 4   PAUSED" in rows
    assert "2 Bass (muted)" in rows
    assert "space pause   b bar back   1-9 mute a part" in rows
    assert "foot" not in rows, "where no keyboard is, nobody has one"


def test_the_count_in_loop_and_tempo_are_shown(path: Path) -> None:
    with Stage(path, song={"count_in": None, "loop": (2, 3), "tempo": 0.5}) as stage:
        stage.to(0.1)
        assert "counting in: 4   loop 2-3   tempo 50%" in stage.rows()
        stage.to(4.1)
        assert "bar 2 of 4   loop 2-3   tempo 50%" in stage.rows()
        assert stage.shown().bars_left == 2


def test_what_comes_next_is_the_change_at_its_bar(path: Path) -> None:
    with Stage(path, at=("3=A",)) as stage:
        stage.to(0.6)
        seen = stage.shown()
        assert (seen.next, seen.bars_left) == ("bar 3: tonic A", 2)
        stage.to(4.6)
        seen = stage.shown()
        assert (seen.next, seen.bars_left, seen.tonic) == ("", 2, "A")
        rows = stage.rows().splitlines()
        assert rows[0].startswith(" song "), "the file is the piece"
        assert "tonic A" in rows
        assert "the last section: nothing comes after it" in rows
        assert "[" not in stage.rows(), "digits mute parts: there is no table to choose"
    with Stage(path, at=("3=A",), song={"loop": (2, 3)}) as stage:
        stage.to(2.6)
        assert (stage.shown().tonic, stage.shown().last) == ("A", False), "the loop comes back to D"


def test_as_lines_the_bar_and_the_chord(stage: Stage, capfd: pytest.CaptureFixture[str]) -> None:
    view = LinesDisplay()
    for at_s in (0.2, 0.6, 2.2):
        stage.to(at_s)
        view.show(stage.shown())
    lines = [line for line in capfd.readouterr().out.splitlines() if line.startswith("bar")]
    assert lines == ["bar 1 of 4: Dadd9", "bar 2 of 4: Dadd9"]


def test_a_long_file_begins_before_its_chords_are_heard(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    held, go_on = threading.Event(), threading.Event()

    def slowly(*_: object) -> list[tuple[float, str]]:
        held.set()
        assert go_on.wait(10.0)
        return [(0.0, "D")]

    monkeypatch.setattr("bridge.live.prepare.song._chords", slowly)
    monkeypatch.setattr("bridge.live.prepare.song.SOON_NOTES", 0)
    labels = asked(path).labels.track
    assert labels is not None
    assert held.wait(10.0)
    assert labels.chord_at(1.0) == ""
    go_on.set()
    until(lambda: labels.chord_at(1.0) == "D")


# ---- from words to a plan


def asked(path: Path, **said: object) -> Prepared:
    return prepare(LiveRequest(table=OPEN_D, song=SongRequest(path), **said))  # type: ignore[arg-type]


def test_without_a_port_it_plays_on_the_sound_card(path: Path) -> None:
    plan = asked(path).plan
    assert (plan.card, plan.method, plan.in_port) == (True, "note", None)
    assert plan.backing is not None
    assert len(plan.backing.clicks_s) == 4, "a bar is counted in"
    assert asked(path, card="Speakers").plan.out_port == "Speakers"


def test_a_keyboard_and_feet_play_beside_it_on_the_sound_card(path: Path) -> None:
    feet = Controls(feet={66: Action("pause")})
    plan = asked(path, in_port="keys", controls=feet, drone="1").plan
    assert (plan.card, plan.in_port, plan.controls.feet) == (True, "keys", feet.feet)
    assert isinstance(plan.drone, TablesDrone)
    assert plan.backing is not None
    own = plan.controls.play_on  # a sound, pedals and notes of its own
    assert own not in {None, 10, 16, *plan.backing.channels, *plan.drone.channels}
    named = asked(path, in_port="keys", controls=Controls(play_on=1)).plan
    assert named.controls.play_on == 1
    alone = prepare(LiveRequest(table=OPEN_D, in_port="keys", system="JACK")).plan
    assert (alone.card, alone.system, alone.backing) == (True, "JACK", None)


def test_the_harmony_is_followed_as_with_a_keyboard(path: Path) -> None:
    from bridge.harmony.asked import FollowRequest
    from bridge.live.prepare.follow import LiveFollow

    plan = asked(path, follow_harmony=LiveFollow(FollowRequest())).plan
    assert plan.follow is not None


@pytest.mark.parametrize(
    ("said", "says"),
    [
        ({"controls": Controls(feet={66: Action("pause")})}, "name it with --in"),
        ({"controls": Controls(foot_programs={5: Action("pause")})}, "name it with --in"),
        ({"synth": "fluidsynth"}, "--synth belongs to a synth's port"),
        ({"in_port": "keys", "reply_port": "box", "channels": (1,)}, "--channels and --synth-reply belong"),
        ({"system": "JACK"}, "--system belongs to a synth's port"),
        (
            {"out_port": "x", "also": ("A",), "song": SongRequest(Path("song.mid"), at=("2=A",))},
            "--at the file",
        ),
        ({"song": SongRequest(Path("song.mid"), at=("9=A",))}, "no bar 9"),
        ({"song": SongRequest(Path("song.mid"), tempo=80.0)}, r"0.25 to 4; did you mean 80%\?"),
        ({"song": SongRequest(Path("song.mid"), tempo=8.0)}, r"\(0.25 to 4\)"),
    ],
)
def test_what_does_not_go_together_is_told(
    path: Path, monkeypatch: pytest.MonkeyPatch, said: dict[str, object], says: str
) -> None:
    monkeypatch.chdir(path.parent)
    with pytest.raises(StillbeatError, match=says):
        prepare(LiveRequest(**{"table": OPEN_D, "song": SongRequest(path), **said}))  # type: ignore[arg-type]
