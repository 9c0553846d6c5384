"""Real-time priority where it is granted, and quietly none where it is not.

Source: sched(7): policies, priorities, and what a new thread takes over.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from typing import Any

import pytest

from bridge.live.player import priority

pytestmark = pytest.mark.skipif(not hasattr(os, "sched_setscheduler"), reason="only Linux has these calls")

CHILD = """
import json, os, threading
from bridge.live.player import priority
PREPARE
end = threading.Event()
started = []
def wait():
    started.append(threading.get_native_id())
    end.wait()
before = threading.Thread(target=wait)
before.start()
given = priority.be_real_time()
after = threading.Thread(target=wait)
after.start()
while len(started) < 2:
    pass
tasks = {int(task): (os.sched_getscheduler(int(task)), os.sched_getparam(int(task)).sched_priority)
         for task in os.listdir("/proc/self/task")}
end.set()
print(json.dumps([given, priority.granted(), sorted(tasks.values())]))
"""
REFUSE = """
def refuse(task, policy, parameter):
    raise PermissionError(1, "Operation not permitted")
os.sched_setscheduler = refuse
"""
ONE_IS_REAL_TIME = """
def be_jack():
    os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(3))
    threading.Event().wait(5)
threading.Thread(target=be_jack, daemon=True).start()
while not any(os.sched_getscheduler(int(task)) == os.SCHED_FIFO for task in os.listdir("/proc/self/task")):
    pass
"""


def ran(prepare: str = "") -> Any:
    done = subprocess.run(
        [sys.executable, "-c", CHILD.replace("PREPARE", prepare)], capture_output=True, text=True, timeout=60
    )
    assert done.stderr == ""
    return json.loads(done.stdout)


def test_every_thread_has_it_also_those_that_come_later() -> None:
    given, would_be, tasks = ran()
    if priority.granted() is None:
        assert (given, would_be) == (None, None)
        assert {policy for policy, _ in tasks} == {os.SCHED_OTHER}
        return
    assert given == would_be == priority.USUAL_PRIORITY
    assert tasks == [[os.SCHED_RR, priority.USUAL_PRIORITY]] * 3


def test_where_it_is_refused_everything_goes_on() -> None:
    given, would_be, tasks = ran(REFUSE)
    assert (given, would_be) == (None, None)
    assert {policy for policy, _ in tasks} == {os.SCHED_OTHER}


def test_what_is_real_time_already_stays_above_us() -> None:
    if priority.granted() is None:
        pytest.skip("the system grants no real-time priority here")
    given, _, tasks = ran(ONE_IS_REAL_TIME)
    assert given == 2
    assert sorted(tasks) == sorted([[os.SCHED_FIFO, 3], *[[os.SCHED_RR, 2]] * 3])


def test_it_is_told_in_a_line(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "sched_setscheduler", lambda *_: None)
    assert "real-time priority 4, below JACK's own" in priority.promptness()

    def refuse(*_: object) -> None:
        raise PermissionError

    monkeypatch.setattr(os, "sched_setscheduler", refuse)
    assert "no real-time priority: a busy computer may hold notes up: add yourself" in priority.promptness()
