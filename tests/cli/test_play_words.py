"""Words of the time when `play` was called `live`: each answers with the line to type, which then is understood."""

from __future__ import annotations

import shlex

import pytest

from bridge.cli import main
from bridge.cli.play import in_words_of_now
from bridge.engine.play.controls import parse_foot
from bridge.errors import ValueProblem

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
