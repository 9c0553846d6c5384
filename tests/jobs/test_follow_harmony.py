"""The harmony followed in files: what is written is read back by the tests' own reader and a synth on paper.

Pieces and answers are those of the harmony room (`harmony.scores`); the answers follow from the ratios of the chords.
Whole-cent rounding does not come in: all methods here are finer than a fiftieth of a cent.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from harmony.scores import PIECES
from support import synths, written
from support.corpus import MIDI_PACKAGES, midi_files

from bridge.engine.bend.options import BendOptions
from bridge.engine.method import crowded_times
from bridge.engine.report import BendReport
from bridge.errors import TuningProblem, ValueProblem
from bridge.harmony.asked import FollowRequest
from bridge.harmony.charts.chart import parse_chart
from bridge.jobs.chart_drone import plan_chart_drone
from bridge.jobs.choose import TableRequest, choose_table
from bridge.jobs.drone import DroneRequest
from bridge.jobs.retune import _short_of_channels, retune_file
from bridge.jobs.retuned import Retuned, RetuneRequest
from bridge.store.playing import sequences
from bridge.store.smf import read_midi
from bridge.tuning.changes import parse_at
from bridge.tuning.notes import parse_pitch_class
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import build_table

METHODS = ("note", "octave", "bend", "mpe", "dump")
OPEN_D = choose_table(TableRequest(guitar="open-d"))
COMMA = 1200 * math.log2(81 / 80)


def write_piece(folder: Path, name: str) -> Path:
    """Write a piece with known answers as a file; its notes keep their channels."""
    rows = PIECES[name]["notes"]
    assert isinstance(rows, list)
    events = []
    for start, length, key, velocity, channel in rows:
        events.append((start, 1, bytes((0x90 | channel - 1, key, velocity))))
        events.append((start + length, 0, bytes((0x80 | channel - 1, key, 0))))
    events.sort()
    return synths.write_midi(folder / f"{name}.mid", [(time, data) for time, _, data in events])


def spec_of(name: str) -> TableSpec:
    return OPEN_D if name == "guitar" else choose_table(TableRequest(tonic=str(PIECES[name]["tonic"])))


def retuned(
    folder: Path, source: Path, spec: TableSpec, method: str = "note", **more: object
) -> tuple[Retuned, list[written.Sounding]]:
    """Retune a file, following its harmony unless told otherwise; return the record and what the output sounds."""
    more.setdefault("follow_harmony", FollowRequest())
    output = folder / f"{source.stem}-{method}.mid"
    request = RetuneRequest(spec=spec, method=method, **more)  # type: ignore[arg-type]
    done = retune_file(source, output, request, overwrite=True)
    return done, written.sounding(output)


def at(notes: list[written.Sounding], start_s: float, note: str) -> set[float]:
    """Return the offsets, in cents from equal, of a note struck at a time."""
    wanted = parse_pitch_class(note)
    found = {
        round(one.offset_cents, 1)
        for one in notes
        if one.key % 12 == wanted and abs(one.start_s - start_s) < 0.01
    }
    assert found, (start_s, note)
    return found


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize(
    ("name", "after"),
    [
        ("pump", 100),
        ("pump-x4", 100),
        ("pump-tied", 88),
        ("fifths", 100),
        ("to-V-and-back", 100),
        ("minor", 100),
        ("drone", 100),
        ("guitar", 100),
        ("chromatic", 100),
        ("augmented", 86),
        ("diminished", 81),
        ("suspension", 100),
        ("ii-held-V", 100),
    ],
)
def test_the_share_that_must_come_out(name: str, after: float, method: str, tmp_path: Path) -> None:
    done, notes = retuned(tmp_path, write_piece(tmp_path, name), spec_of(name), method)
    assert round(100 * written.share(notes)) == after
    assert max(note.moved_cents for note in notes) < 0.02
    assert len(notes) == len(PIECES[name]["notes"])  # type: ignore[arg-type]
    told = done.told[0]
    assert told.measured is not None
    assert 100 * told.measured.share == pytest.approx(100 * written.share(notes), abs=0.05)


@pytest.mark.parametrize("method", METHODS)
def test_ii_stands_a_comma_lower_and_every_round_is_the_same(method: str, tmp_path: Path) -> None:
    _, notes = retuned(tmp_path, write_piece(tmp_path, "pump-x4"), spec_of("pump-x4"), method)
    # Above C: D at 10/9 lies 17.6 cents below equal, at 9/8 3.9 above; C itself stays.
    c = next(iter(at(notes, 0.0, "C")))
    for start in (4.0, 12.0, 20.0, 28.0):
        assert at(notes, start, "D") == {round(c - 17.6, 1)}
        assert at(notes, start + 2, "D") == {round(c + 3.9, 1)}
    rounds = [
        sorted(
            (round(n.start_s - first, 3), n.key, round(n.offset_cents, 1))
            for n in notes
            if first <= n.start_s < first + 8
        )
        for first in (2.0, 10.0, 18.0, 26.0)
    ]
    assert all(one == rounds[0] for one in rounds)
    assert {round(n.offset_cents, 1) for n in notes if n.key % 12 == 0} == {c}


def test_iv_keeps_its_root_into_the_dominant_and_little_gain_leaves_every_byte_alone(tmp_path: Path) -> None:
    source = write_piece(tmp_path, "cadence")
    done, notes = retuned(tmp_path, source, spec_of("cadence"))
    assert written.share([note for note in notes if abs(note.start_s - 6.0) > 0.01]) == 1.0
    assert len({round(n.offset_cents, 1) for n in notes if n.key % 12 == 5}) == 1
    followed = (tmp_path / "cadence-note.mid").read_bytes()
    retuned(tmp_path, source, spec_of("cadence"), follow_harmony=None)
    assert (tmp_path / "cadence-note.mid").read_bytes() == followed
    assert "left as the table has it" in " ".join(done.music_lines(False))


def test_open_strings_under_ii_beat_whatever_is_chosen_and_the_report_says_so(tmp_path: Path) -> None:
    # D and A ring in channel 2; E minor above them, then G and D, which are pure.
    rows = [(0, 16, 50, 2), (0, 16, 57, 2)]
    for start, keys in ((0, (62, 66, 69)), (4, (64, 67, 71)), (8, (62, 67, 71)), (12, (62, 66, 69))):
        rows += [(start, 4, key, 1) for key in keys]
    events = sorted(
        [(start, 1, bytes((0x90 | ch - 1, key, 80))) for start, _, key, ch in rows]
        + [(start + length, 0, bytes((0x80 | ch - 1, key, 0))) for start, length, key, ch in rows]
    )
    source = synths.write_midi(tmp_path / "strings.mid", [(time, data) for time, _, data in events])
    done, notes = retuned(tmp_path, source, OPEN_D)
    assert written.share(notes) < 1.0
    strings = {50: None, 57: None}
    for note in notes:
        if note.key in strings:
            assert note.moved_cents == 0.0
    # 10/9 leaves the fifth A-E a comma narrow; the fret two semitones above the open D lies 17.6 cents above it, and
    # 3.9 below 9/8 (200 cents against 1200 log2 of 10/9 and 9/8).
    told = " ".join(done.music_lines(True))
    assert "its fifth A-E 21.5 cents narrow" in told
    assert "17.6 cents above (3.9 cents below 9/8" in told


def test_the_same_file_is_the_same_every_time(tmp_path: Path) -> None:
    source = write_piece(tmp_path, "pump-tied")
    outputs = set()
    for _ in range(2):
        retuned(tmp_path, source, spec_of("pump-tied"), "bend")
        outputs.add((tmp_path / "pump-tied-bend.mid").read_bytes())
    assert len(outputs) == 1


def test_what_a_player_asked_for_wins(tmp_path: Path) -> None:
    source = write_piece(tmp_path, "pump")
    # The degree 2 as asked for, from the start or from a bar on, is not moved.
    held = choose_table(TableRequest(tonic="C", degrees=("2=9/8",)))
    _, notes = retuned(tmp_path, source, held, follow_harmony=FollowRequest(moves="many"))
    assert len({round(n.offset_cents, 1) for n in notes if n.key % 12 == 2}) == 1
    _, notes = retuned(tmp_path, source, spec_of("pump"), at=(parse_at("3=,2=9/8"),))
    c = next(iter(at(notes, 0.0, "C")))
    assert at(notes, 4.0, "D") == at(notes, 6.0, "D") == {round(c + 3.9, 1)}
    # A note held at a frequency stays there.
    pinned = choose_table(TableRequest(tonic="C", pins=("D4=294",)))
    _, notes = retuned(tmp_path, source, pinned)
    assert {round(n.cents, 2) for n in notes if n.key == 62} == {round(6900 + 1200 * math.log2(294 / 440), 2)}
    # A tonic that is named at a bar: from there its own variants only. D is then 1 above D, and never 10/9 above C.
    _, notes = retuned(tmp_path, source, spec_of("pump"), at=(parse_at("3=D"),))
    assert len({round(n.offset_cents, 1) for n in notes if n.key % 12 == 2}) == 1


def test_capo_moves_what_is_pinned(tmp_path: Path) -> None:
    source = write_piece(tmp_path, "guitar")
    spec = choose_table(TableRequest(guitar="open-d", fret=5))
    _, notes = retuned(tmp_path, source, spec, follow_harmony=FollowRequest(moves="many"))
    for pitch_class in ("G", "B", "D"):  # the open strings D, F# and A with a capo at 5
        some = {round(n.offset_cents, 1) for n in notes if n.key % 12 == parse_pitch_class(pitch_class)}
        assert len(some) <= 1


def test_what_excludes_following(tmp_path: Path) -> None:
    for more in ({"equal": True}, {"follow_key_signatures": True}):
        with pytest.raises(ValueProblem, match="--follow-harmony and"):
            RetuneRequest(spec=OPEN_D, follow_harmony=FollowRequest(), **more)  # type: ignore[arg-type]
    meantone = choose_table(TableRequest(tonic="C", scale="equal"))
    with pytest.raises(TuningProblem, match="tempered"):
        retuned(tmp_path, write_piece(tmp_path, "pump"), meantone)


@pytest.mark.fetched
def test_real_files_by_what_is_written(tmp_path: Path) -> None:
    # What is promised for a guitar in open D: 96.5 % on average, no file below the fixed table, no sounding note moved
    # beyond the source's own bends, and bends ask for no more channels than before.
    after, before = [], []
    for path in midi_files(MIDI_PACKAGES[0]):
        fixed = retune_file(path, tmp_path / "fixed.mid", RetuneRequest(spec=OPEN_D, method="bend"), True)
        request = RetuneRequest(spec=OPEN_D, method="bend", follow_harmony=FollowRequest())
        done = retune_file(path, tmp_path / "followed.mid", request, True)
        report, fixed_report = done.reports[0][0], fixed.reports[0][0]
        assert isinstance(report, BendReport)
        assert isinstance(fixed_report, BendReport)
        assert report.demand_max <= fixed_report.demand_max, path.name
        assert report.notes == fixed_report.notes
        assert report.exact >= 0.99 * fixed_report.exact, path.name  # where channels are short, some share
        told = done.told[0]
        assert told.following is not None
        after.append(told.following.after.share)
        before.append(told.following.before.share)
        assert after[-1] >= before[-1] - 1e-9
        plain = RetuneRequest(spec=OPEN_D, method="note")
        retune_file(path, tmp_path / "fixed.mid", plain, True)
        noted = (
            retune_file(path, tmp_path / "followed.mid", replace(request, method="note"), True)
            .told[0]
            .following
        )
        assert noted is not None
        ones = written.sounding(tmp_path / "followed.mid")
        others = written.sounding(tmp_path / "fixed.mid")
        source = written.sounding(path)
        ones_share = written.share(written.relative(ones, source))
        assert ones_share >= written.share(written.relative(others, source)) - 0.005, path.name
        assert ones_share == pytest.approx(noted.after.share, abs=0.002), path.name
        for one, other in zip(ones, others, strict=True):
            assert (one.start_s, one.channel, one.key) == (other.start_s, other.channel, other.key)
            assert abs(one.moved_cents - other.moved_cents) <= 0.02, (path.name, one)
    assert sum(after) / len(after) >= 0.965
    assert sum(before) / len(before) < 0.8


def test_only_bends_that_are_short_of_channels_know_it(tmp_path: Path) -> None:
    # The pump: four notes a chord, the bass doubling one of them, each chord struck as the last one ends. Notes at
    # three offsets and the tails of three more take more than four channels, and by far fewer than fifteen.
    midi = read_midi(write_piece(tmp_path, "pump-x4"))
    playing = sequences(midi)[0]
    hz = [float(value) for value in build_table(spec_of("pump-x4")).hz]
    spans = crowded_times(playing, hz, None, BendOptions(channels=(1, 2, 3, 4)))
    assert spans
    assert spans[0][0] == pytest.approx(2.0), "as soon as the second chord meets the tails of the first"
    assert crowded_times(playing, hz) == []
    for method, channels, short in (
        ("bend", (1, 2, 3, 4), True),
        ("bend", None, False),
        ("mpe", (1, 2, 3, 4), False),
    ):
        request = RetuneRequest(
            spec=spec_of("pump-x4"), method=method, channels=channels, follow_harmony=FollowRequest()
        )
        assert bool(_short_of_channels(playing, request, None)) is short


def test_a_chart_decides_the_chords_of_what_sounds(tmp_path: Path) -> None:
    # A melody alone, D in every half bar of two seconds. Above C: D is 10/9 in D minor under F, 9/8 in G.
    events = []
    for half in range(8):
        events += [(half * 1.0, bytes((0x90, 62, 80))), (half * 1.0 + 0.9, bytes((0x80, 62, 0)))]
    source = synths.write_midi(tmp_path / "melody.mid", events)
    spec = choose_table(TableRequest(tonic="C"))
    whole, major, minor = (round(1200 * math.log2(ratio) - 200, 1) for ratio in (9 / 8, 9 / 8, 10 / 9))
    heard, plain = retuned(tmp_path, source, spec, "bend")
    home = next(iter(at(plain, 0.0, "D"))) - whole
    assert not heard.told[0].followed, "there is nothing to gain"
    chart = parse_chart("| C | F Dm | G | C |")
    told, found = retuned(tmp_path, source, spec, "bend", chart=chart)
    assert told.told[0].followed
    for half, wanted in ((3, minor), (4, major), (5, major)):
        assert next(iter(at(found, half * 1.0, "D"))) - home == pytest.approx(wanted, abs=0.11)
    # What a player asked for wins.
    pinned = choose_table(TableRequest(tonic="C", degrees=("2=9/8",)))
    _, kept = retuned(tmp_path, source, pinned, "bend", chart=chart)
    assert next(iter(at(kept, 3.0, "D"))) - home == pytest.approx(major, abs=0.11)


def test_a_chart_that_says_what_is_heard_changes_nothing(tmp_path: Path) -> None:
    source, spec = write_piece(tmp_path, "pump-x4"), spec_of("pump-x4")
    pitches = []
    for chart in (None, parse_chart("|: C | Am | Dm | G :|x4 C |")):
        _, found = retuned(tmp_path, source, spec, "note", chart=chart)
        assert written.share(found) == 1.0
        pitches.append(sorted((note.start_s, note.key, round(note.cents, 1)) for note in found))
    assert pitches[0] == pitches[1]


@pytest.mark.parametrize("method", ["bend", "note"])
def test_notes_that_left_the_table_are_not_said_to_be_as_it_has_them(tmp_path: Path, method: str) -> None:
    source, spec = write_piece(tmp_path, "pump-x4"), spec_of("pump-x4")
    followed, _ = retuned(tmp_path, source, spec, method)
    assert not any("as the table has them" in line for line in followed.lines())
    plain, _ = retuned(tmp_path, source, spec, method, follow_harmony=None)
    assert not any("as the harmony wants them" in line for line in plain.lines())


@pytest.mark.parametrize(("name", "off"), [("augmented", 400 - 386.314), ("diminished", 315.641 - 300)])
def test_chords_that_nothing_makes_pure_are_kept_equal_where_that_is_asked_for(
    tmp_path: Path, name: str, off: float
) -> None:
    source, spec = write_piece(tmp_path, name), spec_of(name)
    plain, before = retuned(tmp_path, source, spec, "note")
    assert any("--equal-chords" in line for line in plain.told[0].lines()), "it is offered"
    _, after = retuned(tmp_path, source, spec, "note", follow_harmony=FollowRequest(equal_chords=True))

    def worst(notes: list[written.Sounding]) -> float:
        """The worst third or sixth, from the file as it was written."""
        found = 0.0
        for one in notes:
            for other in notes:
                step = (other.key - one.key) % 12
                if other.key > one.key and one.start_s == other.start_s and step in (3, 4, 8, 9):
                    ratio = {3: 6 / 5, 4: 5 / 4, 8: 8 / 5, 9: 5 / 3}[step]
                    found = max(found, abs((other.cents - one.cents) % 1200 - 1200 * math.log2(ratio)))
        return found

    assert worst(before) == pytest.approx(1200 * math.log2(128 / 125), abs=0.1)
    assert worst(after) == pytest.approx(off, abs=0.1)


PUMP = parse_chart("| C | Am | Dm | G |")


def drone_of(request: RetuneRequest, source: Path, notes: str = "1") -> list[tuple[float, str, list[float]]]:
    """Return what a drone holds along a track: from when on, under which chord, in cents above equal C."""
    plan = plan_chart_drone(DroneRequest(notes=(notes,)), request, read_midi(source))
    home = build_table(request.spec)
    return [
        (
            start,
            name,
            [round(100 * (note.key % 12) + home.cents_from_equal[note.key] + note.cents, 1) for note in held],
        )
        for start, name, held in zip(plan.starts_s, plan.names, plan.chords, strict=True)
    ]


def test_a_drone_along_a_track_stands_on_the_roots_of_the_table_in_force(tmp_path: Path) -> None:
    source, spec = write_piece(tmp_path, "pump-x4"), spec_of("pump-x4")
    plain = RetuneRequest(spec, chart=PUMP)
    (_, _, (c,)), *_, (start, name, (ii,)), (_, _, (v,)) = drone_of(plain, source)
    assert (start, name) == (4.0, "Dm")
    # ii stands at 10/9 above the tonic: its fifth is VI at 5/3. V at 3/2 (harmony.md's pump).
    assert ii - c == pytest.approx(1200 * math.log2(10 / 9), abs=0.1)
    assert v - c == pytest.approx(1200 * math.log2(3 / 2), abs=0.1)
    # Who asks for 9/8 from that bar on has it in the drone as well.
    raised = replace(plain, at=(parse_at("3=,2=9/8"),))
    (_, _, (again,)), *_, (_, _, (high,)), (_, _, (same,)) = drone_of(raised, source)
    assert (again, same) == (c, v)
    assert high - c == pytest.approx(1200 * math.log2(9 / 8), abs=0.1)
    # A change inside a bar changes the drone there.
    inside = drone_of(replace(plain, at=(parse_at("3.3=,2=9/8"),)), source)
    assert [(start, name) for start, name, _ in inside[2:4]] == [(4.0, "Dm"), (5.0, "Dm")]
    assert inside[3][2][0] - inside[2][2][0] == pytest.approx(COMMA, abs=0.1)


@pytest.mark.parametrize("at", [(), ("3=,2=9/8",)])
def test_a_followed_track_and_the_drone_of_its_chart_have_the_same_roots(
    at: tuple[str, ...], tmp_path: Path
) -> None:
    source, spec = write_piece(tmp_path, "pump-x4"), spec_of("pump-x4")
    more = {"chart": PUMP, "at": tuple(map(parse_at, at)), "drones": ((1, 1.0, "1,5"),)}
    _, notes = retuned(tmp_path, source, spec, **more)
    follow = RetuneRequest(spec, follow_harmony=FollowRequest(), **more)  # type: ignore[arg-type]
    for start, name, (held,) in drone_of(follow, source):
        root = name.removesuffix("m")
        assert at_cents(notes, start, root) == pytest.approx(held, abs=0.1)


def at_cents(notes: list[written.Sounding], start_s: float, note: str) -> float:
    (offset,) = at(notes, start_s, note)
    return 100.0 * parse_pitch_class(note) + offset


def test_a_drone_holds_its_classes_under_each_table_and_no_longer_than_it_sounds(tmp_path: Path) -> None:
    source, spec = write_piece(tmp_path, "pump-x4"), spec_of("pump-x4")

    def ii(*drones: tuple[int, float, str]) -> float:
        _, notes = retuned(tmp_path, source, spec, drones=drones)
        (c,), (d,) = at(notes, 0.0, "C"), at(notes, 4.0, "D")
        return 200.0 + d - c

    low, high = (pytest.approx(1200 * math.log2(ratio), abs=0.1) for ratio in (10 / 9, 9 / 8))
    assert ii() == low
    assert ii((1, 1.0, "1,2")) == high, "D belongs to the drone, and stays where the table has it"
    assert ii((1, 1.0, "1,2"), (3, 1.0, "1")) == low, "from bar 3 on the drone lets go of it"
    assert ii((1, 1.0, "1"), (3, 1.0, "1,2")) == high
