"""A table from words: what is laid over what, with what is expected worked out from ratios.

Ratios are those of Ellis's duodene, as `five-limit` has them: 2 = 9/8, b7 = 9/5 (A. J. Ellis, appendix XX to
Helmholtz, *On the Sensations of Tone*). 1200 * log2((9/5) / (7/4)) = 48.770 cents.
"""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np
import pytest

from bridge.errors import StillbeatError, TuningProblem, ValueProblem
from bridge.store.descriptions import FILES
from bridge.tuning.asked import Asked, NoTonic, TableWords, make_spec, parse_key, parse_pin, read_words
from bridge.tuning.reference import Reference
from bridge.tuning.scales import Interval
from bridge.tuning.spec import TableSpec, literal_spec
from bridge.tuning.tables import build_table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from bridge.tuning.guitars import Guitar
    from bridge.tuning.scales import Scale

SEVENTH = (10, Interval.of_ratio(Fraction(7, 4)))


@dataclass
class OwnShelf:
    """The shipped guitars and scales, and one table."""

    kept: TableSpec

    def guitar(self, name: str) -> Guitar:
        return FILES.guitar(name)

    def scale(self, name: str) -> Scale:
        return FILES.scale(name)

    def table(self, name: str) -> TableSpec:
        assert name == "kept"
        return self.kept


@pytest.fixture(scope="module")
def shelf() -> OwnShelf:
    """A table of open D that stands on A, with a seventh of 7/4 above A."""
    guitar = FILES.guitar("open-d")
    spec = TableSpec("kept", FILES.scale("five-limit"), "D", "A", Reference(50, 146.5), guitar)
    return OwnShelf(spec.with_degrees([SEVENTH]))


def made(shelf: OwnShelf, standing: Asked | None = None, **words: object) -> TableSpec:
    return make_spec(read_words(TableWords(**words), shelf), shelf, standing)  # type: ignore[arg-type]


def cents_between(low: int, high: int, spec: TableSpec) -> float:
    hz = build_table(spec).hz
    return float(1200.0 * np.log2(hz[high] / hz[low]))


def test_a_seventh_above_one_tonic_does_not_follow_another(shelf: OwnShelf) -> None:
    """E4 = key 64, D5 = 74: its b7. Keeping what was replaced above A would leave it 48.77 cents flat."""
    assert cents_between(69, 79, shelf.kept) == pytest.approx(968.826, abs=0.001)
    assert cents_between(64, 74, made(shelf, table="kept", tonic="E")) == pytest.approx(1017.596, abs=0.001)
    # The tonic that stands, named again, starts from the piece's own scale as well.
    assert cents_between(69, 79, made(shelf, table="kept", tonic="A")) == pytest.approx(1017.596, abs=0.001)
    # Anything else beside the table leaves it.
    assert made(shelf, table="kept", fret=2).degree_changes == (SEVENTH,)
    again = made(shelf, table="kept", tonic="E", degrees=("b7=7/4",))
    assert cents_between(64, 74, again) == pytest.approx(968.826, abs=0.001)


@pytest.mark.parametrize(
    ("words", "home", "tonic", "stays"),
    [
        ({}, "D", "A", True),
        ({"guitar": "open-g"}, "G", "G", False),
        ({"home": "A"}, "A", "A", True),
        ({"home": "G"}, "G", "G", False),
        ({"guitar": "open-g", "home": "A"}, "A", "A", True),
        ({"guitar": "open-g", "tonic": "D"}, "G", "D", False),
        ({"home": "E", "tonic": "A"}, "E", "A", False),
    ],
)
def test_what_is_named_beside_a_table(
    shelf: OwnShelf, words: dict[str, str], home: str, tonic: str, stays: bool
) -> None:
    spec = made(shelf, table="kept", **words)
    assert (spec.home, spec.tonic) == (home, tonic)
    assert spec.degree_changes == ((SEVENTH,) if stays else ())
    assert spec.guitar is not None
    assert spec.guitar.name == words.get("guitar", "open-d")
    assert spec.reference == Reference(50, 146.5), "the table's own, unless another is named"


def test_degrees_go_to_the_piece_at_home_and_to_the_tonic_elsewhere(shelf: OwnShelf) -> None:
    at_home = made(shelf, guitar="open-d", degrees=("b7=7/4",))
    assert (at_home.home_degree_changes, at_home.degree_changes) == ((SEVENTH,), ())
    elsewhere = made(shelf, guitar="open-d", tonic="G", degrees=("b7=7/4",))
    assert (elsewhere.home_degree_changes, elsewhere.degree_changes) == ((), (SEVENTH,))


def test_what_stands_holds_where_nothing_else_is_said(shelf: OwnShelf) -> None:
    top = read_words(TableWords(guitar="open-d", scale="seven-limit", home="A", reference="A2=110"), shelf)
    spec = made(shelf, top)
    assert (spec.home, spec.tonic, spec.reference) == ("A", "A", Reference(45, 110.0))
    assert spec.scale is not None
    assert (spec.scale.name, spec.guitar) == ("seven-limit", FILES.guitar("open-d"))
    other = made(shelf, top, guitar="open-g", scale="five-limit", reference="G3=195")
    assert (other.home, other.reference) == ("G", Reference(55, 195.0)), "a guitar brings its own home"
    named = made(shelf, top, table="kept")
    assert named == replace(shelf.kept, reference=Reference(45, 110.0)), "a table has guitar, scale and home"


def test_a_standing_reference_does_not_move_128_frequencies(shelf: OwnShelf) -> None:
    hz = [440.0 * 2 ** ((key - 69) / 12) for key in range(128)]
    own = OwnShelf(literal_spec("kept", hz))
    top = read_words(TableWords(reference="A4=415"), own)
    assert made(own, top, table="kept") == own.kept
    asked = made(own, None, table="kept", reference="A4=415")
    assert asked.reference == Reference(69, 415.0)
    assert build_table(asked).hz.tolist() == hz
    with pytest.raises(TuningProblem, match="no scale"):
        made(own, None, table="kept", tonic="D")


def test_pins_come_last_and_a_flag_may_take_back_what_a_table_says(shelf: OwnShelf) -> None:
    kept = replace(shelf.kept, open_strings_win=True, fret=3, slide=Fraction(3, 2)).with_keys([(54, 183.0)])
    own = OwnShelf(kept)
    assert made(own, table="kept") == kept
    spec = made(own, table="kept", pins=("F#3=183.1", "60=260"), open_strings_win=False, fret=0, slide="4/3")
    assert spec.key_overrides == ((54, 183.1), (60, 260.0))
    assert (spec.open_strings_win, spec.fret, spec.slide) == (False, 0, Fraction(4, 3))


def test_names_of_new_tables(shelf: OwnShelf) -> None:
    assert made(shelf, guitar="open-d").name == "open-d"
    assert made(shelf, guitar="open-d", scale="seven-limit").name == "open-d-seven-limit"
    assert made(shelf, tonic="D").name == "D-five-limit"


@pytest.mark.parametrize(
    ("words", "word", "item", "says"),
    [
        ({"tonic": "H"}, "tonic", "", "German H is B"),
        ({"reference": "146.5"}, "reference", "", "names no note"),
        ({"fret": 25}, "fret", "", "fret 25 is out of range"),
        ({"slide": "5/1"}, "slide", "", "slide 5/1 is out of range"),
        ({"degrees": ("2=10/9", "b7=2/1")}, "degrees", "b7", "b7=2/1"),
        ({"degrees": ("2=10/9", "2=9/8")}, "degrees", "2", "2 is given twice"),
        ({"degrees": ("1=1/1",)}, "degrees", "1", "degree 1 cannot be replaced"),
        ({"pins": ("F#3=183.1", "54=184")}, "pins", "54", "F#3 is given twice"),
        ({"pins": ("F#3=0.5",)}, "pins", "F#3", "outside 1 to 25000 Hz"),
        ({"pins": ("F#3",)}, "pins", "F#3", "holds no note at a frequency"),
        ({"guitar": "opn-d"}, "guitar", "", "did you mean open-d"),
    ],
)
def test_a_door_can_tell_where_a_word_stands(
    shelf: OwnShelf, words: dict[str, object], word: str, item: str, says: str
) -> None:
    entered: list[tuple[str, str]] = []

    @contextmanager
    def at(word: str, item: str) -> Iterator[None]:
        entered.append((word, item))
        yield

    with pytest.raises(StillbeatError, match=says):
        read_words(TableWords(**words), shelf, at)  # type: ignore[arg-type]
    assert entered[-1] == (word, item)


def test_nothing_to_build_on(shelf: OwnShelf) -> None:
    with pytest.raises(NoTonic, match="nothing says which note"):
        made(shelf, fret=2)


@pytest.mark.parametrize(
    ("text", "pin"),
    [("F#3=183.1", (54, 183.1)), (" A4 = 438 Hz ", (69, 438.0)), ("60=261", (60, 261.0))],
)
def test_pins(text: str, pin: tuple[int, float]) -> None:
    assert parse_pin(text) == pin


def test_keys_by_number_and_by_note() -> None:
    assert [parse_key(text) for text in ("0", "127", "C4")] == [0, 127, 60]
    with pytest.raises(ValueProblem, match="128"):
        parse_key("128")


# ---- a capo, and what sounds with it on


@pytest.mark.parametrize(
    ("sounding", "capo", "key", "hz"),
    [
        ("E3=164.9", 2, 50, 164.9 / 2 ** (2 / 12)),  # frets are equal semitones
        ("164.9", 2, 50, 164.9 / 2 ** (2 / 12)),  # the guitar's reference string, D3
        ("164.9 Hz", 2, 50, 164.9 / 2 ** (2 / 12)),
        ("B2=124", 2, 45, 124 / 2 ** (2 / 12)),
        ("E3-7c@442", 2, 50, 442 * 2 ** (-19 / 12) * 2 ** (-7 / 1200)),  # D3 is 19 semitones below A4
        ("D3=146.5", 0, 50, 146.5),
    ],
)
def test_what_sounds_with_the_capo_on(shelf: OwnShelf, sounding: str, capo: int, key: int, hz: float) -> None:
    spec = made(shelf, guitar="open-d", capo=capo, sounding=sounding)
    assert spec.fret == capo
    assert spec.reference.key == key
    assert spec.reference.hz == pytest.approx(hz, rel=1e-12)
    assert spec.doubt == ""
    assert spec == made(shelf, guitar="open-d", fret=capo, sounding=sounding), "a capo is a fret"


def test_the_note_that_was_measured_is_the_one_that_sounds(shelf: OwnShelf) -> None:
    """As an open E of open D's scale it would be 9/8 above D instead of two equal semitones: 3.910 cents lower."""
    right = build_table(made(shelf, guitar="open-d", capo=2, sounding="E3=164.9"))
    wrong = made(shelf, guitar="open-d", capo=2, reference="E3=164.9")
    assert right.hz[52] == pytest.approx(164.9, rel=1e-12)
    off = 1200 * np.log2(build_table(wrong).hz[54] / 2 ** (2 / 12) / 164.9)
    assert off == pytest.approx(0.0, abs=1e-9), "there E is the open note, and F# sounds it two frets up"
    open_d = build_table(replace(wrong, fret=0)).hz[50]
    assert 1200 * np.log2(open_d * 2 ** (2 / 12) / 164.9) == pytest.approx(-3.910, abs=0.001)
    assert "does it sound with the capo on, at fret 2?" in wrong.doubt
    assert '--sounding E3=164.9 (in a session: sounding = "E3=164.9")' in wrong.doubt


def test_an_open_string_named_as_what_the_capo_sounds_is_asked_about(shelf: OwnShelf) -> None:
    """Open D with a capo at fret 2 sounds E B E G# B E: D3 is its fourth string without the capo."""
    with pytest.raises(ValueProblem, match=r"no open string sounds D3 with a capo at fret 2.*D3=146\.5"):
        made(shelf, guitar="open-d", capo=2, sounding="D3=146.5")
    # At fret 12 every string sounds its own note again.
    assert made(shelf, guitar="open-d", capo=12, sounding="D3=146.5").reference.key == 38


@pytest.mark.parametrize(
    "words",
    [
        {"guitar": "open-d", "fret": 2, "reference": "D3=146.5"},  # an open string
        {"guitar": "open-d", "fret": 2, "reference": "A4=438"},  # how a tuner is calibrated
        {"guitar": "open-d", "fret": 2, "reference": "G3=195"},  # no string sounds G with a capo at 2
        {"guitar": "open-d", "fret": 7, "reference": "A3=220"},  # an open string too
        {"guitar": "open-d", "reference": "E3=164.9"},
        {"tonic": "D", "fret": 2, "reference": "E3=164.9"},
    ],
)
def test_what_is_not_asked_about(shelf: OwnShelf, words: dict[str, object]) -> None:
    assert made(shelf, **words).doubt == ""


def test_the_capo_of_a_named_table_counts(shelf: OwnShelf) -> None:
    own = OwnShelf(replace(shelf.kept, fret=2))
    assert made(own, table="kept", sounding="E3=164.9").reference.hz == pytest.approx(
        164.9 / 2 ** (2 / 12), rel=1e-12
    )
    assert made(own, table="kept", capo=0, sounding="D3=147").reference == Reference(50, 147.0)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ({"guitar": "open-d", "fret": 2, "capo": 3}, "fret 2 and capo 3 name two frets"),
        ({"guitar": "open-d", "capo": 25}, "fret 25 is out of range"),
        (
            {"guitar": "open-d", "capo": 2, "sounding": "E3=164.9", "reference": "D3=147"},
            "open string, sounding is with the capo on: say one",
        ),
        ({"tonic": "D", "capo": 2, "sounding": "164.9"}, "of which note"),
        ({"guitar": "open-d", "capo": 2, "sounding": "16.49"}, "did you mean 164.9"),
        ({"guitar": "open-d", "capo": 2, "sounding": "C-1=8.2"}, "cannot sound with a capo at fret 2"),
        ({"guitar": "open-d", "capo": 2, "sounding": "loud"}, "'loud' is not a note"),
        ({"guitar": "open-d", "capo": 2, "sounding": "nan"}, "greater than zero"),
    ],
)
def test_capos_that_cannot_be(shelf: OwnShelf, words: dict[str, object], says: str) -> None:
    with pytest.raises(StillbeatError, match=says):
        made(shelf, **words)
