"""A page as browsers meet it: served with snapshots of an invented evening, and asked for over the wire.

Index: `evening`, `lesson`, `stand` (what is shown) · `Client` (HTTP by hand, so that any header can be said) ·
`chromium` (Debian's, driven by playwright; mark ``browser``).
"""

from __future__ import annotations

import http.client
import json
import re
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from typing import Any
from urllib.parse import urlsplit

from bridge.jobs.choose import TableRequest, choose_table
from bridge.live.prepare.keyboard import play_table
from bridge.live.snapshot import DroneShown, Message, NoteShown, PartShown, Snapshot, TrackShown
from bridge.page.actions import actions_of
from bridge.page.frames import Stand
from support import needs

HOME = TableRequest(guitar="open-d", reference="D3=146.5")
ALL_ACTIONS = actions_of(
    "play",
    tables=2,
    pieces=True,
    drone=True,
    listening=True,
    follow=True,
    chart=True,
    track=True,
    parts=True,
)
SONG_ACTIONS = actions_of("play", tables=1, track=True, parts=True)


def stand(**changed: Any) -> Stand:
    """What stays the same: open D, with A to go to."""
    spec = choose_table(HOME)
    tables = (play_table("D", spec), play_table("A", choose_table(replace(HOME, tonic="A"))))
    said: dict[str, Any] = {
        "command": "play",
        "actions": ALL_ACTIONS,
        "spec": spec,
        "tables": tables,
        "references_hz": (146.5, 146.5),
        "last_bar": 32,
    }
    return Stand(**{**said, **changed})


def evening(**changed: Any) -> Snapshot:
    """The third piece of an evening, in the middle of a chord."""
    now_s = time.time()
    said: dict[str, Any] = {
        "at_s": now_s,
        "link": "ok",
        "keyboard": "keys",
        "synth": "synth",
        "reference": "D3",
        "reference_hz": 146.5,
        "tonic": "D",
        "table": "in D",
        "number": 1,
        "piece": "Low Water",
        "piece_number": 3,
        "pieces": 7,
        "section": "bar 9, Second verse",
        "tuning": "Open D, capo 2",
        "next": "bar 17, Bridge: in A, b7=7/4",
        "then": "4/7  The Long Shore: in G",
        "drone": DroneShown("on", ("D2", "A2"), (-3.94, -1.99), 1.0),
        "sounding": (NoteShown("F#3", -17.63, 1), NoteShown("A3", -1.99, 1)),
        "beats": "D2 - A3: no beats",
        "chord": "D major, pure",
        "messages": (Message(1, now_s, "said", "the reference string has moved by 2 cents: listen to it"),),
        "bar": 12,
        "trim_cents": -1.5,
    }
    return Snapshot(**{**said, **changed})


def sour(**changed: Any) -> Snapshot:
    """The same in equal temperament: the third beats."""
    notes = (NoteShown("D3", -3.94, 1), NoteShown("F#3", -3.94, 1), NoteShown("A3", -3.94, 1))
    return evening(**{"equal": True, "sounding": notes, "beats": "D3 - F#3: 5.80 beats a second", **changed})


def song(**changed: Any) -> Snapshot:
    """A song that plays alone, in its twelfth bar."""
    track = TrackShown(
        "low-water", 32, parts=(PartShown("Melody"), PartShown("Bass", True), PartShown("Drums"))
    )
    said: dict[str, Any] = {
        "piece": "",
        "piece_number": 0,
        "pieces": 0,
        "section": "",
        "next": "",
        "then": "",
        "keyboard": "",
        "drone": DroneShown(),
        "track": track,
        "bars_left": 21,
        "table": "D open-d",
        "chord": "Em7",
        "trim_cents": 0.0,
    }
    return evening(**{**said, **changed})


class Client:
    """Asks over the wire, with just the headers that are said.

    Parameters
    ----------
    address : str
        Of the page, with its secret if it has one.
    """

    def __init__(self, address: str) -> None:
        parts = urlsplit(address)
        assert parts.hostname is not None
        assert parts.port is not None
        self.host, self.port, self.root = parts.hostname, parts.port, parts.path
        self.name = f"{self.host}:{self.port}"

    def ask(
        self,
        method: str,
        path: str,
        body: bytes | None = None,
        headers: dict[str, str] | None = None,
        whole: bool = True,
    ) -> http.client.HTTPResponse:
        """Ask; the answer's body is read, or left to be read."""
        line = http.client.HTTPConnection("127.0.0.1", self.port, timeout=10)
        said = {"Host": self.name, **(headers or {})}
        line.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        for name, value in said.items():
            line.putheader(name, value)
        if body is not None:
            line.putheader("Content-Length", str(len(body)))
        line.endheaders(body)
        answer = line.getresponse()
        answer.line = line  # type: ignore[attr-defined]
        if whole:
            answer.text = answer.read().decode()  # type: ignore[attr-defined]
            line.close()
        return answer

    def status(self, method: str, path: str, **said: Any) -> int:
        """Ask, and return the status alone."""
        return self.ask(method, path, **said).status

    def token(self) -> str:
        """Read the page's token, as its own script does."""
        found = re.search(r'name="token" content="([^"]*)"', self.ask("GET", self.root).text)  # type: ignore[attr-defined]
        assert found is not None
        return found[1]

    def events(self) -> Iterator[tuple[str, Any]]:
        """Follow the stream until it ends."""
        answer = self.ask("GET", f"{self.root}events", whole=False)
        try:
            assert answer.status == 200, answer.status
            name = ""
            for line in answer:
                text = line.decode().rstrip("\n")
                if text.startswith("event: "):
                    name = text[7:]
                elif text.startswith("data: "):
                    yield name, json.loads(text[6:])
        finally:
            answer.close()
            answer.line.close()  # type: ignore[attr-defined]

    def first(self, wanted: str, suits: Callable[[Any], bool] = lambda data: True) -> Any:
        """Follow the stream until something of a name comes that suits."""
        with closing(self.events()) as events:
            return next(data for name, data in events if name == wanted and suits(data))

    def act(self, action: str, **changed: Any) -> http.client.HTTPResponse:
        """Ask for an action as the page does."""
        now_s = changed.pop("now_s", None) or self.first("beat")["now"]
        headers = {
            "Origin": f"http://{self.name}",
            "Content-Type": "application/json",
            "X-Stillbeat": changed.pop("token", None) or self.token(),
            **changed.pop("headers", {}),
        }
        body = {"action": action, "asked_s": now_s, "id": f"{action}-{now_s}", **changed}
        return self.ask("POST", f"{self.root}action", json.dumps(body).encode(), headers)


@contextmanager
def chromium() -> Iterator[Any]:
    """Start Debian's Chromium; yields playwright's browser."""
    needs.uses("browser")
    playwright = needs.more("playwright.sync_api")
    path = needs.program("chromium", "chromium-browser", "google-chrome")
    with playwright.sync_playwright() as driver:
        browser = driver.chromium.launch(
            executable_path=path, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        try:
            yield browser
        finally:
            browser.close()
