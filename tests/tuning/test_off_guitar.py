"""What is said where a table and the open strings disagree: from whole numbers of pure fifths, and from frets."""

from __future__ import annotations

import pytest

from bridge.store.descriptions import load_guitar, load_scale
from bridge.tuning.off_guitar import off_guitar
from bridge.tuning.reference import default_reference, parse_reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table


def table(guitar: str, reference: str = "", **more: object) -> Table:
    shape = load_guitar(guitar)
    anchor = parse_reference(reference) if reference else default_reference(shape.tonic, shape)
    words = {"home": shape.tonic, "tonic": shape.tonic, "scale": load_scale("five-limit"), **more}
    return build_table(TableSpec(name="t", reference=anchor, guitar=shape, **words))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("guitar", "off"),
    [
        # Three fifths above C the A is 27/16, a comma (81/80, 21.506 cents) above 5/3: the tonic's string agrees.
        ("cello", {1: 21.506}),
        ("viola", {1: 21.506}),
        # In fourths from E, on D: A 3/2, E 9/8, G 4/3 are the scale's own.
        ("double-bass", {}),
        ("bass-pure-fourths", {}),
        # E 20/27 below A: A is 27/20 above E where the scale has 4/3.
        ("standard-comma-e-a", {5: 21.506}),
        ("standard-comma-e-e", {6: 21.506, 5: 21.506}),
        ("standard-comma-a-d", {}),
    ],
)
def test_a_table_hangs_on_the_open_tonic_string(guitar: str, off: dict[int, float]) -> None:
    made = table(guitar)
    found = {one.number: one.cents_from_table for one in made.strings if abs(one.cents_from_table) > 0.01}
    assert found == pytest.approx(off, abs=1e-3)


def test_the_reference_keeps_its_pitch_on_the_guitar() -> None:
    """The cello's A sounds what the tuner says; its C string is three pure fifths below, 8/27."""
    made = table("cello", "A3=221")
    strings = {one.number: one.hz for one in made.strings}
    assert strings[1] == pytest.approx(221.0)
    assert strings[4] == pytest.approx(221.0 * 8 / 27)
    assert made.hz[36] == pytest.approx(221.0 * 8 / 27)


def test_a_temperament_goes_through_the_reference() -> None:
    made = table("violin", "A4=440", scale=load_scale("equal"))
    assert made.hz[69] == 440.0


def test_a_reference_that_is_no_string_places_the_tonic_string() -> None:
    made = table("cello", "C4=261")
    strings = {one.number: one for one in made.strings}
    assert strings[4].hz == pytest.approx(261.0 / 4)
    assert made.hz[60] == pytest.approx(261.0)


def test_one_sentence_says_which_and_what_to_do() -> None:
    said = off_guitar([("", table("cello"))])
    assert said == (
        "off the guitar: string 1 (A3) 21.5 cents above the table; "
        "leave it out, or --open-strings-win (in a session: open_strings_win = true), which is 6=27/16 and costs IV, vi"
    )
    # In open D a whole tone below home, at 16/9, both A strings lie a comma above C's 5/3: 27/16 cures that at the cost
    # of F (F A C) and Am (A C E), the two that have A as third and as root.
    assert off_guitar([("", table("open-d", tonic="C"))]) == (
        "off the guitar: strings 5, 2 (A2, A3) 21.5 cents above the table; leave them out, or --open-strings-win "
        "(in a session: open_strings_win = true), which is 6=27/16 and costs IV, vi"
    )
    # Where strings of several degrees lie off, no one degree serves them.
    assert off_guitar([("", table("open-d", tonic="E"))]).endswith("open_strings_win = true)")
    assert off_guitar([("", table("open-d"))]) == ""
    assert off_guitar([("", table("cello", open_strings_win=True))]) == ""


def test_tables_that_agree_are_not_named() -> None:
    """Open D with tonic E at 9/8: D is 80/81 of the strings'. At home all agree."""
    home, other = table("open-d"), table("open-d", tonic="E")
    said = off_guitar([("from the start", home), ("bar 17", other)])
    assert "bar 17: strings 6, 4, 3, 1 (D2, D3, F#3, D4) 21.5 cents below the table" in said
    assert "from the start" not in said


def test_frets_are_no_disagreement() -> None:
    assert off_guitar([("", table("open-d", fret=5))]) == ""
