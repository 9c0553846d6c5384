"""The page beside a singer in a real browser, Debian's Chromium: sizes, both lights, touches, keys, the picture.

Contrast and roles are judged by axe-core, an independent library; targets by the Web Content Accessibility Guidelines
2.2 (2.5.5: 44 pixels).
"""

from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support import corpus
from support.live import until
from support.page import chromium
from support.page_singing import sing_stand, sung

from bridge.live.desk.singer import SingerSeen
from bridge.live.desk.typed import Command
from bridge.page.frames import ShowSinger
from bridge.page.singing import page_of_singer

pytestmark = [pytest.mark.browser, pytest.mark.more]

SIZES = [(320, 568), (1280, 800)]
LIGHTS = ("dark", "light")
FITS = "((id) => { const one = document.getElementById(id); return one.scrollWidth <= one.clientWidth + 1 })"
PICTURES = os.environ.get("STILLBEAT_PICTURES")
"""A folder for photographs, to be looked at."""


class Singer:
    """A page that is shown a singer again and again, as the desk does, and what was asked of it."""

    def __init__(self, shown: ShowSinger) -> None:
        self.shown = shown
        self.asked: list[Command] = []
        self._serving = page_of_singer(sing_stand(), self.asked.append)
        self.watcher, self.page = self._serving.__enter__()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._feed, daemon=True)
        self._thread.start()

    def _feed(self) -> None:
        while not self._over.wait(0.1):
            self.watcher.show(self.shown.seen, self.shown.line)

    def close(self) -> None:
        self._over.set()
        self._thread.join()
        self._serving.__exit__(None, None, None)


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as one:
        yield one


@pytest.fixture
def singer() -> Iterator[Singer]:
    one = Singer(sung())
    yield one
    one.close()


def opened(browser: Any, singer: Singer, **options: Any) -> tuple[Any, list[str]]:
    tab = browser.new_context(**{"viewport": {"width": 1280, "height": 800}, **options}).new_page()
    problems: list[str] = []
    tab.on("console", lambda one: problems.append(one.text) if one.type == "error" else None)
    tab.on("pageerror", lambda one: problems.append(str(one)))
    tab.goto(singer.page.addresses.act)
    tab.wait_for_selector("body[data-link=live]")
    tab.wait_for_selector("#sing:not([hidden]) #si-line svg")
    return tab, problems


@pytest.mark.parametrize("light", LIGHTS)
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_all_of_it_fits_and_is_large(
    browser: Any, singer: Singer, light: str, width: int, height: int
) -> None:
    tab, problems = opened(browser, singer, viewport={"width": width, "height": height}, color_scheme=light)
    try:
        for name, shown in (
            ("off", sung()),
            ("in", sung(-1.0, 0.0)),
            ("silent", ShowSinger(SingerSeen(said=("listening to voice",)))),
            ("long", sung(-56.0, 100.0, drone=("D3", "E3", "F#3", "G3", "A3", "B3", "C#4", "D4", "E4"))),
        ):
            singer.shown = shown
            wanted = (
                "sing a note, and hold it"
                if shown.seen.now is None
                else f"{abs(round(shown.seen.now.cents))} cents"
            )
            tab.wait_for_selector(f"#si-now:has-text('{wanted}')")
            assert tab.evaluate("document.documentElement.scrollWidth") <= width, name
            if PICTURES:
                tab.screenshot(path=Path(PICTURES) / f"sing-{name}-{width}-{light}.png", full_page=True)
            if shown.seen.now is not None:
                size = tab.evaluate(
                    "parseFloat(getComputedStyle(document.getElementById('si-degree')).fontSize)"
                )
                assert size >= height / 10
                # The first screen holds the note, and the line at least begins in it.
                box = tab.locator("#si-line").bounding_box()
                assert box["y"] + 100 <= height, name
                for part in ("si-degree", "si-cents", "si-way", "si-steady"):
                    box = tab.locator(f"#{part}").bounding_box()
                    assert box["x"] >= 0, (name, part)
                    assert box["x"] + box["width"] <= width, (name, part)
                    inside = tab.evaluate(f"{FITS}({part!r})")
                    assert inside, (name, part)
        for button in tab.locator("#si-drone button").all():
            box = button.bounding_box()
            assert box["width"] >= 44
            assert box["height"] >= 44
        assert not problems  # among them: whatever the content policy refused
    finally:
        tab.context.close()


def test_the_line_is_drawn_where_it_was_sung(browser: Any, singer: Singer) -> None:
    singer.shown = sung(10.0, 0.0)
    tab, _ = opened(browser, singer)
    try:
        tab.wait_for_selector("#si-line .centre", state="attached")
        places = tab.evaluate(
            """() => ({
              pure: Object.fromEntries([...document.querySelectorAll("#si-line .named")].map((one) =>
                [one.textContent, parseFloat(one.getAttribute("y"))])),
              lines: [...document.querySelectorAll("#si-line .pure")].map((one) => parseFloat(one.getAttribute("y1"))),
              centre: parseFloat(document.querySelector("#si-line .centre").getAttribute("y1")),
              sung: document.querySelectorAll("#si-line .sung").length,
              end: document.querySelectorAll("#si-line .sung")[1].getAttribute("d").split(" ").pop(),
            })"""
        )
        assert places["sung"] == 2
        cent = (places["pure"]["1 D3"] - places["pure"]["3 F#3"]) / 386.3  # pixels, by 5/4
        third = min(places["lines"], key=lambda y: abs(y - places["centre"]))
        assert (third - places["centre"]) / cent == pytest.approx(10.0, abs=1.0)
        assert float(places["end"]) == pytest.approx(places["centre"], abs=0.2)
        label = tab.get_attribute("#si-line svg", "aria-label")
        assert "3 F#3" in label
    finally:
        tab.context.close()


def test_degrees_by_touch_and_by_key(browser: Any, singer: Singer) -> None:
    tab, problems = opened(browser, singer, has_touch=True)
    try:
        tab.wait_for_selector("#si-degrees button[aria-pressed=true]")
        pressed = [one.get_attribute("aria-pressed") for one in tab.locator("#si-degrees button").all()]
        assert pressed == ["true", "false", "false", "false", "true", "false", "false", "false", "false"]
        tab.tap("#si-degrees button:has-text('F#3')")
        until(lambda: singer.asked == ["degree 3"], what=str(singer.asked))
        tab.tap("#si-all")
        until(lambda: singer.asked == ["degree 3", "drone"], what=str(singer.asked))
        for key in ("5", "d"):
            tab.wait_for_timeout(110)  # ten actions a second are let in
            tab.keyboard.press(key)
        until(lambda: singer.asked[2:] == ["degree 5", "drone"], what=str(singer.asked))
        tab.locator("#si-degrees button").first.focus()
        tab.keyboard.press("Tab")
        tab.wait_for_timeout(110)
        tab.keyboard.press("Enter")
        until(lambda: singer.asked[4:] == ["degree 2"], what=str(singer.asked))
        assert tab.get_attribute("#si-told", "aria-live") == "polite"
        assert tab.inner_text("#si-told") == "degree 1: pure"
        assert not problems
    finally:
        tab.context.close()


@pytest.mark.fetched
@pytest.mark.parametrize("light", LIGHTS)
def test_an_independent_judge_of_accessibility_finds_nothing(
    browser: Any, singer: Singer, light: str
) -> None:
    tab, _ = opened(browser, singer, color_scheme=light, bypass_csp=True)
    try:
        tab.evaluate(corpus.axe_core().read_text(encoding="utf-8"))
        for shown in (sung(), sung(0.0, 0.0), ShowSinger(SingerSeen())):
            singer.shown = shown
            tab.wait_for_timeout(400)
            found = tab.evaluate(
                "() => axe.run(document, { rules: { 'color-contrast-enhanced': { enabled: true } } })"
            )
            told = [
                (one["id"], node["target"], node["failureSummary"])
                for one in found["violations"]
                for node in one["nodes"]
            ]
            assert not told
    finally:
        tab.context.close()
