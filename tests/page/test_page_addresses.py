"""Where the page is: on this computer by its number, in a network with secrets, as a code that a camera reads."""

from __future__ import annotations

import json
from typing import Any

import msgspec
from rich.console import Console
from support.page import evening, stand

from bridge.live.desk.views.playing import picture
from bridge.page.addresses import Addresses, code_lines
from bridge.page.beside import BesideDesk
from bridge.page.seen import Shower, stand_shown

ADDRESSES = ("page, to act: http://192.0.2.7:8080/a-secret/", "v shows a code to scan")


def test_this_computer_alone_has_one_address_and_no_secret() -> None:
    assert Addresses.of(8080, False, "", "").lines() == ["page: http://127.0.0.1:8080/"]


def test_in_a_network_who_may_act_and_who_may_look_have_addresses_of_their_own() -> None:
    found = Addresses.of(8080, True, "looks", "acts")
    assert found.act.endswith(":8080/acts/")
    assert found.look.endswith(":8080/looks/")
    assert "Nothing is encrypted" in found.lines()[2]


def test_the_code_is_the_address() -> None:
    """A QR code has finder patterns of 7 modules in three corners (ISO/IEC 18004); two modules stand in one letter."""
    lines = code_lines("http://192.0.2.7:8080/a-secret/")
    assert len({len(line) for line in lines}) == 1
    size = len(lines[0]) - 4  # without the quiet zone
    assert (size - 17) % 4 == 0  # 21, 25, 29 … modules
    assert lines[1][2:9] == lines[1][-9:-2] == " ▄▄▄▄▄ "


def test_the_terminal_shows_them_and_no_browser_ever_does() -> None:
    seen = evening(addresses=ADDRESSES, code=("██ ▄▄",), engine=True)
    console = Console(width=100, height=40, file=None)
    rows = [row.plain for row in picture(seen, console.width, console.height)]
    assert ADDRESSES[0] in rows
    assert "██ ▄▄" in rows
    told = json.dumps([Shower(stand()).shown(seen), stand_shown(stand())])
    assert "secret" not in told
    assert "▄" not in told
    beside = BesideDesk(stand(), lambda command: None)
    frames: list[Any] = []
    beside.page.put = frames.append  # type: ignore[method-assign]
    beside.show(seen)
    assert b"secret" not in msgspec.json.encode(frames)
