"""Takes that a session names: the reference and the strings in them reach every table that follows, and no other."""

from __future__ import annotations

import math
from functools import cache
from pathlib import Path

import pytest
from support.takes import OFF_CENTS, OPEN_D, open_d, take, write

from bridge.errors import InputProblem
from bridge.jobs.session.build import build_session
from bridge.jobs.session.check import check_session
from bridge.jobs.session.reading_back.verify import verify_session
from bridge.jobs.session.takes import open_session
from bridge.store.session.model import Session, built
from bridge.tuning.reference import Reference

pytestmark = pytest.mark.slow

D3_HZ = 145.9
NEAR_CENTS = 0.5
"""Strings 35 dB above noise are measured more closely than this."""

SESSION = """\
schema = 1
title = "Heard"
guitar = "open-d"
{take}
pages = false

[trims]
range_cents = 0

[[pieces]]
title = "One"

[[pieces.sections]]
bar = 3
tonic = "G"

[[pieces]]
title = "Capo"
fret = 2
keys = {{ "A5" = 880.0 }}

[[pieces]]
title = "Elsewhere"
reference = "D3=147.5"

[[pieces]]
title = "Other guitar"
guitar = "open-g"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("heard")
    strings = open_d(D3_HZ)
    write(made / "four.wav", take([strings[4]]))
    write(made / "all.wav", take([strings[number] for number in (6, 5, 4, 3, 2, 1)]))
    return made


@cache
def heard(folder: Path, line: str) -> Session:
    """What a session with this line is; listening to a take is slow, so each is heard once."""
    (folder / "evening.toml").write_text(SESSION.format(take=line))
    return open_session(folder / "evening.toml")


def off_cents(hz: float, wanted_hz: float) -> float:
    return abs(1200.0 * math.log2(hz / wanted_hz))


def test_the_reference_is_heard_and_followed(folder: Path) -> None:
    session = heard(folder, 'reference_from = "four.wav"')
    assert session.reference is not None
    assert off_cents(session.reference.hz, D3_HZ) < NEAR_CENTS
    assert session.reference_how == "heard in four.wav"
    one, capo, elsewhere, other = session.pieces
    assert one.spec.reference == capo.spec.reference == other.spec.reference == session.reference
    assert elsewhere.spec.reference == Reference(50, 147.5)
    # A fifth above the reference is pure: the strings are the table's, whatever else they were.
    assert off_cents(float(built(one.spec).hz[57]), session.reference.hz * 1.5) < 1e-6


def test_a_reference_beside_the_take_says_about_where(folder: Path) -> None:
    session = heard(folder, 'reference = "A2=109"\nreference_from = "all.wav"')
    assert session.reference is not None
    assert session.reference.key == 45
    assert off_cents(session.reference.hz, open_d(D3_HZ)[5]) < NEAR_CENTS


def test_strings_as_they_are_tuned(folder: Path) -> None:
    session = heard(folder, 'as_tuned = "all.wav"')
    one, capo, elsewhere, other = session.pieces
    keys = {6: 38, 5: 45, 4: 50, 3: 54, 2: 57, 1: 62}
    for number, hz in open_d(D3_HZ).items():
        assert off_cents(float(built(one.spec).hz[keys[number]]), hz) < NEAR_CENTS
        raised = hz * 2 ** (2 / 12)
        assert off_cents(float(built(capo.spec).hz[keys[number] + 2]), raised) < NEAR_CENTS
    # A note with a pitch of its own keeps it, string or not; as everything it is raised by the capo.
    assert float(built(capo.spec).hz[83]) == pytest.approx(880.0 * 2 ** (2 / 12))
    assert session.reference == one.spec.reference == other.spec.reference
    assert not other.spec.key_overrides
    assert elsewhere.spec.reference == Reference(50, 147.5)
    assert not elsewhere.spec.key_overrides
    # 4.5 cents sharp in the take; the fit lies a little off the fourth string, as the others pull it.
    assert "3 (F#3) +4." in session.heard
    assert set(OFF_CENTS) == set(OPEN_D) == set(keys)


def test_another_reference_moves_strings_that_were_heard(folder: Path) -> None:
    session = heard(folder, 'as_tuned = "all.wav"')
    assert session.reference is not None
    lower = Reference(session.reference.key, session.reference.hz * 2 ** (-10 / 1200))
    before, after = (built(one.pieces[0].spec).hz for one in (session, session.with_reference(lower)))
    assert [round(1200 * math.log2(b / a), 6) for a, b in zip(before, after, strict=True)] == [-10.0] * 128


def test_a_piece_may_have_a_take_of_its_own(folder: Path) -> None:
    text = SESSION.format(take='reference = "D3=150"').replace(
        'title = "One"', 'title = "One"\nas_tuned = "all.wav"'
    )
    (folder / "own.toml").write_text(text)
    session = open_session(folder / "own.toml")
    assert session.reference == Reference(50, 150.0)
    assert off_cents(session.pieces[0].spec.reference.hz, D3_HZ) < 2.0
    assert session.pieces[0].heard.startswith("Strings as heard in all.wav")
    assert session.pieces[1].spec.reference == Reference(50, 150.0)


def test_what_cannot_be_heard_is_told_with_file_and_line(folder: Path) -> None:
    (folder / "empty.wav").write_bytes(b"RIFF")
    with pytest.raises(InputProblem, match=r"evening.toml, line 4: empty.wav"):
        heard(folder, 'reference_from = "empty.wav"')
    write(folder / "other.wav", take([110.0, 220.0]))
    with pytest.raises(InputProblem, match=r"evening.toml, line 4: other.wav.*reference ="):
        heard(folder, 'reference_from = "other.wav"')
    strings = open_d(D3_HZ, {3: -80.0})
    write(folder / "low.wav", take([strings[number] for number in (6, 5, 4, 3, 2, 1)]))
    with pytest.raises(InputProblem, match=r"line 4: .*string 3 is"):
        heard(folder, 'as_tuned = "low.wav"')
    assert not list(folder.glob("*bundle*"))


def test_another_take_makes_what_follows_it_again_and_nothing_else(folder: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    home.mkdir()
    (home / "take.wav").write_bytes((folder / "four.wav").read_bytes())
    (home / "evening.toml").write_text(SESSION.format(take='reference_from = "take.wav"'))
    out = tmp_path / "out"
    build_session(home / "evening.toml", out, processes=1)
    assert (out / "session" / "take.wav").read_bytes() == (home / "take.wav").read_bytes()
    assert not verify_session(out).problems
    again = build_session(home / "evening.toml", out, overwrite=True, processes=1)
    assert again.done == 0
    write(home / "take.wav", take([D3_HZ * 1.01]))
    changed = build_session(home / "evening.toml", out, overwrite=True, processes=1)
    # Tables of three pieces and the reference tones; the piece with a reference of its own stays.
    assert (changed.done, changed.reused) == (4, 1)
    assert not verify_session(out).problems
    assert "reference D3=" not in "\n".join(check_session(home / "evening.toml").warnings)
