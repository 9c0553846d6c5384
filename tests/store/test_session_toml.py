"""Session files: what is read, what pieces take over from the top, and every mistake with its file and line."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import pytest

from bridge.errors import InputProblem
from bridge.store.session.model import Drone, Session, Trims, moved_spec
from bridge.store.session.reading import load_session, session_from_toml
from bridge.tuning.reference import Reference
from bridge.tuning.tables import build_table

EVENING = """\
schema = 1
title = "Round the Table"
guitar = "open-d"
reference = "D3=146.5"
reference_how = "by ear"
notes = "Quiet."
transposing = ["F", "Bb"]

[drone]
notes = ["1", "5"]
octave = 3
seconds = 12
voice = "choir"

[trims]
range_cents = 12
step_cents = 4
tracks = false

[play]
input = "keys"
control_channel = 15
next_controller = 80
on_change = "glide"
glide_s = 0.25

[[synths]]
name = "keys"
profile = "fluidsynth"
programs = "1-3, 8"
bank = 2
device_id = 5
channels = "1-9"
track_program = 9
port = "Keys"

[[synths]]
profile = "bend-only"
method = "bend"

[[pieces]]
title = "First Light!"
track = "tracks/first.mid"
notes = "Slowly."

[[pieces.sections]]
bar = 3
title = "B"
tonic = "A"
degrees = { b7 = "7/4" }
drone = ["A2"]
program = 8

[[pieces.sections]]
bar = 5
beat = 2.5
fret = 2

[[pieces]]
title = "Second"
name = "two"
tonic = "G"
fret = 3
slide = "3/2"
degrees = { 2 = "10/9" }
keys = { "F#3" = 183.1 }
open_strings_win = true
reference = "D3=147"
synths = ["bend-only"]
drone = false
plain = true

[[pieces]]
title = "Third"
table = "own.table.toml"
scale = "seven-limit"
drone = { voice = "reed" }
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "tracks").mkdir()
    (tmp_path / "tracks" / "first.mid").write_bytes(b"MThd")
    (tmp_path / "own.table.toml").write_text('schema = 1\nguitar = "open-g"\nreference = "G3=195"\n')
    (tmp_path / "evening.toml").write_text(EVENING)
    return tmp_path


@pytest.fixture
def session(folder: Path) -> Session:
    return load_session(folder / "evening.toml")


def test_what_stands_at_the_top(session: Session, folder: Path) -> None:
    assert (session.name, session.title, session.notes) == ("round-the-table", "Round the Table", "Quiet.")
    assert session.guitar is not None
    assert session.guitar.name == "open-d"
    assert session.reference == Reference(50, 146.5)
    assert session.reference_how == "by ear"
    assert session.transposing == ("Bb", "F")
    assert session.trims == Trims(12, 4, False)
    assert session.trims.cents == (-12, -8, -4, 4, 8, 12)
    assert (session.live.inputs, session.live.control_channel) == (("keys",), 15)
    assert (session.live.next_controller, session.live.previous_controller) == (80, None)
    assert (session.live.on_change, session.live.glide_s) == ("glide", 0.25)
    assert session.files == ("evening.toml", "tracks/first.mid", "own.table.toml")
    assert session.folder == folder.resolve()


def test_synths(session: Session) -> None:
    keys, bend = session.synths
    assert (keys.name, keys.title, keys.port, keys.method) == ("keys", "FluidSynth", "Keys", "auto")
    assert keys.programs == (1, 2, 3, 8)
    profile = keys.profile
    assert (profile.program, profile.bank, profile.device_id, profile.note_form) == (9, 2, 5, "bank")
    assert profile.channels == tuple(range(1, 10))
    assert (bend.name, bend.method) == ("bend-only", "bend")
    assert bend.programs == tuple(range(1, 128))
    assert session.synth("keys") is keys


def test_pieces_take_over_what_they_do_not_say(session: Session, folder: Path) -> None:
    first, second, third = session.pieces
    assert [piece.stem for piece in session.pieces] == ["01-first-light", "02-two", "03-third"]
    assert first.track == folder.resolve() / "tracks" / "first.mid"
    assert (first.spec.home, first.spec.tonic, first.spec.reference) == ("D", "D", Reference(50, 146.5))
    assert first.drone == Drone(("1", "5"), 3, 12.0, "choir")
    assert (first.synths, first.follows_reference) == (("keys", "bend-only"), True)
    spec = second.spec
    assert (spec.home, spec.tonic, spec.fret, spec.slide) == ("D", "G", 3, Fraction(3, 2))
    assert (spec.reference, second.follows_reference) == (Reference(50, 147.0), False)
    assert [str(interval) for _, interval in spec.degree_changes] == ["10/9"]
    assert spec.key_overrides == ((54, 183.1),)
    assert (spec.open_strings_win, second.plain, second.synths) == (True, True, ("bend-only",))
    assert second.drone.notes == ()
    assert third.spec.guitar is not None
    assert (third.spec.guitar.name, third.spec.home) == ("open-g", "G")
    assert third.spec.reference == Reference(50, 146.5)  # the evening's, over the table's own
    assert third.spec.scale is not None
    assert third.spec.scale.name == "seven-limit"
    assert third.drone == Drone(("1", "5"), 3, 12.0, "reed")


@pytest.mark.parametrize(
    ("written", "drone", "keys"),
    [
        ("drone = '1,5'", Drone(("1,5",), 3, 12.0, "choir"), (50, 57)),
        ("drone = ['third', 'F#', '8']", Drone(("third", "F#", "8"), 3, 12.0, "choir"), (50, 54, 62)),
        ("drone = { sound = 'flute' }", Drone(("1", "5"), 3, 12.0, "flute"), (50, 57)),
        ("drone = { voice = 'alto' }", Drone(("1", "5"), None, 12.0, "choir", "alto"), (62, 69)),
        ("drone = { octave = 1 }", Drone(("1", "5"), 1, 12.0, "choir"), (26, 33)),
        ("drone = { voice = 'bass', sound = 'reed' }", Drone(("1", "5"), None, 12.0, "reed", "bass"), (50, 57)),
    ],
)  # fmt: skip
def test_drones(written: str, drone: Drone, keys: tuple[int, ...], folder: Path) -> None:
    (folder / "evening.toml").write_text(EVENING.replace("drone = false", written, 1))
    found = load_session(folder / "evening.toml").pieces[1].drone
    assert found == drone
    assert found.keys("D") == keys


def test_a_drone_without_a_word_about_its_place_stands_where_the_command_puts_it(folder: Path) -> None:
    plain = EVENING.replace("octave = 3\n", "", 1).replace('voice = "choir"\n', "", 1)
    (folder / "evening.toml").write_text(plain)
    drone = load_session(folder / "evening.toml").pieces[0].drone
    assert (drone.keys("D"), drone.sound) == ((50, 57), "organ"), "D3 A3, a tenor's"


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("drone = { voice = 'tenner' }", "voice = 'tenner' .*did you mean tenor"),
        ("drone = { sound = 'tenor' }", "sound = 'tenor'"),
        ("drone = { voice = 'bass', octave = 2 }", "voice and octave both say where degree 1 stands"),
        ("drone = ['thrid']", "drone: 'thrid' is no note, degree or interval .*third"),
        ("drone = 3", "drone"),
    ],
)
def test_drones_that_cannot_be(written: str, says: str, folder: Path) -> None:
    (folder / "evening.toml").write_text(EVENING.replace("drone = false", written, 1))
    with pytest.raises(InputProblem, match=f"line 70: {says}"):
        load_session(folder / "evening.toml")


def test_sections(session: Session) -> None:
    one, other = session.pieces[0].sections
    assert (one.change.bar, one.change.tonic, one.title, one.program) == (3, "A", "B", 8)
    assert one.drone == Drone(("A2",), 3, 12.0, "choir")
    assert (other.change.bar, other.change.beat, other.change.fret, other.drone) == (5, 2.5, 2, None)
    assert one.at.endswith("line 47")


def test_another_reference_moves_those_that_follow(session: Session) -> None:
    moved = session.with_reference(Reference(50, 145.0))
    assert [piece.spec.reference.hz for piece in moved.pieces] == [145.0, 147.0, 145.0]


def test_a_trim_moves_reference_and_pinned_keys(session: Session) -> None:
    trimmed = moved_spec(session.pieces[1].spec, 1200 * 0.01)
    assert trimmed.reference.hz == pytest.approx(147.0 * 2**0.01)
    assert trimmed.key_overrides[0][1] == pytest.approx(183.1 * 2**0.01)


def test_a_literal_table_keeps_its_own_pitch(folder: Path) -> None:
    keys = "\n".join(f'"{key}" = {440.0 * 2 ** ((key - 69.1) / 12)}' for key in range(128))
    (folder / "found.table.toml").write_text(f"schema = 1\n[keys]\n{keys}\n")
    text = EVENING.replace('table = "own.table.toml"\nscale = "seven-limit"', 'table = "found.table.toml"')
    piece = session_from_toml(text, folder).pieces[2]
    assert build_table(piece.spec).hz[69] == pytest.approx(440.0 * 2 ** (-0.1 / 12))
    assert not piece.follows_reference


MISTAKES = [
    ("[play]", "[live]", 20, r"called \[play\] now"),
    ('reference = "D3=146.5"', 'reference_from = "none.wav"', 4, "there is no such file"),
    ('reference = "D3=146.5"', 'reference_from = "../take.wav"', 4, "outside the folder"),
    ('reference = "D3=146.5"', 'as_tuned = "/take.wav"', 4, "outside the folder"),
    ('reference = "D3=146.5"', "reference_from = 3", 4, "is not a text"),
    ('notes = "Slowly."', 'as_tuned = "..\\\\take.wav"', 44, "outside the folder"),
    ('notes = "Slowly."', 'chords = "Em7"', 44, "no list of texts"),
    ('notes = "Slowly."', 'chords = ["Em7", "Hm"]', 44, "German H is B"),
    ('notes = "Slowly."', 'chords = ["I", "II-"]', 44, "no chord that is known"),
    ("fret = 2", 'fret = 2\nchords = ["x"]', 58, "no chord"),
    ("schema = 1", "schema = 2", 1, "this version reads schema 1"),
    ('title = "Round the Table"', 'title = "★"', 2, "no file name can be made"),
    ('title = "Round the Table"', 'title = "x"\nname = "a/b"', 3, "cannot name files"),
    ('guitar = "open-d"', 'guitar = "open-x"', 3, "open-"),
    ('reference = "D3=146.5"', 'reference = "D3=14650"', 4, "did you mean 146.5"),
    ('reference = "D3=146.5"', 'reference = "H3=146.5"', 4, "German H is B"),
    ('["F", "Bb"]', '["F", "C"]', 7, "there are: Bb, Eb, F"),
    ('transposing = ["F", "Bb"]', 'paper = "a5"', 7, "there are: a4, letter"),
    ('voice = "choir"', 'voice = "chior"', 13, "did you mean choir"),
    ('notes = ["1", "5"]', 'notes = ["1", "H2"]', 10, "German H is B"),
    ("seconds = 12", "seconds = 0", 12, "from 2 to 3600"),
    ("step_cents = 4", "step_cents = 5", 15, "do not end at 12"),
    ("range_cents = 12", "range_cents = 120", 16, "from 0 to 50"),
    ('on_change = "glide"', 'on_change = "later"', 24, "now, next, glide"),
    ('profile = "fluidsynth"', 'profile = "fluidsinth"', 29, "did you mean fluidsynth"),
    ('profile = "fluidsynth"', 'profile = "../fluid.toml"', 29, "outside the folder"),
    ('programs = "1-3, 8"', 'programs = "1-3, 9"', 30, "is for backing tracks"),
    ('programs = "1-3, 8"', 'programs = "1-300"', 30, "0 to 127"),
    ('programs = "1-3, 8"', 'programs = "one"', 30, "is no number or span"),
    ('channels = "1-9"', 'channels = "0-9"', 33, "1 to 16"),
    ('method = "bend"', 'method = "note"', 39, "it obeys bend"),
    ('method = "bend"', 'method = "bent"', 39, "did you mean bend"),
    ('profile = "bend-only"', 'profile = "bend-only"\nname = "Keys"', 39, "a second synth 'Keys'"),
    ('track = "tracks/first.mid"', 'track = "tracks/frist.mid"', 43, "did you mean first.mid"),
    ('track = "tracks/first.mid"', 'track = "/etc/passwd"', 43, "outside the folder"),
    ('track = "tracks/first.mid"', 'track = "tracks/../../first.mid"', 43, "outside the folder"),
    ('track = "tracks/first.mid"', 'track = "C:\\\\songs\\\\first.mid"', 43, "outside the folder"),
    ('track = "tracks/first.mid"', 'track = "tracks"', 43, "there is no such file"),
    ("bar = 3\n", "bar = 0\n", 47, "from 1 to"),
    ('degrees = { b7 = "7/4" }', 'degrees = { b7 = "4/7" }', 50, "b7"),
    ("bar = 5\n", "bar = 2\n", 55, "sections stand in order"),
    ("beat = 2.5", "beet = 2.5", 56, "did you mean beat"),
    ("fret = 2\n", "fret = 25\n", 57, "from 0 to 24"),
    ('tonic = "G"', 'tonic = "X"', 62, "X"),
    ('slide = "3/2"', 'slide = "9/2"', 64, "slide"),
    ("open_strings_win = true", "open_strings_win = 1", 67, "true or false"),
    ('synths = ["bend-only"]', 'synths = ["bendonly"]', 69, "did you mean bend-only"),
    ('name = "two"', 'name = "First-Light"', 61, "a second piece"),
    ('table = "own.table.toml"', 'table = "other.table.toml"', 75, "did you mean own.table.toml"),
    ('table = "own.table.toml"', 'table = "opem-d"', 75, "did you mean open-d"),
    ('title = "Third"', 'title = "Third"\nfollow_key_signatures = true', 75, "no track"),
    ('title = "Third"', 'title = "Third"\nprogram = 128', 75, "from 0 to 127"),
]


@pytest.mark.parametrize(
    ("old", "new", "line", "says"), MISTAKES, ids=[f"{m[2]}-{m[1][:30]}" for m in MISTAKES]
)
def test_mistakes_name_file_and_line(old: str, new: str, line: int, says: str, folder: Path) -> None:
    assert EVENING.count(old) >= 1
    (folder / "evening.toml").write_text(EVENING.replace(old, new, 1))
    with pytest.raises(InputProblem, match=says) as caught:
        load_session(folder / "evening.toml")
    place = f"evening.toml, line {line}: "
    assert str(caught.value).startswith(str(folder / place)), caught.value


def test_a_link_that_leads_out_is_outside(folder: Path) -> None:
    outside = folder.parent / "outside.mid"
    outside.write_bytes(b"MThd")
    (folder / "tracks" / "first.mid").unlink()
    (folder / "tracks" / "first.mid").symlink_to(outside)
    with pytest.raises(InputProblem, match="outside the folder"):
        load_session(folder / "evening.toml")


def test_a_broken_table_is_named_with_both_lines(folder: Path) -> None:
    (folder / "own.table.toml").write_text('schema = 1\nguitar = "open-g"\ntonik = "G"\n')
    with pytest.raises(
        InputProblem, match=r"evening.toml, line 75: .*own.table.toml, line 3: unknown entry 'tonik'"
    ):
        load_session(folder / "evening.toml")


def test_a_session_needs_a_piece_and_a_tonic(folder: Path) -> None:
    with pytest.raises(InputProblem, match=r"no piece"):
        session_from_toml('schema = 1\ntitle = "x"\n', folder)
    with pytest.raises(InputProblem, match=r"line 3: nothing says which note"):
        session_from_toml('schema = 1\ntitle = "x"\n[[pieces]]\ntitle = "y"\n', folder)
    piece = session_from_toml(
        'schema = 1\ntitle = "x"\n[[pieces]]\ntitle = "y"\ntonic = "F"\n', folder
    ).pieces[0]
    assert (piece.spec.home, piece.spec.guitar, piece.synths) == ("F", None, ())


@pytest.mark.parametrize(
    ("title", "name"), [("Çırpını & Café", "crpn-cafe"), ("Über  uns!", "uber-uns"), ("A" * 60, "a" * 48)]
)
def test_file_names_are_made_of_titles(title: str, name: str, folder: Path) -> None:
    text = f'schema = 1\ntitle = "x"\n[[pieces]]\ntitle = "{title}"\ntonic = "D"\n'
    assert session_from_toml(text, folder).pieces[0].name == name


def test_sections_may_be_written_on_one_line(folder: Path) -> None:
    text = 'schema = 1\ntitle = "x"\n\n[[pieces]]\ntitle = "y"\ntonic = "D"\n'
    text += 'sections = [{ bar = 2, tonic = "A" }, { bar = 3, frett = 2 }]\n'
    with pytest.raises(InputProblem, match=r"line 7: unknown entry 'frett'"):
        session_from_toml(text, folder)


def test_chords_and_takes(folder: Path) -> None:
    (folder / "all.wav").write_bytes(b"")
    (folder / "four.wav").write_bytes(b"")
    text = EVENING.replace('reference_how = "by ear"', 'as_tuned = "all.wav"')
    text = text.replace('notes = "Slowly."', 'chords = ["I", "Em7"]\nreference_from = "./four.wav"')
    text = text.replace("beat = 2.5", 'chords = ["A7"]')
    session = session_from_toml(text, folder)
    assert session.take is not None
    assert (session.take.text, session.take.strings, session.take.near) == ("all.wav", True, True)
    first, second, third = session.pieces
    assert first.take is not None
    assert (first.take.text, first.take.strings, first.take.near) == ("four.wav", False, False)
    assert first.take.at.endswith("session.toml, line 45")
    assert (first.chords, [section.chords for section in first.sections]) == (("I", "Em7"), [None, ("A7",)])
    assert [piece.follows_reference for piece in session.pieces] == [False, False, True]
    assert (second.take, third.take) == (None, None)
    assert {"all.wav", "four.wav"} < set(session.files)


def test_two_takes_at_once_are_refused(folder: Path) -> None:
    (folder / "a.wav").write_bytes(b"")
    both = 'reference_from = "a.wav"\nas_tuned = "a.wav"'
    with pytest.raises(InputProblem, match=r"line 4: reference_from and as_tuned are both there"):
        session_from_toml(EVENING.replace('reference = "D3=146.5"', both), folder)
    text = 'schema = 1\ntitle = "x"\nas_tuned = "a.wav"\n[[pieces]]\ntitle = "y"\ntonic = "D"\n'
    with pytest.raises(InputProblem, match=r"line 3: as_tuned needs a guitar"):
        session_from_toml(text, folder)
