"""What a musician is shown: one snapshot for everybody, and what terminals of every size and plain lines make of it."""

from __future__ import annotations

import io
import os
import threading
import time
from dataclasses import replace

import pytest
from rich.console import Console

from bridge.engine.play.controls import Action, Controls
from bridge.engine.play.keyboards import Keyboard
from bridge.engine.play.tables import Kept, PlayTable
from bridge.live.desk.drawing import Drawer
from bridge.live.desk.labels import Labels, StepShown, about_channels, beat_words, feet_shown
from bridge.live.desk.typed import keys_shown
from bridge.live.desk.views.letters import big, fitting
from bridge.live.desk.views.lines import Printed
from bridge.live.desk.views.playing import (
    ALARMS,
    MESSAGE_S,
    LinesDisplay,
    ScreenDisplay,
    make_display,
    picture,
    recent,
)
from bridge.live.prepare.keyboard import apart
from bridge.live.snapshot import Message, Snapshot
from bridge.live.state import Counts, Held, Sounding, State
from bridge.tuning.reference import Reference

D3 = Reference(50, 146.5)
HZ = (440.0,) * 128
NAMES = ("D", "G", "A")
SLOTS = tuple(PlayTable(name, HZ, HZ, tonic) for name, tonic in zip(NAMES, (2, 7, 9), strict=True))
PROGRAMME = (
    StepShown(1, 2, "First", "from the start", "in D", "D2 A2", "Quiet."),
    StepShown(1, 2, "First", "bar 9", "in G", "G2"),
    StepShown(2, 2, "Second", "from the start", "in A", reference=Reference(57, 219.0)),
)
PLAIN = Labels(SLOTS, (), "octave", "any synth", D3, feet=("foot 66: next",))
EVENING = Labels(
    SLOTS,
    (),
    "octave",
    "Box",
    D3,
    PROGRAMME,
    "Silence your phones.",
    ("method octave: it is the best",),
    keys_shown(True, True, True),
    ("foot 80: next",),
)
STATE = State(
    kept=Kept(2),
    keyboard="Keys",
    synth="Box",
    keyboard_there=True,
    synth_there=True,
    sounding=(Sounding(1, 50, -3.9), Sounding(1, 54, -17.6), Sounding(2, 57, -1.9)),
    counts=Counts(received=10, sent=20, dropped=3),
    bar=7,
)
NOON_S = time.mktime((2024, 6, 1, 12, 34, 0, 0, 0, -1))


def seen(
    labels: Labels = PLAIN, state: State = STATE, moved_cents: float = 0.0, **changes: object
) -> Snapshot:
    """What everybody is shown of a player's state."""
    values: dict[str, object] = {"at_s": NOON_S, "link": "ok", **labels.shown(state, moved_cents), **changes}
    return Snapshot(**values)  # type: ignore[arg-type]


def at(number: int, **changes: object) -> State:
    kept = Kept(number, trim_cents=float(changes.pop("trim_cents", 0.0)))  # type: ignore[arg-type]
    return replace(STATE, kept=kept, **changes)  # type: ignore[arg-type]


def said(kind: str, text: str, number: int = 1, age_s: float = 0.0) -> Message:
    return Message(number, NOON_S - age_s, kind, text)  # type: ignore[arg-type]


def text_of(shown: Snapshot, width: int = 80, height: int = 24) -> str:
    rows = picture(shown, width, height)
    assert len(rows) < height
    assert all(len(row.plain) < width for row in rows)
    return "\n".join(row.plain for row in rows)


# ---- the snapshot


def test_the_snapshot_says_all_that_holds_in_words() -> None:
    held = Held(16, (38, 45), on=True, level=0.5)
    sounding = (Sounding(16, 38, -3.9), Sounding(16, 45, -1.9), Sounding(1, 66, -17.6))
    shown = seen(EVENING, at(1, held=held, sounding=sounding, trim_cents=1.5))
    assert (shown.piece, shown.piece_number, shown.pieces) == ("First", 1, 2)
    assert (shown.section, shown.table, shown.tonic) == ("from the start", "in D", "D")
    assert (shown.next, shown.then) == ("bar 9: in G", "2/2  Second: in A")
    assert shown.remarks == ("Quiet.", "Silence your phones.")
    assert (shown.drone.state, shown.drone.notes, shown.drone.volume) == ("on", ("D2", "A2"), 0.5)
    assert [note.name for note in shown.sounding] == ["F#4"], "the drone is no playing"
    assert shown.chord == "D", "D, A and F#"
    assert shown.feet == ("foot 80: next",)
    assert "q quit" in shown.keys
    assert not shown.last
    last = seen(EVENING, at(3))
    assert last.last
    assert (last.next, last.then) == ("", "")


def test_the_reference_is_what_it_sounds_now() -> None:
    """146.5 Hz moved 10 cents by ear and 2 by trim: times 2^(12/1200). A piece of its own reference does not move."""
    shown = seen(EVENING, at(1, trim_cents=2.0), moved_cents=10.0)
    assert shown.reference == "D3"
    assert shown.reference_hz == pytest.approx(146.5 * 2 ** (12 / 1200))
    own = seen(EVENING, at(3), moved_cents=10.0)
    assert (own.reference, own.reference_hz) == ("A3", pytest.approx(219.0))


def test_outside_sessions_the_next_table_is_told_too() -> None:
    assert seen().next == "3  A"
    assert seen(PLAIN, at(3)).next == "1  D", "it goes round"
    assert seen(Labels(SLOTS[:1]), at(1)).next == ""


@pytest.mark.parametrize(
    ("held", "state"),
    [
        (None, "none"),
        (Held(16, ()), "off"),
        (Held(16, (), on=True), "on"),
        (Held(16, (), on=True, hushed=True), "waiting"),
        (Held(16, (38,), on=True, hushed=True, level=0.2), "waiting"),
        (Held(16, (38,), on=True, level=1.0), "on"),
        (Held(16, (38,), level=0.4), "off"),  # it dies away
        (Held(16, (38,), hushed=True, level=0.4), "off"),  # and does not come back after the listening
        (Held(16, (), hushed=True), "off"),
    ],
)
def test_a_drone_that_waits_is_told_from_one_that_is_off(held: Held | None, state: str) -> None:
    assert seen(EVENING, at(1, held=held)).drone.state == state
    assert seen(EVENING, at(3, held=Held(16, ()))).drone.state == "none", "that piece has none"


def test_feet_and_silent_keys_are_told_in_words() -> None:
    """Pedals have the names that MIDI 1.0 gives their controllers (table of controller numbers)."""
    feet = {64: Action("pause"), 66: Action("next"), 67: Action("trim", -0.5), 20: Action("next-piece")}
    assert feet_shown(Controls(channel=None, feet=feet, zone=(24, 35))) == (
        "sustain pedal: pause",
        "sostenuto pedal: next",
        "soft pedal: trim -0.5 cents",
        "foot 20: next piece",
        "keys C1 to B1: tonics",
    )
    assert feet_shown(Controls()) == ("program buttons of a foot board: tables",)


def test_of_one_table_nobody_is_told_how_to_choose_another() -> None:
    feet = ("sostenuto pedal: drone", "program buttons of a foot board: tables")
    one = replace(PLAIN, tables=SLOTS[:1], feet=feet)
    shown = seen(one, at(1))
    assert shown.keys == ("e equal/just", "+ - trim", "0 untrim", "v engine", "x panic", "q quit")
    assert shown.feet == feet[:1]
    assert seen(replace(PLAIN, feet=feet)).feet == feet


def test_beats_are_those_of_the_partials_that_nearly_meet() -> None:
    """D3 and F#3 in equal temperament: 5 x 146.83 against 4 x 185.00 Hz beat 5.83 times a second (derived)."""
    d3, f3 = Sounding(1, 50, 0.0), Sounding(1, 54, 0.0)
    assert beat_words([d3, f3], [], "D") == ("D3 - F#3: 5.83 beats a second", "5 : 4")
    assert beat_words([d3, f3._replace(cents=-13.6863)], [], "D") == ("D3 - F#3: no beats", "5 : 4")
    assert beat_words([d3], [], "D") == ("", "")


def test_beats_are_those_between_the_drone_and_the_highest_note() -> None:
    """D2 and F#4 equal: 5 x 73.42 against 1 x 369.99 Hz beat 2.91 times a second (derived); D4 plays no part."""
    drone, played = Sounding(16, 38, 0.0), [Sounding(1, 62, 0.0), Sounding(1, 66, 0.0)]
    assert beat_words(played, [drone], "D") == ("D2 - F#4: 2.91 beats a second", "5 : 1")
    assert beat_words([], [drone], "D") == ("", ""), "the drone alone"


# ---- plain lines


def test_lines_are_written_where_something_changes(capsys: pytest.CaptureFixture[str]) -> None:
    display = LinesDisplay()
    hello = (said("said", "hello"),)
    display.show(Snapshot(messages=hello))
    display.show(seen(messages=hello))
    display.show(seen(messages=hello))
    display.show(seen(PLAIN, replace(STATE, kept=Kept(1, None, True, -1.5)), messages=hello))
    display.close()
    assert capsys.readouterr().out.splitlines() == [
        "hello",
        "table 2  G",
        "  next: 3  A",
        "so far 0 late, 3 not MIDI, 0 not sent",
        "table 1  D  EQUAL (through the same reference)  trim -1.5 cents",
        "  next: 2  G",
    ]


@pytest.mark.skipif(os.name != "posix", reason="a terminal of a test's own")
def test_lines_at_a_dumb_terminal_are_folded_and_say_what_keys_and_feet_do(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import termios

    terminal, end = os.openpty()
    termios.tcsetwinsize(end, (10, 40))
    monkeypatch.setenv("TERM", "dumb")
    messages = (said("engine", "method octave: it is the best"), said("said", "a word " * 12, 2))
    with os.fdopen(end, "w") as stream:
        monkeypatch.setattr("sys.stdout", stream)
        display = make_display(lines=False, keys=True)
        for engine in (False, True, False):
            display.show(seen(EVENING, at(3), messages=messages, engine=engine))
    data = b""
    while messages[0].text.encode() not in data:  # the last thing written
        data += os.read(terminal, 1 << 16)
    os.close(terminal)
    lines = data.decode().splitlines()
    assert all(len(line) < 40 for line in lines)
    text = " ".join(lines)
    for part in (
        "foot 80: next",
        "1-9 piece   n next",
        "x panic",
        "piece 2/2  Second",
        "the last section",
        "12:34",
    ):
        assert part in text, part
    before, after = text.split("in 10  out 20")
    assert "method" not in before, "the engine's words come when v asks for them"
    assert "method octave" in after
    assert text.count("foot 80: next") == text.count("method octave") == 1


def test_an_address_is_not_folded(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(Printed, "_columns", lambda _: 40)
    address = "http://192.168.178.20:8765/a-word-that-nobody-guesses"
    Printed()._say(f"look at it on a telephone: {address}")
    assert address in capsys.readouterr().out.split()


def test_lines_tell_piece_drone_and_what_comes_next(capsys: pytest.CaptureFixture[str]) -> None:
    display = LinesDisplay()
    quiet = replace(STATE, counts=Counts(), sounding=(), held=Held(16, ()))
    sounding = (Sounding(16, 38, 0.0), Sounding(16, 45, 0.0))
    display.show(seen(EVENING, replace(quiet, kept=Kept(1))))
    on = replace(quiet, kept=Kept(1), held=Held(16, (38, 45), on=True), sounding=sounding)
    display.show(seen(EVENING, on))
    display.show(seen(EVENING, replace(quiet, kept=Kept(2, trim_cents=1.5), held=on.held, sounding=sounding)))
    display.show(seen(EVENING, replace(quiet, kept=Kept(3))))
    assert capsys.readouterr().out.splitlines() == [
        "piece 1/2  First, from the start: in D",
        "  next: bar 9: in G",
        "  then: 2/2  Second: in A",
        "drone D2 A2",
        "piece 1/2  First, bar 9: in G  trim +1.5 cents",
        "  next: 2/2  Second: in A",
        "piece 2/2  Second, from the start: in A",
        "  the last section: nothing comes after it",
        "drone off",
    ]


def test_lines_tell_a_drone_that_waits_from_one_that_was_ended(capsys: pytest.CaptureFixture[str]) -> None:
    display = LinesDisplay()
    quiet = replace(STATE, counts=Counts(), sounding=())
    sounding = (Sounding(16, 38, 0.0), Sounding(16, 45, 0.0))
    on = replace(quiet, held=Held(16, (38, 45), on=True), sounding=sounding)
    for state in (
        on,
        replace(on, held=Held(16, (38, 45), on=True, hushed=True, level=0.5)),
        replace(quiet, held=Held(16, (), on=True, hushed=True)),
        replace(quiet, held=Held(16, (), hushed=True)),  # d while it waits: it does not come back
        replace(quiet, held=Held(16, (), on=True, hushed=True)),  # d once more: it will
        replace(quiet, held=Held(16, (), on=True)),
        on,
        replace(on, drone_volume=50),
    ):
        display.show(seen(EVENING, replace(state, kept=Kept(1))))
    said = [line for line in capsys.readouterr().out.splitlines() if line.startswith("drone")]
    waits = "drone waits until the listening is over"
    assert said == ["drone D2 A2", waits, "drone off", waits, "drone D2 A2", "drone D2 A2, volume 50"]


def test_the_evenings_own_notes_are_there_in_every_piece_behind_those_of_the_piece() -> None:
    for number in range(1, 4):
        assert seen(EVENING, at(number)).remarks[-1] == "Silence your phones."


# ---- the picture


def test_the_picture_is_a_musicians() -> None:
    text = text_of(seen(messages=(said("said", "the drone has channel 16 to itself"),)))
    for part in (
        "2  G",
        "12:34",
        "next: 3  A",
        "D3 -3.9",
        "F#3 -17.6",
        "foot 66: next",
        "q quit",
        "bar 7",
        "D3 = 146.50",
    ):
        assert part in text, part
    assert "\N{FULL BLOCK}" in text, "the tonic in large letters"
    for engine in ("octave", "in 10", "not MIDI", "5 : 4", "Keys -> Box"):
        assert engine not in text, engine


def test_channels_are_for_those_who_look_at_the_engine() -> None:
    keyboards = (Keyboard("left", channel=2), Keyboard("right", octave=1))
    about = tuple(about_channels(Controls(), keyboards))
    labels = replace(
        PLAIN, feet=feet_shown(Controls()), keyboards=keyboards, about_engine=(*about, apart(15, 16))
    )
    said_all = tuple(said("engine", text, number) for number, text in enumerate(labels.about_engine, 1))
    shown = seen(labels, messages=said_all)
    assert shown.keyboards == ("keyboard left", "keyboard right: 1 octave up")
    assert "v engine" in shown.keys, "the key that shows the rest"
    assert "channel" not in text_of(shown)
    text = text_of(replace(shown, engine=True), height=30)
    for part in ("channel 16 choose tables", "left plays on channel 2", "the drone has channels 15, 16"):
        assert part in text, part


def test_a_key_shows_what_the_engine_does() -> None:
    text = text_of(seen(engine=True), height=30)
    for part in ("by octave, any synth", "in 10  out 20  late 0  not MIDI 3", "Keys -> Box", "A3 on 2"):
        assert part in text, part


def test_the_picture_of_an_evening() -> None:
    held = Held(16, (38, 45), on=True, level=1.0)
    text = text_of(seen(EVENING, at(1, held=held)), height=30)
    parts = (
        "1/2  First",
        "from the start: in D",
        "Quiet.",
        "next: bar 9: in G",
        "then: 2/2  Second",
        "drone D2  A2",
    )
    for part in (*parts, "Silence your phones.", "N P whole pieces", "l listen"):
        assert part in text, part
    assert "drone off (d: D2  A2)" in text_of(seen(EVENING, at(1, held=Held(16, ()))))
    assert "nothing comes after it" in text_of(seen(EVENING, at(3)))


def test_every_word_of_an_alarm_has_its_letters() -> None:
    for word in (*(word for word, _ in ALARMS.values()), "ONE GONE"):
        assert fitting(word, 80), word


def test_nothing_seems_to_sound_once_what_was_played_to_is_gone() -> None:
    held = Held(16, (38, 45), on=True, level=1.0)
    sounding = (Sounding(16, 38, 0.0), Sounding(16, 45, 0.0), Sounding(1, 62, 0.0), Sounding(1, 66, 0.0))
    state = at(1, held=held, sounding=sounding)
    assert seen(EVENING, state).chord
    gone = seen(EVENING, state.silent(), link="server gone")
    assert (gone.sounding, gone.chord, gone.beats) == ((), "", "")
    assert (gone.drone.state, gone.drone.cents) == ("on", ())
    assert "drone D2  A2, silent" in text_of(gone)


def test_long_notes_and_messages_are_broken_not_cut() -> None:
    words = "Tune the guitar first, then leave it alone for ten minutes and check it again."
    shown = seen(EVENING, at(1), messages=(said("said", words.upper()),))
    rows = [str(row) for row in picture(replace(shown, remarks=(words,)), 40, 30)]
    assert max(map(len, rows)) < 40
    text = " ".join(" ".join(rows).split())
    assert words in text
    assert words.upper() in text


@pytest.mark.parametrize(("width", "height"), [(40, 10), (80, 24), (100, 30), (20, 4)])
@pytest.mark.parametrize("link", ["synth gone", "keyboard gone", "loop", "server gone", "restarting"])
def test_alarms_stand_on_top_whatever_the_size(width: int, height: int, link: str) -> None:
    held = Held(16, (38, 45), on=True, level=1.0)
    shown = seen(EVENING, at(1, held=held), link=link, messages=(said("alarm", "x" * 200),))
    rows = picture(shown, width, height)
    assert len(rows) < height
    assert rows[0].style == "bold white on red"
    assert "1/2" in rows[1].plain


def test_in_a_small_terminal_notes_go_first_and_what_comes_next_stays() -> None:
    held = Held(16, (38, 45), on=True, level=1.0)
    small = text_of(seen(EVENING, at(1, held=held)), 40, 10)
    for part in ("1/2  First", "from the start: in D", "next: bar 9: in G", "drone D2  A2"):
        assert part in small, part
    assert "-17.6" not in small
    assert len(small.splitlines()) == 9, "what the notes leave is filled"


def dots(rows: list[str]) -> list[str]:
    """Read low letters back: each half block is a row of dots of its own."""
    upper = str.maketrans({"\N{UPPER HALF BLOCK}": "#", "\N{LOWER HALF BLOCK}": " ", "\N{FULL BLOCK}": "#"})
    lower = str.maketrans({"\N{UPPER HALF BLOCK}": " ", "\N{LOWER HALF BLOCK}": "#", "\N{FULL BLOCK}": "#"})
    return [row.translate(half).rstrip() for row in rows for half in (upper, lower)]


@pytest.mark.parametrize("link", ["ok", *ALARMS])
@pytest.mark.parametrize("labels", [PLAIN, EVENING])
def test_a_small_terminal_has_large_letters_of_three_rows(labels: Labels, link: str) -> None:
    """A terminal of 40 x 10 shows number and tonic, or the alarm's word: the dots are those of the tall letters."""
    held = Held(16, (38, 45), on=True, level=1.0)
    messages = (said("said", "x " * 200),)
    shown = seen(labels, at(1, held=held), link=link, messages=messages, listening_s=3.0)
    rows = text_of(shown, 40, 10).splitlines()
    word = ALARMS[link][0] if link != "ok" else "1 D" if labels is EVENING else "D"  # type: ignore[index]
    first = 1 if link == "ok" else 2
    wanted = big(word, "#", wide=False)
    drawn = [row[1 : 1 + len(wanted[0])] for row in rows[first : first + 3]]
    assert dots(drawn) == [*(row.rstrip() for row in wanted), ""]
    for part in ("1/2  First", "from the start: in D") if labels is EVENING else ("1  D",):
        assert any(part in row for row in rows), part
    assert any("next: " in row for row in rows)
    assert "LISTENING" in "".join(rows)


def test_letters_are_there_as_a_whole_or_not_at_all() -> None:
    for height in range(2, 40):
        text = text_of(seen(EVENING, at(1)), 40, height)
        lines = [line for line in text.splitlines() if set(line) & set("\N{FULL BLOCK}\N{UPPER HALF BLOCK}")]
        assert len(lines) in ((3, 5) if height >= 6 else (0, 3)), height


def test_an_alarm_that_is_healed_says_so_and_fades() -> None:
    messages = (said("alarm", "the synth is gone", 1, 60.0), said("healed", "the synth is back", 2, 1.0))
    broken = text_of(seen(link="synth gone", messages=messages[:1]))
    assert "the synth is gone" in broken
    healed = text_of(seen(messages=messages))
    assert "is back" in healed
    assert "is gone" not in healed
    later = text_of(replace(seen(messages=messages), at_s=NOON_S + MESSAGE_S))
    assert "is back" not in later


@pytest.mark.parametrize("synth", ["the synth's port Box is ", "the usual sound card is "])
def test_one_alarm_is_healed_while_another_one_stays(synth: str) -> None:
    """The words are those of `bridge.live.player`."""
    right, loop = "the keyboard's port Right 1 is ", "Left is "
    told = (
        ("alarm", synth + "gone; waiting for it"),
        ("alarm", right + "gone; its notes are let go, waiting for it"),
        ("alarm", f"what is sent to Box comes back on Left, a MIDI loop: {loop}not heard until it ends"),
        ("healed", synth + "back: silenced, set up, in tune"),
        ("healed", f"nothing comes back any more: {loop}heard again"),
        ("healed", right + "back"),
    )
    messages = tuple(said(kind, text, number) for number, (kind, text) in enumerate(told, 1))

    def alarms(count: int) -> list[int]:
        now = seen(link="keyboard gone", messages=messages[:count])
        return [one.number for one in recent(now) if one.kind == "alarm"]

    assert [alarms(count) for count in range(7)] == [[], [1], [1, 2], [1, 2, 3], [2, 3], [2], []]
    again = (*messages[:3], said("healed", "playing again: silenced, set up, in tune", 4))
    assert [one.number for one in recent(seen(link="loop", messages=again))] == [4], "all is well again"


def test_listening_counts_its_seconds() -> None:
    assert "LISTENING to the string: 4 s" in text_of(seen(listening_s=3.8), 40, 10)


def test_the_picture_is_drawn_and_what_was_said_stays() -> None:
    out = io.StringIO()
    console = Console(file=out, force_terminal=True, width=100, height=30, color_system=None, highlight=False)
    display = ScreenDisplay(keys=True, console=console)
    display.show(seen(messages=(said("said", "hello"),)))
    assert "2  G" in out.getvalue()
    out.truncate(0)
    display.close()
    assert "hello" in out.getvalue().splitlines()[-1]


def test_a_dumb_terminal_gets_lines(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    for term, kind in (("dumb", LinesDisplay), ("", LinesDisplay), ("xterm", ScreenDisplay)):
        monkeypatch.setenv("TERM", term)
        display = make_display(lines=False, keys=True)
        assert isinstance(display, kind)
        display.close()


def test_a_display_that_cannot_write_is_quiet(monkeypatch: pytest.MonkeyPatch) -> None:
    class Closed(io.StringIO):
        def write(self, _: str) -> int:
            raise OSError(5, "Input/output error")

    monkeypatch.setattr("sys.stdout", Closed())
    for display in (LinesDisplay(), ScreenDisplay(keys=False)):
        display.show(seen())
        display.close()


# ---- drawing


class Stuck:
    """A view whose terminal takes nothing until it is let go."""

    def __init__(self) -> None:
        self.seen: list[int] = []
        self.begun, self.go_on, self.drawn = threading.Event(), threading.Event(), threading.Event()

    def show(self, number: int) -> None:
        self.seen.append(number)
        self.begun.set()
        if number == 99:
            self.drawn.set()
        self.go_on.wait(30)

    def close(self) -> None:
        self.seen.append(-1)


def test_a_terminal_that_takes_nothing_holds_up_nobody_and_sees_only_the_newest_then() -> None:
    view = Stuck()
    drawer: Drawer[int] = Drawer(lambda: view)
    drawer.show(0)
    assert view.begun.wait(10)
    for number in range(1, 100):
        drawer.show(number)
    view.go_on.set()
    assert view.drawn.wait(10)
    drawer.close()
    assert view.seen == [0, 99, -1]


def test_closing_does_not_wait_for_a_terminal_that_takes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.live.desk.drawing.CLOSE_S", 0.01)
    view = Stuck()
    drawer: Drawer[int] = Drawer(lambda: view)
    drawer.show(0)
    assert view.begun.wait(10)
    drawer.close()
    assert view.seen == [0]
    view.go_on.set()


def test_a_view_that_fails_is_told_in_the_end() -> None:
    def make() -> Stuck:
        raise ZeroDivisionError("on purpose")

    drawer: Drawer[int] = Drawer(make)
    drawer.show(1)
    drawer.close()
    assert isinstance(drawer.failure, ZeroDivisionError)


def test_a_picture_is_drawn_again_though_nothing_changes(monkeypatch: pytest.MonkeyPatch) -> None:
    """A shell may have written over it while the program was stopped, or the terminal has another size."""
    monkeypatch.setattr("bridge.live.desk.drawing.AGAIN_S", 0.01)
    drawn = threading.Semaphore(0)

    class Picture(Stuck):
        def again(self) -> None:
            drawn.release()

    view = Picture()
    view.go_on.set()
    drawer: Drawer[int] = Drawer(lambda: view)
    drawer.show(0)
    assert all(drawn.acquire(timeout=10) for _ in range(3))
    drawer.close()
    assert view.seen == [0, -1], "it is the same picture"
