"""``stillbeat probe``: what is refused before anything is sent."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.fake_ports import Desk, FakeSystem

from bridge.cli import main
from bridge.live.probe import open as probe_open


@pytest.fixture
def desk(monkeypatch: pytest.MonkeyPatch) -> Desk:
    """A desk with one synth, and no sound input anywhere."""
    found = Desk()
    found.synth("keys:in")
    monkeypatch.setattr(probe_open, "find_system", lambda *_: FakeSystem(found))
    monkeypatch.setenv("JACK_DEFAULT_SERVER", "none-of-this-name")
    monkeypatch.setenv("JACK_NO_START_SERVER", "1")
    return found


def refused(capsys: pytest.CaptureFixture[str], *arguments: str) -> tuple[int, str]:
    with pytest.raises(SystemExit) as left:
        main(["probe", *arguments])
    return int(left.value.code or 0), capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        ((), 2, "--out"),
        (("--out", "keys", "--ask", "--mic", "line"), 2, "one of them"),
        (("--out", "keys", "--ask", "--note", "H3"), 2, "German H is B"),
        (("--out", "new", "--ask"), 2, "no synth behind it"),
        (("--out", "piano", "--ask"), 4, "there is no output port 'piano'"),
        (("--out", "keys", "--ask", "--synth-reply", "keys"), 4, "there is no input port"),
        (("--out", "keys", "--ask", "--channel", "17"), 2, "channel"),
        (("--out", "keys", "--ask", "--name", "Not Good"), 2, "cannot be the name of a synth"),
        (("--out", "keys", "--ask", "-o", "found.txt"), 2, "must end in .toml"),
    ],
)
def test_what_cannot_be_meant_is_refused(
    desk: Desk, capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...], code: int, said: str
) -> None:
    found, errors = refused(capsys, *arguments)
    assert found == code
    assert said in errors
    assert desk.synths["keys:in"].received == []


@pytest.mark.parametrize("answer", ["n\n", "", "\n", "maybe\n"])
def test_nothing_is_sent_without_a_yes(
    desk: Desk,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
    answer: str,
) -> None:
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO(answer))
    code, errors = refused(capsys, "--out", "keys", "--ask", "-o", str(tmp_path / "x.toml"))
    assert code == 2
    assert "overwrites the synth's tuning programs 0 and 1" in errors
    assert "Turn the synth down first" in errors
    assert "nothing was sent to the synth" in errors
    assert desk.synths["keys:in"].received == []
    assert not (tmp_path / "x.toml").exists()


@pytest.mark.slow
def test_answers_that_end_let_go_of_the_note_and_put_the_synth_back(
    desk: Desk, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    import io

    monkeypatch.setattr("sys.stdin", io.StringIO("y\nl\n"))
    code, errors = refused(capsys, "--out", "keys", "--ask", "-o", str(tmp_path / "x.toml"))
    assert code == 3
    assert "the answers ended before the questions did" in errors
    sent = desk.synths["keys:in"].received
    assert [data[0] for data in sent].count(0x90) == [data[0] for data in sent].count(0x80) == 4
    assert sent[-1] == b"\xb0\x0b\x7f"  # expression as it is usual
    assert not (tmp_path / "x.toml").exists()


def test_without_a_sound_input_the_player_is_asked_and_told_why(
    desk: Desk, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    import io

    from bridge.errors import PortProblem

    def none() -> list[object]:
        raise PortProblem("live sound needs the package sounddevice")

    monkeypatch.setattr(probe_open, "sound_inputs", none)
    monkeypatch.setattr("sys.stdin", io.StringIO("n\n"))
    code, errors = refused(capsys, "--out", "keys")
    assert code == 2
    assert "keys:in: asking you what you hear" in errors
    assert "no sound input: live sound needs the package sounddevice" in errors
