"""The same words mean the same at every door: 128 frequencies to the bit, and the same bytes for one synth.

What the words mean is tested from theory elsewhere (`tests/tuning/test_asked.py`, `test_tables.py`); here no door may
have a meaning of its own. The frequencies are compared exactly, and the messages as well, which decode to them within
half a step of the standard: 100/16384 cents (MIDI 1.0 Detailed Specification, MIDI Tuning).
"""

from __future__ import annotations

import math
import wave
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.doors import (
    DOORS,
    PROGRAM,
    SONG,
    Answer,
    entry_text,
    options,
    parsed,
    prepare_folder,
    said_to_all,
    session_text,
)

from bridge.cli.parts.options import take_table
from bridge.cli.play import play_command, prepare_tables
from bridge.jobs import hearing
from bridge.jobs.changes import place_changes
from bridge.jobs.session.check import check_session
from bridge.sound.listening.heard import Heard, Surroundings
from bridge.store.descriptions import FILES, list_guitars, list_scales, save_table
from bridge.store.smf import read_midi
from bridge.tuning.asked import TableWords, make_spec, read_words
from bridge.tuning.changes import parse_at
from bridge.tuning.spec import literal_spec
from bridge.tuning.tables import build_table

pytestmark = pytest.mark.filterwarnings("ignore::bridge.errors.OffGuitarWarning")

HALF_STEP_CENTS = 100 / 16384 / 2

TONICS = ("C", "D", "E", "F#", "G", "A", "Bb", "B")
REFERENCES = ("D3=146.5", "A4=438", "A2=109.7", "G3-7c", "D3-7c@442", "C4+30c", "E3=166")
DEGREES = {
    "b2": ("16/15", "25/24"),
    "2": ("9/8", "10/9"),
    "b3": ("6/5", "7/6"),
    "3": ("5/4", "81/64", "400c"),
    "4": ("4/3", "21/16"),
    "#4": ("45/32", "7/5"),
    "5": ("3/2", "40/27"),
    "6": ("5/3", "27/16"),
    "b7": ("7/4", "9/5", "16/9"),
    "7": ("15/8", "1087c"),
}
PINS = {"F#3": "183.1", "A3": "219.99", "C-1": "8.2", "G9": "12500", "Bb4": "466"}


SOUNDING = ("E3=164.9", "D3=147", "164", "F#3-12c@441", "A3=220")


def pairs(choices: dict[str, Any], most: int) -> st.SearchStrategy[tuple[str, ...]]:
    """Some of ``name=value``, each name once."""
    return st.dictionaries(
        st.sampled_from(sorted(choices)), st.integers(0, 2), min_size=1, max_size=most
    ).map(
        lambda chosen: tuple(
            f"{name}={choices[name] if isinstance(choices[name], str) else choices[name][at % len(choices[name])]}"
            for name, at in chosen.items()
        )
    )


OVER: dict[str, st.SearchStrategy[Any]] = {
    "scale": st.sampled_from(sorted(list_scales())),
    "tonic": st.sampled_from(TONICS),
    "home": st.sampled_from(TONICS),
    "reference": st.sampled_from(REFERENCES),
    "fret": st.integers(0, 12),
    "capo": st.integers(0, 7),
    "sounding": st.sampled_from(SOUNDING),
    "slide": st.sampled_from(("9/8", "4/3", "3/2", "2/1")),
    "degrees": pairs(DEGREES, 3),
    "pins": pairs(PINS, 2),
    "transpose": st.integers(-5, 5),
    "keep_shapes": st.just(True),
}
NOT_KEPT = ("capo", "sounding", "transpose", "keep_shapes")
"""Words that go with others, which a table in a file does not keep as such."""

WITH_GUITAR = {**OVER, "open_strings_win": st.just(True)}


def new_tables() -> st.SearchStrategy[dict[str, Any]]:
    """Words for a table that none is named for; a few leave out on what it stands, and are refused."""
    guitars = st.fixed_dictionaries({"guitar": st.sampled_from(sorted(list_guitars()))}, optional=WITH_GUITAR)
    over = {word: values for word, values in OVER.items() if word != "tonic"}
    tonics = st.fixed_dictionaries({"tonic": st.sampled_from(TONICS)}, optional=over)
    return apart(st.one_of(guitars, guitars, tonics, st.fixed_dictionaries({}, optional=OVER)))


def apart(words: st.SearchStrategy[dict[str, Any]]) -> st.SearchStrategy[dict[str, Any]]:
    """Leave out, mostly, one of two words that say the same: what goes on is then about tables, not refusals."""

    def chosen(said: dict[str, Any], refused: bool) -> dict[str, Any]:
        out = {"capo": "fret", "sounding": "reference"}
        gone = set() if refused else {other for word, other in out.items() if word in said}
        return {word: value for word, value in said.items() if word not in gone}

    return st.builds(chosen, words, st.sampled_from([False, False, False, True]))


@pytest.fixture(scope="module", autouse=True)
def folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    made = tmp_path_factory.mktemp("doors")
    prepare_folder(made)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(made)
        yield made


def heard_in(messages: tuple[bytes, ...]) -> dict[int, float]:
    """Read single note tuning changes as the standard has them: key, semitone, 14 bits of a semitone."""
    hz: dict[int, float] = {}
    for message in messages:
        assert message[:1] == b"\xf0"
        assert message[3:5] == b"\x08\x02"
        for at in range(7, len(message) - 1, 4):
            key, semitone, high, low = message[at : at + 4]
            hz[key] = 440.0 * 2 ** ((semitone + (high << 7 | low) / 16384 - 69) / 12)
    return hz


def agree(answers: dict[str, Answer]) -> Answer:
    """Hold the doors against each other; return what they all say."""
    first = answers["export"]
    refused = {name: answer.refused for name, answer in answers.items()}
    assert all(refused.values()) or not any(refused.values()), refused
    for name, answer in answers.items():
        if first.refused:
            assert first.refused in answer.refused, f"{name} gives another reason"
            continue
        if answer.hz:
            assert answer.hz == first.hz, f"{name} has other frequencies than export"
        if answer.messages:
            assert answer.messages == first.messages, f"{name} sends other bytes than export"
    if not first.refused:
        assert all(answer.hz or answer.messages for answer in answers.values())
        sent = heard_in(first.messages)
        assert len(sent) == 128
        for key, hz in enumerate(first.hz):
            if 8.2 < hz < 13280:  # within the reach of the standard
                assert abs(1200 * math.log2(sent[key] / hz)) <= HALF_STEP_CENTS + 1e-6
    return first


def test_every_door_is_there() -> None:
    assert set(DOORS) == {
        *("table", "export", "retune", "drone", "play"),
        *("session", "session, at the top", "play --session", "python"),
    }


@pytest.mark.slow
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words=new_tables())
def test_new_tables(words: dict[str, Any], folder: Path) -> None:
    agree(said_to_all(words, folder))


@pytest.mark.slow
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    kept=st.fixed_dictionaries(
        {"guitar": st.sampled_from(["open-d", "dadgad", "banjo-open-g"])},
        optional={word: values for word, values in WITH_GUITAR.items() if word not in NOT_KEPT},
    ),
    words=apart(
        st.fixed_dictionaries({}, optional={**WITH_GUITAR, "guitar": st.sampled_from(["open-g", "violin"])})
    ),
)
def test_words_over_a_table_in_a_file(kept: dict[str, Any], words: dict[str, Any], folder: Path) -> None:
    spec = make_spec(read_words(TableWords(**kept), FILES), FILES)
    (folder / "kept.table.toml").write_text(save_table(spec))
    agree(said_to_all({"table": "kept.table.toml", **words}, folder))


@pytest.mark.slow
@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    hz=st.lists(st.floats(-60, 60), min_size=128, max_size=128).map(
        lambda cents: [440.0 * 2 ** ((100 * (key - 69) + off) / 1200) for key, off in enumerate(cents)]
    ),
    words=st.fixed_dictionaries(
        {}, optional={name: OVER[name] for name in ("reference", "fret", "pins", "tonic", "scale")}
    ),
)
def test_words_over_128_frequencies(hz: list[float], words: dict[str, Any], folder: Path) -> None:
    (folder / "kept.table.toml").write_text(save_table(literal_spec("kept", hz)))
    agree(said_to_all({"table": "kept.table.toml", **words}, folder))


@pytest.mark.parametrize("name", ["open-d", "dadgad", "open-g"])
def test_tables_by_name(name: str, folder: Path) -> None:
    plain = agree(said_to_all({"table": name}, folder))
    assert agree(said_to_all({"guitar": name}, folder)) == plain


def test_a_seventh_above_another_tonic(folder: Path) -> None:
    """Over a table on A whose seventh is 7/4, E has the scale's own: 9/5, and not one 48.77 cents lower."""
    words = TableWords(guitar="open-d", reference="D3=146.5", tonic="A", degrees=("b7=7/4",))
    (folder / "kept.table.toml").write_text(save_table(make_spec(read_words(words, FILES), FILES)))
    answer = agree(said_to_all({"table": "kept.table.toml", "tonic": "E"}, folder))
    assert answer.hz[74] / answer.hz[64] == pytest.approx(9 / 5, rel=1e-12)


# ---- changes inside a piece


@pytest.mark.slow
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    home=st.fixed_dictionaries(
        {"guitar": st.sampled_from(["open-d", "dadgad"])},
        optional={name: OVER[name] for name in ("tonic", "reference", "fret", "slide", "degrees", "pins")},
    ),
    tonic=st.one_of(st.none(), st.sampled_from(TONICS)),
    degrees=st.one_of(st.just(()), pairs(DEGREES, 2)),
    fret=st.one_of(st.none(), st.integers(0, 7)),
)
def test_changes_at_a_bar(
    home: dict[str, Any], tonic: str | None, degrees: tuple[str, ...], fret: int | None, folder: Path
) -> None:
    """At a bar of a track, as another table of a player, and as a section of a session."""
    what = ",".join([*([tonic] if tonic else []), *degrees, *([] if fret is None else [f"fret:{fret}"])])
    if not what:
        return
    spec = make_spec(read_words(TableWords(**home), FILES), FILES)
    (placed,) = place_changes(read_midi(folder / SONG), spec, [parse_at(f"2={what}")])
    line = [*options(home), "--in=keyboard", "--out=synth", f"--also={what}"]
    values = parsed(play_command, line)
    other = prepare_tables(take_table(values), values).plan.tables[1]
    section = {"tonic": tonic, "degrees": degrees or None, "fret": fret}
    entries = "\n".join(entry_text(word, value) for word, value in section.items() if value is not None)
    text = f"{session_text(home)}[[pieces.sections]]\nbar = 2\n{entries}\n"
    text = text.replace(f'programs = "{PROGRAM}"', 'programs = "5-8"')
    (folder / "doors.toml").write_text(text)
    piece = check_session(folder / "doors.toml").plan.pieces[0]
    there = build_table(piece.tables[piece.steps[1].table])
    assert placed.table.hz.tolist() == list(other.hz) == there.hz.tolist()


# ---- by ear: what a take tells, with the ear in the place of which the frequencies are handed in


@pytest.fixture
def ear(folder: Path, monkeypatch: pytest.MonkeyPatch) -> dict[int, float]:
    """The strings that any take holds, in Hz by number."""
    with wave.open(str(folder / "take.wav"), "wb") as file:
        file.setparams((1, 2, 8000, 0, "NONE", ""))
        file.writeframes(bytes(16000))
    strings: dict[int, float] = {}

    def listened(samples: object, rate: float, expected: object) -> Heard:
        named = Surroundings(tuple(strings.items()))
        return Heard(tuple(named.note(0.0, 2.0, hz, 0.123456, 0.0, hz) for hz in strings.values()), ())

    monkeypatch.setattr(hearing, "_listened", listened)
    return strings


@pytest.mark.slow
@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    off_cents=st.lists(st.floats(-30, 30), min_size=6, max_size=6),
    level_hz=st.floats(143, 149),
    take=st.sampled_from(["as_tuned", "reference_from"]),
    words=st.fixed_dictionaries(
        {},
        optional={
            **{name: OVER[name] for name in ("scale", "tonic", "fret", "slide", "degrees", "pins")},
            "reference": st.sampled_from(("D3=146.5", "D3-7c", "D3=145")),
            "open_strings_win": st.just(True),
            "kept": st.just(True),
        },
    ),
)
def test_as_tuned(
    off_cents: list[float],
    level_hz: float,
    take: str,
    words: dict[str, Any],
    folder: Path,
    ear: dict[int, float],
) -> None:
    guitar = FILES.guitar("open-d")
    ear.clear()
    for (number, hz), off in zip(guitar.hz(level_hz).items(), off_cents, strict=True):
        ear[number] = hz * 2 ** (off / 1200)
    said = {**words, take: "take.wav"}
    if said.pop("kept", False):
        kept = TableWords(guitar="open-d", tonic="A", degrees=("b7=7/4",), pins=("F#3=182", "C5=520"))
        (folder / "kept.table.toml").write_text(save_table(make_spec(read_words(kept, FILES), FILES)))
        said["table"] = "kept.table.toml"
    else:
        said["guitar"] = "open-d"
    answer = agree(said_to_all(said, folder))
    assert not answer.refused
    if take == "as_tuned" and not words.keys() & {"fret", "slide", "pins"}:
        for string in guitar.strings:  # measured strings are literal, over the pins of a named table too
            assert answer.hz[string.key] == pytest.approx(ear[string.number], abs=1e-6)
