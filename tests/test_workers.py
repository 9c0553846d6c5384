"""Which worker of a run takes which files."""

from __future__ import annotations

from pathlib import Path

import pytest
from support import workers

ROOT = Path(__file__).resolve().parents[1]
SERVER, SUMS = "tests/ports/test_ports_closing.py", "tests/wire/test_mts_messages.py"


@pytest.fixture(autouse=True)
def _in_the_checkout(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)


@pytest.mark.parametrize(("worker", "wanted"), [(0, SERVER), (1, SERVER), (2, SUMS), (7, SUMS)])
def test_only_two_workers_have_servers_while_there_is_other_work(worker: int, wanted: str) -> None:
    assert workers.next_group([SERVER, SUMS], worker) == wanted


def test_no_worker_is_idle_while_something_waits() -> None:
    assert workers.next_group([SERVER], 2) == SERVER
    assert workers.next_group(["a file that went away"], 2) == "a file that went away"
