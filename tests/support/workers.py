"""How the tests are shared between the workers of a run: file by file, the slow files first, servers beside arithmetic.

A file's tests stay on one worker, so that what a file sets up is set up once. Files that use PortAudio count as one:
its name on a JACK server is always the same, so they could only wait for each other. Files with servers, which mostly
wait for sound, alternate with those that mostly compute; quick files come last and even out the end. Of three workers
or more, which keep two cores busy while servers are waited for, only two have servers at a time: a third would make
them late. The others compute.

Imports nothing of the project.

Index: `in_order`, `next_group`, `scheduler`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from functools import cache
from itertools import chain, zip_longest
from pathlib import Path
from typing import Any

import pytest

PORTAUDIO = (
    "tests/live/test_drone_jack.py",
    "tests/live/test_follow_string_jack.py",
    "tests/live/test_singer_jack.py",
    "tests/live/test_tuner_jack.py",
    "tests/sound/test_output.py",
)


def group(nodeid: str) -> str:
    """What a test is kept together with: its file, or all that use PortAudio."""
    file = nodeid.partition("::")[0]
    return PORTAUDIO[0] if file in PORTAUDIO else file


def in_order(items: Sequence[pytest.Item]) -> list[pytest.Item]:
    """The same tests, group by group, in the order in which workers should take them."""
    groups: dict[str, list[pytest.Item]] = {}
    for item in items:
        groups.setdefault(group(item.nodeid), []).append(item)

    def marked(mark: str) -> list[str]:
        number = {
            name: sum(item.get_closest_marker(mark) is not None for item in group)
            for name, group in groups.items()
        }
        return sorted((name for name in groups if number[name]), key=lambda name: -number[name])

    servers = marked("jack")
    sums = [name for name in marked("slow") if name not in servers]
    first = [name for pair in zip_longest(servers, sums) for name in pair if name is not None]
    order = [*first, *(name for name in groups if name not in {*servers, *sums})]
    return list(chain.from_iterable(groups[name] for name in order))


WITH_SERVERS = 2
"""How many workers may have files with servers."""


@cache
def has_servers(file: str) -> bool:
    """Whether a file's text says that it uses a JACK server; who shares the tests out has no marks to ask."""
    try:
        text = Path(file).read_text(encoding="utf-8")
    except OSError:
        return False
    return "mark.jack" in text or "jack_server" in text


def next_group(waiting: Iterable[str], worker: int) -> str:
    """Which of the waiting groups a worker takes, by its number from 0."""
    groups = list(waiting)
    may = worker < WITH_SERVERS
    return next((name for name in groups if may or not has_servers(name)), groups[0])


def scheduler(config: pytest.Config, log: Any) -> Any:
    """Return what hands whole groups to the workers, in the order of the tests."""
    from xdist.scheduler import LoadFileScheduling

    class ByGroup(LoadFileScheduling):
        def _split_scope(self, nodeid: str) -> str:
            return group(nodeid)

        def _assign_work_unit(self, node: Any) -> None:
            number = int(node.gateway.id.removeprefix("gw"))
            self.workqueue.move_to_end(next_group(self.workqueue, number), last=False)
            super()._assign_work_unit(node)

    config.option.loadscopereorder = False  # by number of tests, it would be
    return ByGroup(config, log)
