"""Tonics, modes, changes of key and chords: exercises of our own, each with the rule it goes by.

Progressions are in close position over their roots, a bar of two seconds each. Which chords belong to a key, and how
modes end, is common practice.
"""

from __future__ import annotations

import pytest
from harmony.scores import PIECES, piece

from bridge.harmony.charts.chart import parse_chart
from bridge.harmony.heard.chords import hear_chords, name_sounding
from bridge.harmony.heard.hear import hear
from bridge.harmony.heard.keys import hear_changes, hear_tonic
from bridge.harmony.notes import TimedNote, sorted_notes
from bridge.tuning.chords.kinds import ALL_KINDS
from bridge.tuning.chords.names import ChordName, parse_chord_name
from bridge.tuning.chords.spelling import spell_chord
from bridge.tuning.notes import parse_note

BAR_S = 2.0


def played(text: str, bass: bool = True) -> tuple[list[TimedNote], list[float]]:
    """Play a chart: each chord above middle C's octave, its bass below."""
    notes, starts = [], []
    for bar in parse_chart(text).bars:
        begin = (bar.number - 1) * BAR_S
        starts.append(begin)
        for one in bar.chords:
            if one.chord is None:
                continue
            start = begin + float(one.start) * BAR_S
            end = start + float(one.length) * BAR_S
            root = 60 + (one.chord.root_class - 60) % 12
            notes += [TimedNote(start, end, root + step, 80, 1) for step in one.chord.kind.semitones]
            if bass:
                notes.append(TimedNote(start, end, 36 + one.chord.bass_class, 80, 2))
    return sorted_notes(notes), starts


@pytest.mark.parametrize(
    ("chart", "tonic", "mode"),
    [
        ("| C | F | G7 | C |", "C", "major"),
        ("| Db | Gb | Ab7 | Db |", "Db", "major"),
        ("| Am | Dm | E7 | Am |", "A", "minor"),
        ("| F#m | Bm | C#7 | F#m |", "F#", "minor"),
        # The profiles alone would take these for G major: the same notes, but D begins, ends and lies lowest.
        ("| D | C | G | D | D | C | G | D |", "D", "mixolydian"),
        ("| Dm | G | Dm | C | Dm | G | Dm | Dm |", "D", "dorian"),
        ("| Em | D | C | D | Em | D | C | Em |", "E", "minor"),
        ("| Bb | Eb | F7 | Bb |", "Bb", "major"),
    ],
)
def test_tonic_and_mode(chart: str, tonic: str, mode: str) -> None:
    notes, _ = played(chart)
    heard = hear_tonic(notes)
    assert heard is not None
    assert (heard.name, heard.mode, heard.sure) == (tonic, mode, True)


def test_a_tune_in_mixolydian_over_a_drone_keeps_the_drone() -> None:
    # Only the notes of G major, and the tune stresses G and B; the drone on D decides.
    tune = [67, 71, 67, 69, 71, 72, 71, 69, 67, 66, 67, 71]
    notes = [TimedNote(step * 0.5, step * 0.5 + 0.5, key, 80, 1) for step, key in enumerate(tune)]
    alone = hear_tonic(sorted_notes(notes))
    with_drone = hear_tonic(sorted_notes([*notes, TimedNote(0, 6, 38, 80, 2), TimedNote(0, 6, 45, 80, 2)]))
    assert alone is not None
    assert with_drone is not None
    assert alone.name == "G"
    assert with_drone.name == "D"
    assert "drone" in with_drone.signs
    assert with_drone.sure


def test_a_drone_alone_is_its_own_tonic() -> None:
    heard = hear_tonic([TimedNote(0, 30, 38, 80, 1), TimedNote(0, 30, 45, 80, 1)])
    assert heard is not None
    assert (heard.name, heard.sure) == ("D", True)


def test_the_guitar_decides_between_equals() -> None:
    # Every class as long as any other: nothing in the music speaks for a tonic but where it lies.
    notes = sorted_notes(TimedNote(step * 0.5, step * 0.5 + 0.5, 60 + step) for step in range(12))
    without = hear_tonic(notes)
    assert without is not None
    assert not without.sure
    # C and G are nearly equal here; the guitar tips the scale, whichever of them it is tuned to.
    for tonic, name in ((0, "C"), (7, "G")):
        guided = hear_tonic(piece("to-V-and-back"), guitar_tonic=tonic)
        assert guided is not None
        assert guided.name == name


def test_unsure_where_two_tonics_are_equally_good() -> None:
    # It begins and ends in C, but most of it stands in G: nobody should be advised by either.
    heard = hear_tonic(piece("to-V-and-back"))
    assert heard is not None
    assert not heard.sure
    assert {heard.name, heard.other} == {"C", "G"}
    assert hear_tonic([]) is None


def test_a_change_of_key_is_found_near_its_bar() -> None:
    verse = "| C | F | G7 | C | Am | Dm | G7 | C "
    chorus = "| Eb | Ab | Bb7 | Eb | Cm | Fm | Bb7 | Eb "
    notes, starts = played(verse + chorus + verse + "|")
    heard = hear(notes, starts)
    assert [key.name for key in heard.keys] == ["C", "Eb", "C"]
    assert abs(heard.keys[1].first_bar - 9) <= 1
    assert abs(heard.keys[2].first_bar - 17) <= 1
    steady, bars = played(verse + verse + "|")
    assert len(hear_changes(steady, bars, hear_tonic(steady))) == 1


@pytest.mark.parametrize(
    ("name", "chords"),
    [
        ("pump", "C Am Dm G C"),
        ("cadence", "C F C G7 C"),
        ("fifths", "C F Bdim Em Am Dm G C"),
        ("minor", "Am Dm E Am F Bdim E Am"),
        ("blues", "C7 C7 F7 C7 G7 F7 C7"),
        ("augmented", "C Caug F Caug Ab/C"),
        ("diminished", "C Bdim7 C F#dim7 G C"),
        ("ii-held-V", "C Dm G C"),
    ],
)
def test_chords_of_the_pieces(name: str, chords: str) -> None:
    notes = piece(name)
    starts = [BAR_S * bar for bar in range(int(max(note.end_s for note in notes) / BAR_S))]
    found = [str(one) for one in hear_chords(notes, starts, str(PIECES[name]["tonic"]))]
    if name == "minor":
        # B D F A over B: the A sounds too, so it is the half-diminished seventh.
        assert found[5] in ("Bdim", "Bm7b5")
        found[5] = "Bdim"
    assert found == chords.split()


@pytest.mark.parametrize("kind", ALL_KINDS, ids=lambda kind: kind.suffix or "major")
@pytest.mark.parametrize("root", range(12))
def test_every_kind_is_named_from_its_own_notes(kind: object, root: int) -> None:
    notes = [TimedNote(0, 2, 48 + root + step) for step in kind.semitones]  # type: ignore[attr-defined]
    heard = name_sounding(notes)
    assert heard is not None
    # What sounds is what is named, whichever of two names for the same notes is taken.
    assert heard.pitch_classes == {note.key % 12 for note in notes}
    assert heard.bass_class == root


def test_broken_chords_pedal_and_passing_notes() -> None:
    # A C major arpeggio under the pedal, then one of G with a passing A.
    arpeggio = [TimedNote(0.25 * step, 2.0, key) for step, key in enumerate((48, 55, 60, 64, 67, 64, 60, 55))]
    second = [
        TimedNote(2 + 0.5 * step, 2.5 + 0.5 * step, key) for step, key in enumerate((43, 59, 62, 67))
    ] + [TimedNote(3.25, 3.35, 69)]
    found = hear_chords(sorted_notes(arpeggio + second), [0.0, 2.0], "C")
    assert [str(one) for one in found] == ["C", "G"]
    assert found[0].sounds == ("C", "E", "G")


def test_several_chords_in_a_bar_and_a_silent_one() -> None:
    notes, starts = played("| G | Em | Am D7 | N.C. | C G/B Am G |")
    found = hear_chords(notes, starts, "G")
    assert [str(one) for one in found if one.bar == 3] == ["Am", "D7"]
    assert [str(one) for one in found if one.bar == 4] == ["N.C."]
    assert [str(one) for one in found if one.bar == 5] == ["C", "G/B", "Am", "G"]


@pytest.mark.parametrize(
    ("root", "semitones", "notes"),
    [
        ("A", (0, 4, 7), "A C# E"),
        ("Db", (0, 4, 7), "Db F Ab"),
        ("C#", (0, 4, 7), "C# E# G#"),
        ("F#", (0, 3, 6, 9), "F# A C Eb"),
        ("C", (0, 4, 8), "C E G#"),
        ("C", (0, 4, 7, 9), "C E G A"),
        ("Bb", (0, 4, 7, 10), "Bb D F Ab"),
        ("E", (0, 4, 7, 10, 14), "E G# B D F#"),
        ("Gb", (0, 3, 7), "Gb A Db"),  # B double flat is written A
    ],
)
def test_chords_spell_by_letters(root: str, semitones: tuple[int, ...], notes: str) -> None:
    assert spell_chord(root, semitones) == tuple(notes.split())


def test_a_heard_chord_is_spelled_by_itself_not_by_the_key() -> None:
    # A major in F: its third is C sharp, though F's own b6 would be D flat.
    found = hear_chords(sorted_notes(TimedNote(0, 2, key) for key in (45, 61, 64, 69)), [0.0], "F")
    assert found[0].sounds == ("A", "C#", "E")
    # A diminished chord on the way to D leads up: C sharp.
    leading = hear_chords(sorted_notes(TimedNote(0, 2, key) for key in (49, 52, 55)), [0.0], "C")
    assert str(leading[0]) == "C#dim"


def test_names_are_read_as_they_are_written() -> None:
    for kind in ALL_KINDS:
        for root in ("C", "F#", "Bb"):
            chord = ChordName(root, kind)
            assert parse_chord_name(str(chord)) == chord


def test_open_d_chord() -> None:
    notes = [TimedNote(0, 3, parse_note(note)) for note in ("D2", "A2", "D3", "F#3", "A3", "D4")]
    assert str(name_sounding(notes, "D")) == "D"
