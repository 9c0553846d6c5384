"""Tables on the terminal: the longest are written as the short ones are; and bars of progress."""

from __future__ import annotations

import pytest

from bridge.cli.parts.printing import MANY_ROWS, console, progress_bar, show_table


def printed(capsys: pytest.CaptureFixture[str], count: int) -> list[str]:
    console.cache_clear()
    rows = [(f"row {number:04}", "♭II" * (number % 3), f"{number % 10:+.1f}") for number in range(count)]
    show_table(("bar", "chord", "cents"), rows, left=(0, 1))
    console.cache_clear()
    return capsys.readouterr().out.splitlines()


def test_a_long_table_has_the_columns_of_a_short_one(capsys: pytest.CaptureFixture[str]) -> None:
    short, long = printed(capsys, MANY_ROWS), printed(capsys, MANY_ROWS + 1)
    assert len(short) == MANY_ROWS + 1
    assert [line.split() for line in long[:-1]] == [line.split() for line in short]
    assert {line.index("+") for line in long[1:11]} == {line.index("+") for line in short[1:11]}
    assert long[-1].split() == [*f"row {MANY_ROWS:04}".split(), "♭II", "+0.0"]


def test_a_title_with_square_brackets_has_a_bar(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """``[/b]`` alone ends a style that rich never began, which it refuses."""
    monkeypatch.setenv("FORCE_COLOR", "1")
    with progress_bar() as advance:
        advance("Reel [/b]", 0.5)
    assert "Reel [/b]" in capsys.readouterr().err
