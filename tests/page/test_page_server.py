"""The page's server over the wire: who may look and act, what is refused, what comes of faults. No browser here."""

from __future__ import annotations

import json
import os
import queue
import re
import signal
import socket
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from support.live import until
from support.page import Client, evening, stand

from bridge.errors import PortProblem
from bridge.page import process
from bridge.page.frames import Asked
from bridge.page.host import Page
from bridge.page.stream import BEAT_S, STALE_S


class Served:
    """A page, what was asked of it, and a client of it."""

    def __init__(self, lan: bool = False, **changed: Any) -> None:
        self.asked: queue.SimpleQueue[Asked] = queue.SimpleQueue()
        self.said: list[str] = []
        self.page = Page(stand(**changed), self.asked.put, self.said.append, lan=lan)
        self.page.start()
        self.client = self.of(self.page.addresses.act)

    def of(self, address: str) -> Client:
        client = Client(address)
        if client.host != "127.0.0.1":  # the number in the network, asked for on this computer
            client.name = f"{client.host}:{client.port}"
        return client


@pytest.fixture(scope="module")
def here() -> Iterator[Served]:
    served = Served()
    yield served
    served.page.close()


@pytest.fixture(scope="module")
def network() -> Iterator[Served]:
    served = Served(lan=True)
    yield served
    served.page.close()


POLICY = "default-src 'self'; object-src 'none'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"


def test_every_answer_has_the_strict_headers_and_no_cookie(here: Served) -> None:
    for path in ("/", "/style.css", "/main.js", "/nothing", "/study/choices", "/study/table?fret=99"):
        answer = here.client.ask("GET", path)
        assert answer.headers["Content-Security-Policy"] == POLICY, path
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Referrer-Policy"] == "no-referrer"
        assert answer.headers["X-Frame-Options"] == "DENY"
        assert answer.headers["Cache-Control"] == "no-store"
        assert answer.headers["Set-Cookie"] is None
        assert answer.headers["Server"] is None


def test_the_page_has_no_inline_script_style_or_foreign_host(here: Served) -> None:
    web = Path(__file__).resolve().parents[2] / "bridge" / "page" / "web"
    page = here.client.ask("GET", "/").text  # type: ignore[attr-defined]
    assert "<style" not in page
    assert " style=" not in page
    assert " onclick" not in page
    assert page.count("<script") == page.count('<script type="module" src="')
    texts = [path.read_text() for path in web.iterdir()]
    assert len(texts) > 8
    for text in texts:
        plain = text.replace("http://www.w3.org/2000/svg", "")
        assert "http:" not in plain
        assert "https:" not in plain
        assert "innerHTML" not in plain
        assert "eval(" not in plain


def test_snapshots_come_as_events_newest_first_of_all_and_beats_between(here: Served) -> None:
    here.page.show(evening(section="bar 17"))
    with closing(here.client.events()) as events:
        name, told = next(events)
        assert name == "stand"
        assert told["command"] == "play"
        seen = next(data for name, data in events if name == "seen" and data["section"] == "bar 17")
        beat = next(data for name, data in events if name == "beat")
    assert seen["tonic"] == "D"
    assert seen["barsLeft"] == 21  # 32 bars, and the twelfth has begun
    assert beat["now"] > 0


def test_cents_from_pure_are_those_of_the_table(here: Served) -> None:
    """In open D from D3 = 146.5 Hz a pure third is 5/4: 183.125 Hz; an equal one 13.7 cents wider (by definition)."""
    from support.page import sour

    from bridge.page.seen import Shower

    shower = Shower(stand())
    pure = shower.shown(evening())["lesson"]["sounding"]
    # F#3 at -17.63 cents from 185.00 Hz is 183.125 Hz.
    assert [one["cents"] for one in pure] == [0.0, 0.0, 0.0, 0.0]
    assert [one["degree"] for one in pure] == ["1", "5", "3", "5"]
    equal = {one["note"]: one for one in shower.shown(sour())["lesson"]["sounding"]}
    assert equal["F#3"]["cents"] == pytest.approx(13.7, abs=0.05)
    assert equal["A3"]["cents"] == pytest.approx(-2.0, abs=0.05)


def test_an_action_arrives_once_and_only_from_our_own_page(here: Served) -> None:
    client = here.client
    now_s = client.first("beat")["now"]
    assert json.loads(client.act("next", now_s=now_s, id="one").text) == {"done": "asked"}  # type: ignore[attr-defined]
    assert here.asked.get(timeout=5) == Asked("next")
    assert json.loads(client.act("next", now_s=now_s, id="one").text) == {"done": "already"}  # type: ignore[attr-defined]
    assert client.act("next", headers={"Origin": "http://elsewhere.example"}).status == 403
    assert client.act("next", headers={"Origin": "null"}).status == 403
    assert client.act("next", headers={"Sec-Fetch-Site": "cross-site"}).status == 403
    assert client.act("next", headers={"Host": "elsewhere.example"}).status == 403
    assert client.act("next", token="guessed").status == 403
    assert client.act("next", headers={"Content-Type": "text/plain"}).status == 415
    assert client.ask("POST", "/action", b"{}").status == 403
    assert client.status("PUT", "/action", body=b"{}", headers={"Origin": f"http://{client.name}"}) == 405
    assert here.asked.empty()


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{}",
        b"[]",
        b'{"action":"quit","asked_s":0,"id":"a"}',
        b'{"action":"next","asked_s":0,"id":"a","path":"/etc/passwd"}',
        b'{"action":"next","asked_s":"0","id":"a"}',
        b'{"action":"next","asked_s":NaN,"id":"a"}',
        b'{"action":"next","asked_s":0,"id":"' + b"a" * 65 + b'"}',
        b'{"action":"tuner","asked_s":0,"id":"a"}',  # of another command
        b'{"action":"next","asked_s":0,"id":"' + b"a" * 5000 + b'"}',
        b"\xff\xfe",
    ],
)
def test_what_is_no_action_of_the_list_is_refused(here: Served, body: bytes) -> None:
    client = here.client
    headers = {
        "Origin": f"http://{client.name}",
        "Content-Type": "application/json",
        "X-Stillbeat": client.token(),
    }
    until(lambda: client.ask("POST", "/action", body, headers).status != 429)
    assert client.ask("POST", "/action", body, headers).status in (400, 429)
    assert here.asked.empty()


def test_what_was_asked_before_the_network_came_back_is_dropped(here: Served) -> None:
    answers: list[Any] = []

    def let_in() -> bool:  # other tests may have used up the rate of actions
        answers.append(here.client.act("next", now_s=here.client.first("beat")["now"] - 3.0))
        return bool(answers[-1].status == 200)

    until(let_in)
    assert json.loads(answers[-1].text) == {"done": "too late"}
    assert here.asked.empty()


def test_over_a_network_the_secret_decides_who_looks_and_who_acts(network: Served) -> None:
    act, look = network.client, network.of(network.page.addresses.look)
    assert act.root != look.root
    assert act.status("GET", act.root) == 200
    for path in (
        "/",
        "/events",
        "/style.css",
        "/wrong/",
        f"{act.root[:-2]}/",
        "/study/choices",
        act.root[:-1],
    ):
        assert act.status("GET", path) == 404, path
    assert 'content="look"' in look.ask("GET", look.root).text  # type: ignore[attr-defined]
    assert 'name="token" content=""' in look.ask("GET", look.root).text  # type: ignore[attr-defined]
    assert look.first("stand")["command"] == "play"
    assert look.act("next", token=act.token(), now_s=1.0).status == 403
    assert act.act("next").status == 200
    assert network.asked.get(timeout=5) == Asked("next")
    # A name that somebody else's page was given for our number is not ours.
    assert act.status("GET", act.root, headers={"Host": f"rebound.example:{act.port}"}) == 403
    assert act.status("GET", act.root, headers={"Host": f"127.0.0.1:{act.port + 1}"}) == 403
    assert act.root.strip("/") not in "".join(network.said)


def test_script_in_titles_stays_text(here: Served) -> None:
    title = "</script><script>alert(1)</script>\u2028\n<img src=x onerror=alert(1)>"
    here.page.show(evening(piece=title))
    seen = here.client.first("seen", lambda data: data["title"] == title)
    assert seen["title"] == title  # JSON in a line of its own; the browser side never makes markup of it


def test_names_of_files_mean_nothing(here: Served) -> None:
    for path in (
        *(
            "/../frames.py",
            "/%2e%2e/frames.py",
            "/index.html",
            "/web/main.js",
            "/study/table?table=/etc/passwd",
        ),
        *("/study/table?guitar=/etc/passwd", "/study/table?guitar=../x", "/study/table?as_tuned=x.wav"),
        *("/study/nothing", "//etc/passwd"),
    ):
        assert here.client.status("GET", path) in (400, 404), path


def test_what_can_be_read_about_a_table(here: Served) -> None:
    def get(path: str) -> Any:
        answer = here.client.ask("GET", path)
        assert answer.status == 200, answer.text  # type: ignore[attr-defined]
        return json.loads(answer.text) if "json" in answer.headers["Content-Type"] else answer.text  # type: ignore[attr-defined]

    table = get("/study/table")
    assert (table["tonic"], table["hz"]) == ("D", "146.500")  # the one it was started with
    third = next(key for key in table["keys"] if key["note"] == "F#3")
    assert (third["ratio"], third["hz"]) == ("5/4", "183.12")  # 146.5 · 5/4 = 183.125
    assert get("/study/table?guitar=open-g&fret=2")["tonic"] == "A"
    assert {one["name"]: one["verdict"] for one in get("/study/chords")["chords"]}["D"] == "pure"
    assert len(get("/study/strings")["changes"]) == 6
    assert get("/study/frets.svg?chord=G").startswith("<?xml")
    assert get("/study/keyboard.svg").startswith("<?xml")


def test_a_sheet_is_allowed_its_own_style_by_digest_and_nothing_else(here: Served) -> None:
    answer = here.client.ask("GET", "/study/sheet")
    policy = answer.headers["Content-Security-Policy"]
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert "script" not in policy
    assert " style=" not in answer.text  # type: ignore[attr-defined]


@pytest.mark.slow
def test_callers_have_a_rate_and_so_have_actions() -> None:
    served = Served()
    try:
        client = served.client
        token, now_s = client.token(), client.first("beat")["now"]
        codes = [client.act("next", token=token, now_s=now_s, id=str(n)).status for n in range(40)]
        assert codes[0] == 200
        assert 429 in codes
        codes = [client.status("GET", "/icon.svg") for _ in range(400)]
        assert 429 in codes
    finally:
        served.page.close()


@pytest.mark.slow
def test_fifty_clients_that_sleep_hold_up_nobody() -> None:
    served = Served()
    sleeping: list[socket.socket] = []
    try:
        port = served.client.port
        for _ in range(50):
            one = socket.create_connection(("127.0.0.1", port))
            one.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
            one.sendall(f"GET /events HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
            sleeping.append(one)
        for number in range(200):
            served.page.show(evening(section=f"bar {number}"))  # a mailbox, whoever sleeps
        assert served.client.first("seen", lambda data: data["section"] == "bar 199")
        assert served.client.status("GET", "/") == 200
    finally:
        for one in sleeping:
            one.close()
        served.page.close()


@pytest.mark.slow
@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="needs /proc")
@pytest.mark.parametrize("fault", [signal.SIGKILL, signal.SIGSTOP], ids=["killed", "stuck"])
def test_a_server_that_is_killed_or_stuck_comes_back_under_the_same_address(fault: signal.Signals) -> None:
    served = Served(lan=True)
    try:
        served.page.show(evening(section="bar 5"))
        assert served.client.first("seen")["section"] == "bar 5"
        first = served.page.pid
        os.kill(first, fault)
        until(lambda: served.said, limit_s=20.0, what="nobody said that it ended")

        def again() -> bool:
            try:
                return served.page.pid != first and served.client.first("seen")["section"] == "bar 5"
            except (OSError, AssertionError):
                return False

        until(again, limit_s=20.0, what="it does not come back")
    finally:
        served.page.close()


def test_leaving_says_goodbye_to_streams_and_waits_for_none_of_them() -> None:
    """uvicorn alone waits for its open streams: they are told to end before it stops."""
    served = Served()
    events = served.client.events()
    assert next(events)[0] == "stand"
    served.page.close()
    assert list(events)[-1][0] == "bye"


def test_a_loss_is_seen_within_two_seconds_by_the_figures_of_both_sides() -> None:
    link = (Path(process.__file__).parent / "web" / "link.js").read_text()
    lost_ms, look_ms = (int(re.search(rf"const {name} = (\d+)", link)[1]) for name in ("LOST_MS", "LOOK_MS"))  # type: ignore[index]
    assert lost_ms + look_ms <= 2000  # the line is silent
    assert STALE_S + BEAT_S < 2.0  # the desk is: told with the next beat
    assert lost_ms / 1000 > 2 * BEAT_S  # one beat may be late


def test_a_port_that_is_taken_is_told_in_one_line() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        page = Page(stand(), print, port=taken.getsockname()[1])
        with pytest.raises(PortProblem, match=r"port \d+ cannot be used for the page"):
            page.start()
