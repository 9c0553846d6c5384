"""How pure real files are in fixed tables and followed by commas, how well keys are heard, and how long it takes.

Run: ``python tests/bench/bench_harmony.py [--guitar NAME] [--own-table] [--written METHOD] [--live] [--keys]
[--time]``. Without options
it prints the 31 files of one package (`support.corpus`) with a guitar in open D. Asserts nothing.

Columns: share of thirds, fourths, fifths and sixths within a cent of pure, in per cent, in equal temperament, in the
five-limit table of the guitar, in the same table on the file's own tonic (which is heard), followed (before the rules
on the degree 4, as the figures to compare with are), followed with all rules and the guard, and the exact limit
without moving a sounding note; then RMS in cents, notes moved in 100, odd steps in 100, drift in cents, and seconds.
Files are read by `support.independent`, which shares nothing with the package.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from harmony.scores import FIVE_LIMIT, PIECES, piece, read_score
from support import written
from support.corpus import MIDI_PACKAGES, midi_files, real_midi_files
from support.costs import total_cost

from bridge.harmony.asked import FollowRequest
from bridge.harmony.choice.costs import problem_of
from bridge.harmony.choice.follow import FollowOptions, Score, follow, score_of
from bridge.harmony.choice.on_the_spot import OnTheSpot
from bridge.harmony.choice.search import Problem, best_choices, fits
from bridge.harmony.choice.variants import Palette, palette_of
from bridge.harmony.heard.chords import hear_chords
from bridge.harmony.heard.keys import hear_tonic, key_name
from bridge.harmony.intervals import nearest
from bridge.harmony.measure import fixed_hz, measure
from bridge.harmony.notes import TimedNote, columns, sorted_notes
from bridge.jobs.retune import retune_file
from bridge.jobs.retuned import RetuneRequest
from bridge.store.descriptions import load_guitar
from bridge.tuning.chords.purity import CONSONANT, PURE_CENTS
from bridge.tuning.notes import key_to_hz
from bridge.tuning.reference import Reference
from bridge.tuning.spec import TableSpec
from bridge.tuning.tables import Table, build_table, equal_table


def guitar_table(name: str) -> Table:
    guitar = load_guitar(name)
    key = guitar.key_of(guitar.reference_string)
    return build_table(
        TableSpec("bench", FIVE_LIMIT, guitar.tonic, guitar.tonic, Reference(key, key_to_hz(key)), guitar)
    )


def limit(score: Score) -> float:
    """Return the largest share that any choice reaches without moving a sounding note, by the same exact search."""
    own = score.everything()
    homes = [
        palette.base_cents[segment.pitch_class]
        for segment, palette in zip(score.segments, score.palettes, strict=True)
    ]
    owner = np.zeros(len(score.notes), dtype=int)
    for number, segment in enumerate(score.segments):
        owner[list(segment.notes)] = number
    table, pairs = score.table, score.pairs
    weights: dict[tuple[int, int, int], float] = {}
    total = 0.0
    for lower, upper, length in zip(pairs.lower, pairs.upper, pairs.length_s, strict=True):
        semitones = int(table.key[upper] - table.key[lower]) % 12
        if semitones in CONSONANT:
            total += length
            place = int(owner[lower]), int(owner[upper]), semitones
            weights[place] = weights.get(place, 0.0) + float(length)
    edges: dict[tuple[int, int], np.ndarray] = {}
    for (low, high, semitones), length in weights.items():
        matrix = np.array(
            [
                [
                    length
                    * (
                        abs(
                            nearest(
                                semitones,
                                100.0 * semitones
                                + homes[high]
                                + one.offset_cents
                                - homes[low]
                                - other.offset_cents,
                            )[1]
                        )
                        > PURE_CENTS
                    )
                    for one in own[high]
                ]
                for other in own[low]
            ]
        )
        place = (low, high) if low < high else (high, low)
        matrix = matrix if low < high else matrix.T
        edges[place] = edges[place] + matrix if place in edges else matrix
    # A segment that overlaps the next of its class by a slur must not meet what comes after it.
    problem = Problem(
        [np.zeros(len(each)) for each in own],
        edges,
        [segment.start_s for segment in score.segments],
        [segment.end_s for segment in score.segments],
        most_states=2_000_000,
    ).limited()
    return 1.0 - total_cost(problem, best_choices(problem)) / total if total else 1.0


def best_table(notes: list[TimedNote], fixed: Table) -> Table:
    """Return the table on the tonic with the largest share."""
    tables = [build_table(fixed.spec.at_tonic(key_name(tonic, "major"))) for tonic in range(12)]
    return max(tables, key=lambda table: measure(notes, fixed_hz(notes, table.hz)).share)


def compare(guitar: str, own_table: bool) -> None:
    fixed = guitar_table(guitar)
    print(
        f"guitar {guitar}" + (", table on each file's best tonic, the tonic alone held" if own_table else "")
    )
    print(
        f"{'file':26} tonic  equal fixed   own follow rules limit   rms moved   odd drift      s  notes segments"
    )
    rows = []
    for path in midi_files(MIDI_PACKAGES[0]):
        score = read_score(path)
        notes = score.notes
        tonic = hear_tonic(notes, fixed.spec.home_class)
        assert tonic is not None
        table = best_table(notes, fixed) if own_table else fixed
        palette = palette_of(table, own_tonic=tonic.name, pinned="tonic" if own_table else "strings")
        equal = measure(notes, fixed_hz(notes, equal_table(fixed.spec).hz)).share
        own = measure(notes, fixed_hz(notes, build_table(fixed.spec.at_tonic(tonic.name)).hz)).share
        began = time.perf_counter()
        plain = follow(notes, palette, FollowOptions(guard=False, rule_on_4=False))
        took = time.perf_counter() - began
        ruled = follow(notes, palette)
        bound = limit(score_of(notes, palette))
        row = [
            100 * equal,
            100 * plain.before.share,
            100 * own,
            100 * plain.after.share,
            100 * ruled.after.share,
            100 * bound,
            plain.after.purity.rms_cents,
            plain.after.moved,
            plain.after.odd_steps,
            plain.after.drift_cents,
            took,
        ]
        rows.append(row)
        print(
            f"{path.name[:26]:26} {tonic.name:3}{'' if tonic.sure else '?':2} "
            + " ".join(f"{value:5.1f}" for value in row[:-1])
            + f" {took:6.2f} {len(notes):6} {len(ruled.segments):6} {plain.moves}"
        )
    table_of = np.array(rows)
    print(f"{'mean':33}" + " ".join(f"{value:5.1f}" for value in table_of.mean(axis=0)[:-1]))
    print(f"worst distance from the limit {float((table_of[:, 5] - table_of[:, 3]).max()):.1f} points")
    print(
        f"files below the fixed table {int((table_of[:, 4] < table_of[:, 1] - 1e-9).sum())} (with the guard)"
    )


def by_written_file(guitar: str, method: str) -> None:
    """Print shares as files have them once they are written: read back by `support.written`, which shares no code."""
    spec = guitar_table(guitar).spec
    print(f"guitar {guitar}, by {method}, as read from the written file")
    print(f"{'file':26} fixed  follow  told   moved  while sounding   needed  fixed needed      s")
    rows = []
    with TemporaryDirectory() as name:
        fixed_file, followed_file = Path(name) / "fixed.mid", Path(name) / "followed.mid"
        for path in midi_files(MIDI_PACKAGES[0]):
            fixed = retune_file(path, fixed_file, RetuneRequest(spec=spec, method=method), True)
            began = time.perf_counter()
            request = RetuneRequest(spec=spec, method=method, follow_harmony=FollowRequest())
            done = retune_file(path, followed_file, request, True)
            took = time.perf_counter() - began
            told = done.told[0]
            assert told.measured is not None
            source = written.sounding(path)
            before = written.sounding(fixed_file)
            after = written.sounding(followed_file)
            # Beyond what the source's own bends do; by `bend` notes change channels, so only `note` and `octave` pair.
            pairs = zip(after, before, strict=True) if method in ("note", "octave") else ()
            moving = max((abs(one.moved_cents - other.moved_cents) for one, other in pairs), default=0.0)
            row = [
                100 * written.share(written.relative(before, source)),
                100 * written.share(written.relative(after, source)),
                100 * told.measured.share,
                told.measured.moved,
                moving,
                float(done.to_json()["demand_max"]),
                float(fixed.to_json()["demand_max"]),
                took,
            ]
            rows.append(row)
            print(f"{path.name[:26]:26} " + " ".join(f"{value:6.2f}" for value in row))
    print(f"{'mean':26} " + " ".join(f"{value:6.2f}" for value in np.mean(rows, axis=0)))


def keys() -> None:
    """Print the tonics that are heard beside key signatures that say more than C, and beside an independent library."""
    try:
        import music21
    except ImportError:
        music21 = None
    right = by_library = told = 0
    for path in real_midi_files():
        try:
            score = read_score(path)
        except (AssertionError, ValueError, IndexError, KeyError):
            continue
        signs = [sign for sign in score.signatures if sign[1]]
        tonic = hear_tonic(score.notes)
        if not signs or tonic is None:
            continue
        told += 1
        _, sharps, minor = signs[0]
        # Many files write the signature of a minor key as that of its relative major.
        wanted = {sharps * 7 % 12, (sharps * 7 + 9) % 12}
        right += tonic.pitch_class in wanted
        library = "-"
        if music21 is not None:
            try:
                found = music21.converter.parse(str(path)).analyze("key")
                library = f"{found.tonic.name} {found.mode}"
                by_library += found.tonic.pitchClass in wanted
            except Exception as problem:  # a file that the other library refuses is its own answer
                library = f"refused ({type(problem).__name__})"
        print(
            f"{path.name[:30]:30} signature {sharps:+d}{' minor' if minor else ''}: heard {tonic.name} {tonic.mode}"
            f"{'' if tonic.sure else ' (unsure)'}, library {library}"
        )
    print(f"tonic of the signature or its relative minor: {right} of {told}; library {by_library} of {told}")


def chords() -> None:
    """Print the chords of our own exercises as they are heard, and as an independent library names the same notes."""
    try:
        from music21 import chord, harmony
    except ImportError:
        chord = None
    for name in PIECES:
        notes = piece(name)
        starts = sorted({note.start_s for note in notes})
        print(
            f"{name}: {' | '.join(str(one) for one in hear_chords(notes, starts, str(PIECES[name]['tonic'])))}"
        )
        if chord is None:
            continue
        figures = []
        for begin in starts:
            keys = sorted(note.key for note in notes if note.start_s <= begin < note.end_s)
            figures.append(harmony.chordSymbolFigureFromChord(chord.Chord(keys)).replace("-", "b"))
        print(f"{'library':>{len(name)}}: {' | '.join(figures)}")


def live(guitar: str) -> None:
    """Print the shares of files that are followed as they are played: as they are, spread by 30 ms, and rolled."""
    fixed = guitar_table(guitar)
    rng = np.random.default_rng(1)
    rows, durations = [], []
    print(f"guitar {guitar}, live: {'file':19} as it is   30 ms  rolled  offline")
    for path in midi_files(MIDI_PACKAGES[0]):
        notes = read_score(path).notes
        tonic = hear_tonic(notes, fixed.spec.home_class)
        assert tonic is not None
        palette = palette_of(fixed, own_tonic=tonic.name)
        loose = sorted_notes(_later(note, float(rng.random()) * 0.03) for note in notes)
        row = []
        for played in (notes, loose, _rolled(notes)):
            score = score_of(played, palette)
            offsets, took = play(played, palette)
            durations += took
            row.append(100 * score.measure(offsets).share)
        row.append(100 * follow(notes, palette, FollowOptions(guard=False, rule_on_4=False)).after.share)
        rows.append(row)
        print(f"{path.name[:40]:40} " + " ".join(f"{value:7.1f}" for value in row))
    print(f"{'mean':40} " + " ".join(f"{value:7.1f}" for value in np.mean(rows, axis=0)))
    print(
        f"a note-on: {1e6 * float(np.median(durations)):.0f} µs median, "
        f"{1e6 * float(np.percentile(durations, 99)):.0f} µs p99"
    )


def _later(note: TimedNote, seconds: float) -> TimedNote:
    start = note.start_s + seconds
    return replace(note, start_s=start, end_s=max(note.end_s, start))


def _rolled(notes: list[TimedNote]) -> list[TimedNote]:
    """Strike the notes of a chord from the bottom up, 15 ms apart."""
    rolled = []
    place, last_s = 0, -1.0
    for note in notes:
        place = place + 1 if note.start_s - last_s < 0.005 else 0
        last_s = note.start_s
        rolled.append(_later(note, 0.015 * min(place, 8)))
    return sorted_notes(rolled)


def play(notes: list[TimedNote], palette: Palette) -> tuple[np.ndarray, list[float]]:
    """Play notes through the live chooser; return each note's offset as it ends up, and the time of each stroke."""
    chooser = OnTheSpot(palette)
    events = sorted(
        (at, starts, index)
        for index, note in enumerate(notes)
        for at, starts in ((note.start_s, 1), (note.end_s, 0))
    )
    offsets, took = np.zeros(len(notes)), []
    sounding: dict[int, list[int]] = {}
    for at, starts, index in events:
        note = notes[index]
        here = sounding.setdefault(note.key % 12, [])
        if not starts:
            chooser.note_off(at, note.key)
            if index in here:
                here.remove(index)
            continue
        began = time.perf_counter()
        choice = chooser.note_on(at, note.key, note.part)
        took.append(time.perf_counter() - began)
        here.append(index)
        offsets[index] = choice.variant.offset_cents
        for one in choice.corrections:
            offsets[sounding[one.pitch_class]] = one.offset_cents
    return offsets, took


def dense(count: int, seed: int = 1) -> list[TimedNote]:
    """Return chords of four voices that change at every stroke, in all keys: more segments than real pieces have."""
    rng = np.random.default_rng(seed)
    notes: list[TimedNote] = []
    now = 0.0
    while len(notes) < count:
        root = int(rng.integers(12))
        third = int(rng.choice([3, 4]))
        length = float(rng.choice([0.25, 0.5, 1.0]))
        for part, key in enumerate((36 + root, 60 + root, 60 + root + third, 60 + root + 7)):
            notes.append(TimedNote(now, now + length, key, 80, part))
        now += length
    return sorted_notes(notes)[:count]


def times() -> None:
    """Print seconds of a processor and states for 10,000 notes, and that the time grows with the notes."""
    table = guitar_table("open-d")
    for label, palette in (
        ("three strings held, home set", palette_of(table)),
        ("three strings held, own tonic besides", palette_of(table, own_tonic="Ab")),
        ("the tonic alone held, own tonic besides", palette_of(table, own_tonic="Ab", pinned="tonic")),
        ("nothing held, own tonic, natural sevenths", palette_of(table, "Ab", "nothing", (), True)),
    ):
        for count in (2_500, 10_000):
            notes = dense(count)
            began = time.process_time()
            result = follow(notes, palette, FollowOptions(guard=False))
            took = time.process_time() - began
            score = result.score
            homes = [palette.base_cents[segment.pitch_class] for segment in score.segments]
            choices = [
                tuple(home + one.offset_cents for one in each)
                for home, each in zip(homes, score.everything(), strict=True)
            ]
            problem = problem_of(notes, score.segments, choices, homes, columns(notes), score.pairs)
            states, cut = fits(problem), fits(replace(problem).limited())
            memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{label}: {count} notes, {len(score.segments)} segments: {took:.2f} s, at most {states} states, "
                f"{cut} as cut, {memory:.0f} MB so far"
            )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--guitar", default="open-d")
    parser.add_argument(
        "--own-table",
        action="store_true",
        help="lay the table on each file's best tonic, and hold that alone",
    )
    parser.add_argument(
        "--keys", action="store_true", help="hear keys and chords, beside key signatures and another library"
    )
    parser.add_argument("--time", action="store_true", help="how long 10,000 notes take")
    parser.add_argument("--live", action="store_true", help="choose while it is played")
    parser.add_argument(
        "--written", choices=("note", "octave", "bend", "dump"), help="measure the files as they are written"
    )
    asked = parser.parse_args()
    if asked.keys:
        keys()
        chords()
    elif asked.live:
        live(asked.guitar)
    elif asked.written:
        by_written_file(asked.guitar, asked.written)
    elif asked.time:
        times()
    else:
        compare(asked.guitar, asked.own_table)


if __name__ == "__main__":
    main()
