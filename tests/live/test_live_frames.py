"""What player and desk say to each other is checked on arrival, and can make no end run code."""

from __future__ import annotations

import io
import os
import pickle
import struct
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.engine.play.controls import Action, Controls
from bridge.engine.play.drones.plan import Beat
from bridge.engine.play.tables import AllTables, Kept
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import DroneRequest
from bridge.live import frames
from bridge.live.backing import Backing
from bridge.live.desk.ear import Heard, Opened, Refused, Take, Told
from bridge.live.prepare.drone import prepare_drone
from bridge.live.prepare.keyboard import LiveRequest, prepare
from bridge.live.snapshot import DroneShown, Message, Snapshot
from bridge.live.state import Counts, Held, Lesson, Sounding, State

BACKING = Backing(
    "song", ((0.1, b"\x90\x40\x50"), (1 / 3, b"\xf0\x7e\x7f\x09\x01\xf7")), 1.0, (0.0, 0.5), loop_s=(0.0, 1.0)
)
STATE = State(
    kept=Kept(3, 11, True, -0.5),
    keyboard=None,
    synth="Böx",
    own=(b"\xb0\x65\x00", b"\xb0\x06\x0c"),
    sounding=(Sounding(1, 60, -1e-9),),
    counts=Counts(1, 2, worst_late_s=0.1 + 0.2),
    held=Held(16, (38,), True),
    lesson=Lesson("sound", 1, "third", ((50, 146.5),), (Beat(50, 54, 5, 4, 5.81),)),
    bar=7,
)
OPEN_D = TableRequest(guitar="open-d", reference="D3=146.5")


def plans() -> list[frames.Begin]:
    feet = {66: Action("trim", 0.5)}
    one = LiveRequest(table=OPEN_D, out_port="a", in_port="b", synth="fluidsynth", also=("A",), drone="1,5")
    two = LiveRequest(table=OPEN_D, out_port="a", in_port="b", controls=Controls(zone=(24, 35), feet=feet))
    from dataclasses import replace

    return [
        frames.Begin(prepare(one).plan),
        frames.Begin(replace(prepare(two).plan, backing=BACKING, kept=Kept(2))),
    ]


def reread(value: object, kind: object) -> object:
    reader: frames.FrameReader[object] = frames.FrameReader(io.BytesIO(frames.encode(value)), kind)
    return reader.read()


def test_every_order_arrives_as_it_was_sent() -> None:
    begin, other = plans()
    tables = AllTables(begin.plan.tables, other.plan.tonics)
    alone = frames.Begin(prepare_drone(OPEN_D, DroneRequest(notes=("1", "5"))).plan)
    orders = [begin, other, alone, frames.Act(Action("table", 2)), frames.Renew(tables), frames.Leave()]
    for order in orders:
        assert reread(order, frames.ToPlayer) == order


def test_everything_that_a_player_says_arrives_as_it_was_said() -> None:
    for said in (
        frames.Ready(STATE),
        frames.Changed(State(kept=Kept(1))),
        frames.Alive(),
        frames.Say("lost", "a\nb \x1b[2J ♯"),
        frames.Failed("PortProblem", "no port", "plug it in", "Traceback"),
        frames.ServerGone(),
        frames.Ended(),
        frames.Left(8),
    ):
        assert reread(said, frames.FromPlayer) == said


def test_a_snapshot_can_be_handed_to_whoever_shows_it_elsewhere() -> None:
    message = Message(1, 1.5, "alarm", "gone")
    shown = Snapshot(
        link="synth gone",
        tonic="D",
        drone=DroneShown("waiting", ("D2",)),
        listening_s=2.5,
        messages=(message,),
    )
    assert reread(shown, Snapshot) == shown


def test_what_the_ear_is_asked_and_tells_arrives() -> None:
    spec = choose_table(OPEN_D)
    take = Take(reference=spec.reference, named=True, guitar=spec.guitar)
    assert reread(take, Take) == take
    for told in (Opened("mic", 5.0), Heard(spec.reference), Refused("nothing", "pluck")):
        assert reread(told, Told) == told
    with pytest.raises(NotImplementedError):
        frames.encode(frames.Say("say", object()))  # type: ignore[arg-type]
    assert frames.encode(Fraction(3, 2)).endswith(b'"3/2"')


class Evil:
    """What a pickle may do to whoever reads it (Python documentation, pickle: warning)."""

    def __reduce__(self) -> tuple[object, tuple[str]]:
        return os.system, ("touch executed",)


def framed(body: bytes) -> io.BytesIO:
    return io.BytesIO(struct.pack("<I", len(body)) + body)


@pytest.mark.parametrize(
    "body",
    [
        pickle.dumps(Evil()),
        b'{"type":"Unknown"}',
        b'{"type":"Act","action":["next","two"]}',
        b'{"type":"Act"}',
        b'{"type":"Leave"',
        b"[" * 100_000,
        b"\xff\xfe",
        b"",
    ],
)
def test_nonsense_makes_an_end_and_runs_nothing(
    body: bytes, monkeypatch: pytest.MonkeyPatch, tmp_path: object
) -> None:
    monkeypatch.chdir(str(tmp_path))
    reader: frames.FrameReader[frames.ToPlayer] = frames.FrameReader(framed(body), frames.ToPlayer)
    with pytest.raises(EOFError):
        reader.read()
    assert os.listdir() == []


@given(st.binary(max_size=300))
def test_whatever_comes_is_a_frame_or_the_end(data: bytes) -> None:
    for stream in (io.BytesIO(data), framed(data)):
        reader: frames.FrameReader[frames.FromPlayer] = frames.FrameReader(stream, frames.FromPlayer)
        with pytest.raises(EOFError):
            reader.read()


def test_a_length_beyond_all_reason_is_not_waited_for() -> None:
    reader: frames.FrameReader[frames.ToPlayer] = frames.FrameReader(
        io.BytesIO(b"\xff\xff\xff\xff"), frames.ToPlayer
    )
    with pytest.raises(EOFError):
        reader.read()


def test_a_writer_never_waits_for_a_reader_that_has_stopped_reading() -> None:
    read, write = os.pipe()
    writer = frames.FrameWriter(write)
    for _ in range(300):
        writer.put(frames.Say("say", "x" * 4000))
    writer.put(frames.Alive(), must=False)
    assert not writer.push()
    os.close(read)
    os.close(write)
