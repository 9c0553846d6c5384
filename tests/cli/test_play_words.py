"""Words of the time when `play` was called `live`: each answers with the line to type, which then is understood."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.cli.parts.old_words import in_words_of_now
from bridge.engine.play.controls import parse_foot
from bridge.errors import PortProblem, ValueProblem

ENDS = "--in keys --out synth"


@pytest.mark.parametrize(
    ("old", "now"),
    [
        (f"live --guitar open-d {ENDS}", f"play --guitar open-d {ENDS}"),
        (f"live --session evening.toml {ENDS}", f"play --session evening.toml {ENDS}"),
        (
            f"live --guitar open-g --slot G --slot C --slot D,b7=7/4 {ENDS}",
            f"play --guitar open-g --also C --also D,b7=7/4 {ENDS}",
        ),
        (f"play --guitar open-d --slot=A {ENDS}", f"play --guitar open-d --also A {ENDS}"),
        (f"live --slot D --slot A {ENDS}", f"play --tonic D --also A {ENDS}"),
        (f"live --slot my.table.toml --slot A {ENDS}", f"play --table my.table.toml --also A {ENDS}"),
        (f"live --tonic D --slot D --slot A {ENDS}", f"play --tonic D --also A {ENDS}"),
        (
            f"play --tonic D --foot 66=slot-2 --foot=67=slot-3 --zone-keys slot {ENDS}",
            f"play --tonic D --foot 66=table-2 --foot=67=table-3 --switch-keys-choose table {ENDS}",
        ),
    ],
)
def test_old_words_answer_with_the_line_to_type(
    old: str, now: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main(shlex.split(old))
    assert end.value.code == 2
    said = capsys.readouterr().err
    assert said.endswith(f"type: stillbeat {now}\n")
    assert said.count("\n") == 1
    words = shlex.split(now)[1:]
    assert in_words_of_now(words) == words, "the new line has no old words"


def test_a_foot_setting_of_old_answers_with_the_new_one() -> None:
    with pytest.raises(ValueProblem) as caught:
        parse_foot("66=slot-2")
    assert caught.value.hint == "type 66=table-2"
    assert parse_foot("66=table-2")[1].number == 2


@pytest.mark.parametrize(
    ("said", "now"),
    [
        ("play --device Line --guitar open-d", "play --mic Line --guitar open-d"),
        ("play --guitar open-d --device=Line", "play --guitar open-d --mic=Line"),
        ("play --guitar open-d --mic", "play --guitar open-d"),
        ("play --mic --guitar open-d", "play --guitar open-d"),
        ("tune --mic --device Line --guitar open-d", "tune --mic Line --guitar open-d"),
        ("tune open-d --device='The Line'", "tune open-d '--mic=The Line'"),
        ("listen --mic --device Line --seconds 3", "listen --mic Line --seconds 3"),
        ("sing --device Line --through Room --tonic D", "sing --mic Line --card Room --tonic D"),
        ("page open-d --device Line", "page open-d --mic Line"),
        ("page --mic --lan", "page --lan"),
        ("probe --out keys --device Line --device-id 3", "probe --out keys --mic Line --device-id 3"),
        ("drone 1 5 --device Room", "drone 1 5 --card Room"),
        ("practise fifth --device=Room", "practise fifth --card=Room"),
        ("demo --device Room", "demo --card Room"),
    ],
)
def test_other_words_for_a_sound_device_answer_with_the_line_to_type(
    said: str, now: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as end:
        main(shlex.split(said))
    assert end.value.code == 2
    answer = capsys.readouterr().err
    assert answer.endswith(f"type: stillbeat {now}\n")
    assert answer.count("\n") == 1


@pytest.mark.parametrize(
    ("said", "name"),
    [
        ("tune --guitar open-d --mic", None),
        ("tune --mic --guitar open-d", None),
        ("tune --mic open-d", None),
        ("tune open-d --mic Line", "Line"),
        ("tune --mic=open-d --guitar open-d", "open-d"),
        ("listen --mic", None),
        ("listen --mic Line --seconds 3", "Line"),
        ("sing --mic --tonic D", None),
        ("sing --tonic D", None),
        ("sing --mic Line --tonic D", "Line"),
    ],
)
def test_a_name_may_stand_behind_mic_where_a_microphone_is_listened_to_anyway(
    said: str, name: str | None, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = []

    def look(device: str | None) -> None:
        asked.append(device)
        raise PortProblem("no microphone here")

    monkeypatch.setattr("bridge.sound.device.asking.usable_microphone", look)
    monkeypatch.setattr("bridge.live.desk.singer.usable_microphone", look)
    with pytest.raises(SystemExit) as end:
        main(said.split())
    said_first = capsys.readouterr().err.splitlines()[0]
    assert (end.value.code, asked) == (4, [name]), said_first
    assert said_first.startswith("opening the sound input")


@pytest.mark.parametrize("said", ["listen --mic take.wav", "listen --mic {folder}/take"])
def test_a_take_behind_mic_is_no_microphone(
    said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "take").write_bytes(b"")
    with pytest.raises(SystemExit):
        main(shlex.split(said.format(folder=tmp_path)))
    assert "a file or --mic, not both" in capsys.readouterr().err


def test_a_table_behind_mic_is_no_microphone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("bridge.sound.device.asking._LOOK", "print('-no such input')")
    (tmp_path / "mine.table.toml").write_text('schema = 1\nguitar = "open-d"\n')
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as end:
        main(["tune", "--mic", "mine.table.toml"])
    assert end.value.code == 4, "it got as far as the microphone"
