"""Practising on the page: over the wire, and in a real browser by touch and by key."""

from __future__ import annotations

import os
import queue
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
import pytest
from support import corpus
from support.live import until
from support.page import HOME, Client, chromium

from bridge.jobs.choose import choose_table
from bridge.live.practise.keys import read_line
from bridge.live.practise.seen import PractiseSeen
from bridge.page.actions import PRACTISE, actions_of, practise_command
from bridge.page.frames import ShowPractise, ToPage
from bridge.page.practising import PractisePage

PICTURES = os.environ.get("STILLBEAT_PICTURES")
ASKS = PractiseSeen(
    title="which does not beat?",
    about="fifth D3-A3, steady, 2 s",
    place="trial 12 of 50",
    ask="which does not beat: the first (1) or the second (2)",
    said=("10. right", "11. no: it was the second"),
    what="still",
    waits=("first", "second", "skip", "pause"),
)


@pytest.fixture
def page() -> Iterator[tuple[PractisePage, queue.SimpleQueue[str]]]:
    touched: queue.SimpleQueue[str] = queue.SimpleQueue()
    with PractisePage(choose_table(HOME)) as one:
        one.touched = touched.put
        yield one, touched


def test_what_may_be_asked_is_what_may_be_typed() -> None:
    assert actions_of("practise") == PRACTISE
    for name in PRACTISE:
        command = practise_command(name, 1.0)
        assert command is not None
        assert read_line("+1.0" if name == "move" else name) == command
    assert practise_command("move", 21.0) is None
    assert practise_command("quit", 0) is None
    assert practise_command("silence", 0) is None


def test_what_is_seen_goes_over_the_pipe_as_it_is() -> None:
    data = msgspec.json.encode(ShowPractise(ASKS))
    assert msgspec.json.decode(data, type=ToPage) == ShowPractise(ASKS)


def test_it_is_shown_and_answered_over_the_wire(page: tuple[PractisePage, queue.SimpleQueue[str]]) -> None:
    one, touched = page
    client = Client(one.addresses.act)
    one.show(ASKS)
    seen = client.first("practise")
    assert seen["waits"] == ["first", "second", "skip", "pause"]
    assert seen["said"] == ["10. right", "11. no: it was the second"]
    assert client.act("second").status == 200
    assert touched.get(timeout=5) == "second"
    assert client.act("move", number=-0.2).status == 200
    assert touched.get(timeout=5) == "move -0.2"
    assert client.act("chord").status == 400  # not of this command
    assert client.act("quit").status == 400  # of none
    assert client.act("move", number=500.0).status == 200
    assert client.act("done").status == 200
    assert touched.get(timeout=5) == "done"  # and not the move


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as one:
        yield one


def opened(browser: Any, one: PractisePage, **options: Any) -> tuple[Any, list[str]]:
    context = browser.new_context(**{"viewport": {"width": 1280, "height": 800}, **options})
    tab = context.new_page()
    problems: list[str] = []
    tab.on("console", lambda said: problems.append(said.text) if said.type == "error" else None)
    tab.on("pageerror", lambda said: problems.append(str(said)))
    tab.goto(one.addresses.act)
    tab.wait_for_selector("body[data-link=live]")
    tab.wait_for_selector("#practise:not([hidden]) #pr-answers button")
    return tab, problems


@pytest.mark.browser
@pytest.mark.more
@pytest.mark.parametrize(("width", "height"), [(320, 568), (768, 1024), (1280, 800)])
def test_it_is_answered_by_touch_and_fits(
    browser: Any, page: tuple[PractisePage, queue.SimpleQueue[str]], width: int, height: int
) -> None:
    one, touched = page
    one.show(ASKS)
    tab, problems = opened(browser, one, viewport={"width": width, "height": height}, has_touch=True)
    try:
        assert tab.inner_text("#pr-title") == "which does not beat?"
        tab.tap("#pr-answers button >> nth=1")
        assert touched.get(timeout=5) == "second"
        assert tab.evaluate("document.documentElement.scrollWidth") <= width
        for box in (tab.locator("#pr-answers button").nth(at).bounding_box() for at in (0, 1)):
            assert box["height"] >= 60
            assert box["y"] + box["height"] <= height  # no scrolling to answer
        if PICTURES:
            tab.screenshot(path=Path(PICTURES) / f"practise-{width}.png")
        sounds = PractiseSeen(**{**vars(ASKS), "large": "2", "ask": "", "waits": ()})
        one.show(sounds)
        tab.wait_for_selector("#pr-large:has-text('2')")
        assert all(button.is_disabled() for button in tab.locator("#pr-answers button").all())
        assert not problems
    finally:
        tab.context.close()


@pytest.mark.browser
@pytest.mark.more
def test_keys_answer_only_what_is_asked(
    browser: Any, page: tuple[PractisePage, queue.SimpleQueue[str]]
) -> None:
    one, touched = page
    one.show(ASKS)
    tab, problems = opened(browser, one)
    try:
        for key in ("w", "ArrowUp", "Enter", "ArrowLeft"):
            tab.keyboard.press(key)
        assert touched.get(timeout=5) == "first"
        assert touched.empty()
        tune = PractiseSeen(title="tune out the beats", what="tune", waits=("move", "done", "pause"))
        one.show(tune)
        tab.wait_for_selector("#pr-answers button:has-text('+0.2')")
        for key in ("ArrowUp", ",", "Enter"):
            tab.keyboard.press(key)
        until(lambda: touched.qsize() == 3, what="a key was lost")
        assert sorted(touched.get() for _ in range(3)) == ["done", "move -0.2", "move 1.0"]
        rests = PractiseSeen(**{**vars(tune), "what": "wide", "waits": ("done",)})
        one.show(rests)
        tab.wait_for_selector("#pr-answers button:has-text('Go on')")
        tab.click("#pr-answers button")
        assert touched.get(timeout=5) == "done"
        if PICTURES:
            one.show(tune)
            tab.wait_for_selector("#pr-answers button:has-text('+0.2')")
            tab.screenshot(path=Path(PICTURES) / "practise-tune.png")
        assert not problems
    finally:
        tab.context.close()


@pytest.mark.browser
@pytest.mark.more
@pytest.mark.fetched
@pytest.mark.parametrize("light", ["dark", "light"])
def test_an_independent_judge_of_accessibility_finds_nothing_here(
    browser: Any, page: tuple[PractisePage, queue.SimpleQueue[str]], light: str
) -> None:
    """axe-core, an independent library, with the enhanced contrast of WCAG 2.2 (1.4.6)."""
    one, _ = page
    one.show(PractiseSeen(**{**vars(ASKS), "large": "1"}))
    # For the judge alone, which is put into the page, its policy is not kept.
    tab, _ = opened(browser, one, color_scheme=light, bypass_csp=True)
    try:
        tab.evaluate(corpus.axe_core().read_text(encoding="utf-8"))
        rules = {"color-contrast-enhanced": {"enabled": True}}
        found = tab.evaluate("(rules) => axe.run(document, { rules })", rules)
        told = [(one["id"], node["target"]) for one in found["violations"] for node in one["nodes"]]
        assert not told
        if PICTURES:
            tab.screenshot(path=Path(PICTURES) / f"practise-{light}.png")
    finally:
        tab.context.close()


def test_a_server_that_ends_is_told_at_the_terminal(
    page: tuple[PractisePage, queue.SimpleQueue[str]],
) -> None:
    told: queue.SimpleQueue[str] = queue.SimpleQueue()
    one, _ = page
    one.said = told.put
    os.kill(one.pid, signal.SIGKILL)
    assert told.get(timeout=20) == "the page's server ended; starting it again"
