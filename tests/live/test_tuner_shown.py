"""What the live tuner shows: steady, right, and gone when it should be. Without sound card, clock or terminal."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping

import numpy as np
import pytest
from rich.console import Console
from support import takes

from bridge.live.desk.tuner import HELD_S, NOTHING_S, Shown, SoundWatch, Steadied, TunerSeen
from bridge.live.desk.views.letters import _LETTERS, big, low
from bridge.live.desk.views.tuner import TunerLines, TunerScreen, scale_line
from bridge.sound.listening.meter import Meter, Reading
from bridge.tuning.strings.aims import StringAim

D3 = 146.5
AIMS = {
    number: StringAim(number, note, hz, D3, partial, other)
    for (number, hz), note, (partial, other) in zip(
        takes.open_d(D3, {}).items(),
        ("D2", "A2", "D3", "F#3", "A3", "D4"),
        ((1, 2), (3, 4), (1, 1), (5, 4), (3, 2), (2, 1)),
        strict=True,
    )
}


def reading(time_s: float, hz: float, confidence: float = 0.9, steady: bool = False) -> Reading:
    return Reading(time_s, hz, 0.0, None, confidence, steady)


def sharp(hz: float, cents: float) -> float:
    return hz * 2 ** (cents / 1200)


def test_that_nothing_comes_is_gone_once_sound_comes_and_told_anew() -> None:
    watch = SoundWatch("Line")
    begun = watch.said
    assert not watch.look(0.0, NOTHING_S - 0.1)
    assert watch.look(0.0, NOTHING_S + 0.1)
    assert "nothing at all comes from Line" in watch.said[-1]
    assert "--mic" in watch.said[-1]
    assert watch.look(0.1, NOTHING_S + 0.2), "what is shown has changed"
    assert watch.said == begun
    assert not watch.look(0.0, 2 * NOTHING_S)
    assert watch.look(0.0, 2 * NOTHING_S + 0.4)
    assert len(watch.said) == len(begun) + 1


def test_plucks_from_the_meter_to_what_is_shown() -> None:
    strings = takes.open_d(D3)
    sound = takes.take([strings[4], strings[3], strings[6]], gap_s=1.5)
    meter = Meter(takes.RATE, [(aim.string, aim.hz) for aim in AIMS.values()])
    steadied = Steadied(AIMS)
    seen: list[tuple[float, Shown]] = []
    for first in range(0, sound.size, 441):
        heard = meter.feed(sound[first : first + 441])
        if heard is not None and steadied.take(heard):
            assert steadied.shown is not None
            seen.append((heard.time_s, steadied.shown))
    order = [shown.aim.string for _, shown in seen if shown.aim is not None]
    assert list(dict.fromkeys(order)) == [4, 3, 6]
    assert order == sorted(order, key=[4, 3, 6].index)  # never back and forth
    for number in (4, 3, 6):
        assert steadied.last[number] == pytest.approx(takes.OFF_CENTS[number], abs=0.2)
    third = [shown for _, shown in seen if shown.aim is AIMS[3]][-1]
    assert third.beats_hz == pytest.approx(abs(4 * strings[3] - 5 * D3), abs=0.1)
    assert third.turn == "loosen"


def test_readings_are_smoothed() -> None:
    steadied = Steadied(AIMS)
    for number, cents in enumerate((0.0, 9.0, 1.0)):
        steadied.take(reading(0.2 + 0.06 * number, sharp(D3, cents)))
    assert steadied.shown is not None
    assert steadied.shown.cents == pytest.approx(1.0)


def test_another_string_takes_over_when_two_readings_agree_or_a_new_pluck_is_heard() -> None:
    steadied = Steadied(AIMS)
    steadied.take(reading(1.0, D3))
    assert not steadied.take(reading(1.1, AIMS[3].hz))
    assert steadied.shown is not None
    assert steadied.shown.aim is AIMS[4]
    assert steadied.take(reading(1.2, AIMS[3].hz))
    assert steadied.shown.aim is AIMS[3]
    # A first guess comes only after a new pluck.
    assert steadied.take(reading(1.5, AIMS[6].hz, confidence=0.4))
    assert steadied.shown.aim is AIMS[6]
    assert steadied.shown.guess


def test_nothing_is_smoothed_across_plucks() -> None:
    steadied = Steadied(AIMS)
    for k in range(3):
        steadied.take(Reading(1.0 + 0.06 * k, sharp(D3, -200.0), 0.0, None, 0.9, False, pluck=1))
    assert steadied.take(Reading(1.5, sharp(D3, 3.0), 0.0, None, 0.9, False, pluck=2))
    assert steadied.shown is not None
    assert steadied.shown.cents == pytest.approx(3.0)
    # Another string's reading of a new pluck takes over at once.
    assert steadied.take(Reading(2.0, AIMS[6].hz, 0.0, None, 0.9, False, pluck=3))
    assert steadied.shown.aim is AIMS[6]


def test_a_note_that_is_no_string_says_what_it_is(capsys: pytest.CaptureFixture[str]) -> None:
    steadied = Steadied(AIMS)
    # Db5 is eleven semitones above the first string, D4.
    steadied.take(reading(1.0, 554.4, steady=True))
    assert steadied.shown is not None
    assert steadied.last == {}
    TunerLines(AIMS, 4).show(TunerSeen(steadied.shown))
    assert capsys.readouterr().out == "Db5  554.40 Hz  no string: 11 semitones above string 1 (D4)\n"


def test_a_guess_never_takes_the_place_of_a_reading_of_the_same_string() -> None:
    steadied = Steadied(AIMS)
    steadied.take(reading(1.0, sharp(D3, 2.0), steady=True))
    assert not steadied.take(reading(1.5, sharp(D3, 12.0), confidence=0.4))
    assert steadied.shown is not None
    assert steadied.shown.cents == pytest.approx(2.0)


def test_a_string_that_fades_is_held_and_then_forgotten() -> None:
    steadied = Steadied(AIMS)
    steadied.take(reading(1.0, D3, steady=True))
    assert not steadied.fade(1.0 + HELD_S)
    assert steadied.fade(1.1 + HELD_S)
    assert steadied.shown is None
    assert steadied.last == {4: pytest.approx(0.0)}


def test_far_from_every_string_none_is_named_unless_one_is_held() -> None:
    far = sharp(AIMS[6].hz, -450)
    steadied = Steadied(AIMS)
    steadied.take(reading(1.0, far))
    assert steadied.shown is not None
    assert steadied.shown.aim is None
    held = Steadied(AIMS, held=6)
    held.take(reading(1.0, far))
    assert held.shown is not None
    assert held.shown.cents == pytest.approx(-450)
    assert held.shown.turn == "tighten"


# --- lines


def shown_of(number: int, cents: float, steady: bool = True, guess: bool = False) -> Shown:
    aim = AIMS[number]
    hz = sharp(aim.hz, cents)
    return Shown(aim, hz, aim.cents(hz), aim.beats_hz(hz), aim.turn(hz), steady, guess)


def test_lines_come_when_there_is_something_to_say(capsys: pytest.CaptureFixture[str]) -> None:
    now = [0.0]
    display = TunerLines(AIMS, 4, clock=lambda: now[0])
    display.show(TunerSeen(None))
    display.show(TunerSeen(shown_of(3, -8.0, steady=False, guess=True)))
    display.show(TunerSeen(shown_of(3, -8.0)))
    display.show(TunerSeen(shown_of(3, -7.0)))  # too soon
    now[0] = 1.0
    display.show(TunerSeen(shown_of(3, -7.95)))  # too little
    display.show(TunerSeen(shown_of(3, 0.2)))
    display.show(TunerSeen(shown_of(4, 0.0)))
    display.show(TunerSeen(Shown(None, 100.0, 0.0, None, "", True, False)))
    lines = capsys.readouterr().out.splitlines()
    # A third that is 8 cents flat at D3 = 146.5 Hz: 732.5 Hz · (1 − 2^(−8/1200)) = 3.38 beats a second.
    assert lines == [
        "string 3 F#3  182.28 Hz  -8.0 cents  tighten  3.38 beats a second against string 4 (D3)",
        "string 3 F#3  183.15 Hz  +0.2 cents  in tune  a beat every 11.8 s against string 4 (D3)",
        "string 4 D3  146.50 Hz  0.0 cents  in tune  no beats against the reference",
        "G2  100.00 Hz  no string is near",
    ]


# --- the picture


def picture(
    shown: Shown | None,
    last: Mapping[int, float],
    width: int = 80,
    height: int = 25,
    said: tuple[str, ...] = (),
) -> list[str]:
    screen = TunerScreen(AIMS, 4, Console(file=io.StringIO(), width=width, height=height))
    screen.show(TunerSeen(shown, last, said))
    plain = Console(width=width, height=height, file=io.StringIO(), color_system=None)
    plain.print(screen._picture(TunerSeen(shown, last, said)))
    assert isinstance(plain.file, io.StringIO)
    return [line.rstrip() for line in plain.file.getvalue().splitlines()]


@pytest.mark.parametrize(
    "shown",
    [
        None,
        shown_of(3, -8.2),
        shown_of(4, 0.1),
        shown_of(6, 240.0, guess=True),
        Shown(None, 300.0, 0, None, "", True, False),
    ],
)
def test_the_picture_fits_a_small_terminal_and_stays_where_it_is(shown: Shown | None) -> None:
    lines = picture(shown, {4: 0.1, 3: -8.2})
    assert len(lines) <= 22
    assert max(map(len, lines)) <= 80
    strings = next(index for index, line in enumerate(lines) if line.startswith("6 D2"))
    assert strings == 12
    assert "3 F#3  -8.2" in lines[strings]


@pytest.mark.parametrize(
    ("shown", "far", "words"),
    [
        (None, "", "pluck a string"),
        (shown_of(3, -8.2), "3 F#3  -8.2", "TIGHTEN"),
        (shown_of(6, 99.96), "6 D2  +100.0", "LOOSEN, GO BELOW, COME UP AGAIN"),
        (shown_of(6, 240.0, guess=True), "6 D2  ~+240", "LOOSEN"),
        (Shown(None, 300.0, 0, None, "", True, False), "D4", "NO STRING IS NEAR"),
    ],
)
def test_forty_columns_and_ten_lines_are_enough(shown: Shown | None, far: str, words: str) -> None:
    """300 Hz is 37 cents above D4 (293.66 Hz in equal temperament at A4 = 440 Hz)."""
    lines = picture(shown, {4: 0.1, 3: -8.2}, 40, 10)
    assert len(lines) <= 9
    assert max(map(len, lines)) <= 40
    if far:
        assert lines[:3] == [line.rstrip() for line in low(far, 40)]
    assert any(words in line for line in lines)
    strings = " ".join(lines[6:8])
    assert "3 F#3  -8.2" in strings
    assert "1 D4   ..." in strings


def test_what_is_wrong_is_told_whole_in_forty_columns() -> None:
    wrong = "nothing at all comes from system: is it muted, or another input meant (--mic)?"
    lines = picture(None, {}, 40, 10, (wrong,))
    assert wrong in " ".join(lines)
    assert lines[6].startswith("6 D2"), "the strings stay where they are"


def test_the_picture_says_it_in_words_too() -> None:
    text = "\n".join(picture(shown_of(3, -8.2), {}))
    assert "TIGHTEN" in text
    assert "string 3 F#3" in text
    assert "beats a second against string 4 (D3)" in text
    assert "IN TUNE" in "\n".join(picture(shown_of(4, 0.1), {}))
    assert "come up again".upper() in "\n".join(picture(shown_of(4, 5.0), {}))


def test_large_letters() -> None:
    assert big("1.", "#") == ["  ##      ", "####      ", "  ##      ", "  ##      ", "######  ##"]
    for letter in _LETTERS:
        rows = big(letter)
        assert len(rows) == 5
        assert len({len(row) for row in rows}) == 1


def test_the_scale_is_finer_near_the_middle() -> None:
    def place(cents: float) -> int:
        return scale_line(cents).index("\N{BLACK DIAMOND}") - 30

    assert place(0) == 0
    assert place(50) == place(900) == 30
    assert place(-50) == -30
    assert place(5) == round(30 * math.sqrt(0.1))
    assert np.all(np.diff([place(cents) for cents in np.linspace(-60, 60, 200)]) >= 0)
