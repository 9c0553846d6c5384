"""What is missing on a machine is said once and skips, fails in CI, and never hides behind a forgotten mark."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from support import needs

TESTS = Path(__file__).parent


@pytest.mark.parametrize("under_ci", [True, False])
def test_a_missing_program_skips_loudly_and_fails_in_ci(
    under_ci: bool, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setenv("CI", "true" if under_ci else "")
    wanted = pytest.fail.Exception if under_ci else pytest.skip.Exception
    with pytest.raises(wanted, match="fluidsynth: missing") as said:
        needs.program("fluidsynth")
    if not under_ci:
        assert str(said.value).endswith("NOT tested here (apt-get install fluidsynth)")


@pytest.mark.more
def test_a_missing_heavy_package_fails_only_where_it_was_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CI", "1")
    monkeypatch.delenv("STILLBEAT_TEST_MORE", raising=False)
    with pytest.raises(pytest.skip.Exception, match=r"nothing_of_this_name: missing.*test-more"):
        needs.more("nothing_of_this_name")
    monkeypatch.setenv("STILLBEAT_TEST_MORE", "1")
    with pytest.raises(pytest.fail.Exception, match="nothing_of_this_name: missing"):
        needs.more("nothing_of_this_name")


@pytest.mark.parametrize("mark", needs.MARKS)
def test_a_forgotten_mark_is_told(mark: str) -> None:
    with pytest.raises(pytest.fail.Exception, match=f"put @pytest.mark.{mark} on it"):
        needs.uses(mark)


@pytest.mark.jack
def test_a_mark_makes_a_test_slow_and_is_enough(request: pytest.FixtureRequest) -> None:
    needs.uses("jack")
    assert request.node.get_closest_marker("slow") is not None


def test_one_line_says_what_was_not_tested_and_what_installs_it() -> None:
    reasons = [
        "Skipped: timidity: missing, so this was NOT tested here (apt-get install timidity)",
        "Skipped: fluidsynth: missing, so this was NOT tested here (apt-get install fluidsynth)",
        "Skipped: JACK: missing, so this was NOT tested here (apt-get install jackd2; pip install x)",
        "Skipped: JACK: missing, so this was NOT tested here (apt-get install jackd2; pip install x)",
        "Skipped: the network: missing, so this was NOT tested here",
        "Skipped: only where the system has /dev/full",
    ]
    line = needs.summary(reasons)
    assert "\n" not in line
    assert "5 tests were skipped" in line
    assert line.endswith("apt-get install fluidsynth jackd2 timidity; pip install x")
    assert needs.summary(reasons[-1:]) == ""
    assert "1 test was skipped" in needs.summary(reasons[:1])
    assert "no command installs it" in needs.summary(reasons[4:])


@pytest.mark.slow
def test_a_run_on_a_bare_machine_ends_with_that_line(tmp_path: Path) -> None:
    """A run of its own, with no program to be found, split over two workers as in the README's line."""
    env = {name: value for name, value in os.environ.items() if not name.startswith(("CI", "PYTEST_"))}
    command = [sys.executable, "-m", "pytest", "-q", "-n", "2", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [*command, str(TESTS / "synths" / "test_harness_synths.py"), "-k", "fluidsynth or timidity"],
        env={**env, "PATH": str(tmp_path)},
        cwd=TESTS.parent,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    assert done.returncode == 0, done.stdout
    (line,) = [line for line in done.stdout.splitlines() if line.startswith("NOT TESTED HERE")]
    assert line.endswith("To run all: apt-get install fluidsynth timidity")
