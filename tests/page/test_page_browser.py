"""The page in a real browser, Debian's Chromium: every view in both lights at three sizes, touch, keys, faults.

Contrast and roles are judged by axe-core, an independent library; sizes and what is readable at two metres by figures
of the World Wide Web Consortium (WCAG 2.2) and of the issue of the page: the largest line is a tenth of the height.
"""

from __future__ import annotations

import os
import signal
import threading
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from support import corpus
from support.live import until
from support.page import ALL_ACTIONS, SONG_ACTIONS, chromium, evening, song, sour, stand

from bridge.live.desk.tuner import Shown, TunerSeen
from bridge.live.snapshot import Message, Snapshot
from bridge.page.actions import actions_of
from bridge.page.frames import Asked
from bridge.page.host import Page
from bridge.page.seen import Shower
from bridge.tuning.strings.aims import string_aims

pytestmark = [pytest.mark.browser, pytest.mark.more]

SIZES = [(320, 568), (768, 1024), (1280, 800)]
VIEWS = ("stage", "lesson", "table", "chords", "frets", "strings", "sheet")
PICTURES = os.environ.get("STILLBEAT_PICTURES")
"""A folder for photographs, to be looked at."""


class Show:
    """A page that is shown something again and again, as a desk does, and what was asked of it."""

    def __init__(self, **changed: Any) -> None:
        self.asked: list[tuple[str, float]] = []
        self.seen: Snapshot = evening()
        self.page = Page(stand(**changed), lambda one: self.take(one), port=0)
        self.page.start()
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._feed, daemon=True)
        self._thread.start()

    def take(self, one: Asked) -> None:
        self.asked.append((one.action, one.number))

    def _feed(self) -> None:
        while not self._over.wait(0.3):
            self.page.show(self.seen)

    def pause(self) -> None:
        """Show nothing any more, as a desk that hangs."""
        self._over.set()
        self._thread.join()

    def close(self) -> None:
        self.pause()
        self.page.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    with chromium() as one:
        yield one


@pytest.fixture
def show() -> Iterator[Show]:
    one = Show()
    yield one
    one.close()


class Tab:
    """A tab that has found the program; what its console said is kept."""

    def __init__(self, browser: Any, show: Show, view: str = "stage", **options: Any) -> None:
        said = {"viewport": {"width": 1280, "height": 800}, "color_scheme": "dark", **options}
        self.context = browser.new_context(**said)
        self.page = self.context.new_page()
        self.problems: list[str] = []
        self.page.on("console", lambda one: self.problems.append(one.text) if one.type == "error" else None)
        self.page.on("pageerror", lambda one: self.problems.append(str(one)))
        self.page.goto(f"{show.page.addresses.act}#/{view}")
        self.page.wait_for_selector("body[data-link=live]")
        self.page.wait_for_selector(
            "#stage:not([hidden]) #st-tonic:has-text('D'), .view:not([hidden]):not(#stage)"
        )

    def text(self, id: str) -> str:
        return str(self.page.inner_text(f"#{id}"))

    def close(self) -> None:
        self.context.close()


@pytest.fixture
def tab(browser: Any, show: Show) -> Iterator[Tab]:
    one = Tab(browser, show)
    yield one
    one.close()


# ---- what is seen


@pytest.mark.parametrize("light", ["dark", "light"])
@pytest.mark.parametrize(("width", "height"), SIZES)
def test_every_view_fits_and_nothing_is_refused(
    browser: Any, show: Show, light: str, width: int, height: int
) -> None:
    show.seen = sour()
    tab = Tab(browser, show, viewport={"width": width, "height": height}, color_scheme=light)
    try:
        for view in VIEWS:
            tab.page.goto(f"{show.page.addresses.act}#/{view}")
            shown = view if view in ("stage", "lesson") else "study"
            tab.page.wait_for_selector(f"#{shown}:not([hidden])")
            if shown == "study":
                tab.page.wait_for_selector("#sy-body > *")
            tab.page.wait_for_timeout(150)  # pictures are drawn
            wide = tab.page.evaluate("document.documentElement.scrollWidth")
            assert wide <= width, f"{view} is {wide} wide"
            if PICTURES:
                tab.page.screenshot(
                    path=Path(PICTURES) / f"{view}-{width}-{light}.png", full_page=view != "stage"
                )
        assert not tab.problems  # among them: whatever the content policy refused
    finally:
        tab.close()


@pytest.mark.parametrize(("width", "height"), [*SIZES, (844, 390)])
def test_the_stage_is_read_from_afar(browser: Any, show: Show, width: int, height: int) -> None:
    tab = Tab(browser, show, viewport={"width": width, "height": height})
    try:
        sizes = tab.page.evaluate(
            """() => Object.fromEntries(
              ["st-tonic", "st-piece", "st-next-words", "st-when", "st-chord", "tuning", "health-words"].map((id) =>
                [id, parseFloat(getComputedStyle(document.getElementById(id)).fontSize)]))"""
        )
        assert sizes["st-tonic"] >= height / 10
        assert max(sizes.values()) == sizes["st-tonic"]
        assert sizes["st-chord"] < sizes["st-next-words"]  # it flickers
        # Nothing scrolls, nothing lies beyond the screen, and the two touches are at opposite edges below.
        assert tab.page.evaluate("document.documentElement.scrollHeight") <= height
        left, right = (tab.page.locator(f"#{name}").bounding_box() for name in ("silence", "next"))
        assert left["x"] < width / 4
        assert right["x"] + right["width"] > width * 0.9
        for box in (left, right):
            # Touched without looking: twice the 44 pixels that WCAG 2.5.5 asks for in width.
            assert box["width"] >= 88
            assert box["height"] >= 44
            assert box["y"] + box["height"] <= height
            assert box["y"] > height * 0.6
    finally:
        tab.close()


def test_nothing_on_the_stage_moves_whatever_is_shown(show: Show, tab: Tab) -> None:
    places = """() => [...document.querySelectorAll("#bar, #stage > *, #st-feet > *, #st-facts > *")].map((one) => {
      const box = one.getBoundingClientRect(); return [one.id, box.x, box.y, box.width, box.height].join(" ") })"""
    first = tab.page.evaluate(places)
    long = "A title that is far longer than any title ought to be, and goes on"
    others = [
        evening(link="synth gone", messages=()),
        evening(piece=long, section=long, next=long, table=long, tuning=long, chord=long),
        evening(sounding=(), drone=evening().drone.__class__(), chord="", next="", last=True, bar=None),
        evening(messages=tuple(Message(n, time.time(), "alarm", long) for n in range(1, 9))),
        sour(trim_cents=0.0),
    ]
    for number, other in enumerate(others):
        show.seen = type(other)(**{**vars(other), "tonic": "F#" if number % 2 else "G"})
        tab.page.wait_for_selector(f"#st-tonic:text-is('{show.seen.tonic}')")
        assert tab.page.evaluate(places) == first, number


def test_no_decimals_of_a_cent_stand_on_the_stage(show: Show, tab: Tab) -> None:
    show.seen = evening(chord="Em7  E lowered 21.5 cents")
    tab.page.wait_for_selector("#st-chord:has-text('E lowered 21½ cents')")
    assert tab.text("st-trim") == "−1½ cents"
    text = tab.page.inner_text("#stage") + tab.page.inner_text("#bar")
    assert "." not in text.replace("146.50 Hz", "")
    for secret in (show.page.addresses.act, "channel"):
        assert secret not in text


def test_script_in_titles_is_text(show: Show, tab: Tab) -> None:
    title = "<img src=x onerror='document.title=1'><script>document.title=1</script>"
    show.seen = evening(piece=title, section=title, chord=title)
    tab.page.wait_for_selector("#st-piece:has-text('<img')")
    assert tab.page.title() == "Stage – Stillbeat"
    assert tab.page.locator("#stage img").count() == 0


def test_an_alarm_says_what_is_wrong(show: Show, tab: Tab) -> None:
    show.seen = evening(link="synth gone")
    tab.page.wait_for_selector("#health[data-state=bad]")
    assert "synth is gone" in tab.text("health-words")


def test_the_lesson_says_what_beats_and_lights_keys_and_neck(browser: Any, show: Show) -> None:
    show.seen = sour()
    tab = Tab(browser, show, "lesson")
    try:
        tab.page.wait_for_selector("#equal[aria-pressed=true]")
        assert "5.80 beats a second" in tab.text("le-beats")
        # An equal third above D3 = 146.5 Hz: 5 · 146.5 against 4 · 184.58: 5.8 beats.
        assert "F#3" in tab.text("le-clashes")
        assert "+13.7 cents" in tab.text("le-sounding")
        keyboard = tab.page.get_attribute("#le-keyboard svg", "aria-label")
        assert keyboard is not None
        assert "F#3" in keyboard
        lit = tab.page.locator("#le-neck circle").count()
        assert lit >= 4
        assert tab.page.locator("#le-keyboard .key.sour").count() == 1  # the third, 13.7 cents off
        assert tab.page.locator("#le-keyboard text").filter(has_text="!").count() == 1  # not by colour alone
    finally:
        tab.close()


def test_the_tuner_shows_the_string_and_which_way_to_turn(browser: Any) -> None:
    aims = string_aims(stand().spec)  # type: ignore[arg-type]
    show = Show(command="tune", actions=(), aims=tuple(aims.values()), reference_string=4)
    show.pause()
    tab = Tab(browser, show, "tuner")
    try:
        aim = aims[3]
        hz = aim.hz * 2 ** (-8.4 / 1200)
        heard = Shown(aim, hz, aim.cents(hz), aim.beats_hz(hz), aim.turn(hz), True, False)
        show.page.show(TunerSeen(heard, {3: aim.cents(hz)}, ("listening",)))
        tab.page.wait_for_selector("#tuner[data-state=off]")
        assert tab.text("tu-name") == "F#3"
        assert tab.text("tu-cents") == "−8.4 cents"
        assert tab.text("tu-words") == "tighten"
        if PICTURES:
            tab.page.screenshot(path=Path(PICTURES) / "tuner-1280-dark.png")
        assert not tab.problems
    finally:
        tab.close()
        show.close()


def test_the_page_alone_reads_tables_and_asks_for_the_tuner(browser: Any) -> None:
    show = Show(command="page", actions=("tuner",), spec=None)
    show.pause()
    words: list[dict[str, str]] = []
    show.take = lambda one: words.append(one.words)  # type: ignore[method-assign]
    tab = Tab(browser, show, "table")
    try:
        tab.page.wait_for_selector("#sy-body table")
        tab.page.select_option("#sy-guitar", "open-g")
        tab.page.wait_for_selector("#sy-body .lead:has-text('open-g')")
        tab.page.select_option("#sy-fret", "2")
        tab.page.wait_for_selector("#sy-body th:has-text('A3')")  # G3 and two frets
        tab.page.fill("#sy-reference", "nonsense")
        tab.page.keyboard.press("Tab")
        tab.page.wait_for_selector("#sy-problem:has-text('nonsense')")
        tab.page.fill("#sy-reference", "G3=195.1")
        tab.page.click("#views a:has-text('Tuner')")
        tab.page.click("#tu-ask button >> nth=0")
        until(lambda: words, what="nobody asked for the tuner")
        assert words[0] == {"guitar": "open-g", "fret": "2", "reference": "G3=195.1"}
        # A refused word is told with the status 400, which the console notes; nothing else is.
        assert all("400" in one for one in tab.problems)
    finally:
        tab.close()
        show.close()


# ---- what is asked


def touches(show: Show, action: str, number: float = 0.0) -> None:
    until(lambda: (action, number) in show.asked, what=f"{action} never came: {show.asked}")
    show.asked.clear()


def test_every_action_by_touch(browser: Any, show: Show) -> None:
    tab = Tab(browser, show, has_touch=True)
    try:
        tab.page.tap("#next")
        touches(show, "next")
        tab.page.tap("#more")
        for button in tab.page.locator("#asks button").all():
            button.tap()
        for action in set(ALL_ACTIONS) - {"silence", "chord", "piece", "table", "mute"}:
            until(lambda action=action: (action, 0) in show.asked, what=f"{action}: {show.asked}")  # type: ignore[misc]
        show.asked.clear()
        tab.page.locator("#choices button").nth(2).tap()
        touches(show, "piece", 3)
        tab.page.goto(f"{show.page.addresses.act}#/lesson")
        tab.page.tap("#equal")
        touches(show, "equal")
        tab.page.locator(".chord").first.tap()
        touches(show, "chord", 0)
    finally:
        tab.close()


def test_every_action_by_key(show: Show, tab: Tab) -> None:
    keys = {
        "ArrowRight": "next", "PageDown": "next", "n": "next", "ArrowLeft": "previous", "PageUp": "previous",
        "p": "previous", "N": "next-piece", "P": "previous-piece", "d": "drone", "e": "equal", "+": "trim-up",
        "-": "trim-down", "0": "untrim", "l": "listen", "u": "undo", "x": "silence", ".": "drone-louder",
        ",": "drone-softer", "s": "pause", "b": "bar-back", "f": "follow", "c": "next-chord", "C": "previous-chord",
    }  # fmt: skip
    for key, action in keys.items():
        tab.page.wait_for_timeout(110)  # ten actions a second are let in
        tab.page.keyboard.press(key)
        touches(show, action)
    tab.page.keyboard.press("3")
    touches(show, "piece", 3)
    tab.page.keyboard.press("m")
    tab.page.keyboard.press("2")
    touches(show, "mute", 2)
    tab.page.keyboard.press("2")
    touches(show, "piece", 2)
    tab.page.keyboard.press("Tab")
    tab.page.locator("#next").focus()
    tab.page.keyboard.press("Enter")
    touches(show, "next")


def test_a_song_alone_waits_goes_back_and_is_muted_by_touch_and_key(browser: Any) -> None:
    show = Show(actions=SONG_ACTIONS, last_bar=32)
    show.seen = song()
    tab = Tab(browser, show, has_touch=True, viewport={"width": 768, "height": 1024})
    try:
        tab.page.wait_for_selector("#st-when:has-text('21 bars left')")
        assert tab.text("st-next-words") == "bar 12 of 32"
        assert tab.text("st-chord") == "Em7"
        assert tab.text("next-words") == "Pause"
        tab.page.tap("#next")
        touches(show, "pause")
        for key, action in {
            "ArrowRight": "pause",
            "n": "pause",
            "s": "pause",
            "ArrowLeft": "bar-back",
        }.items():
            tab.page.wait_for_timeout(110)
            tab.page.keyboard.press(key)
            touches(show, action)
        tab.page.keyboard.press("3")
        touches(show, "mute", 3)
        tab.page.tap("#more")
        tab.page.tap("#asks button:text-is('A bar back')")
        touches(show, "bar-back")
        pressed = [one.get_attribute("aria-pressed") for one in tab.page.locator("#parts button").all()]
        assert pressed == ["true", "false", "true"]
        tab.page.tap("#parts button:has-text('Bass')")
        touches(show, "mute", 2)
        show.seen = song(track=replace(song().track, paused=True))  # type: ignore[type-var]
        tab.page.wait_for_selector("#st-when:has-text('PAUSED')")
        assert tab.text("next-words") == "Go on"
        assert tab.page.locator("#asks button:text-is('Go on')").count() == 1
        show.seen = song(track=replace(song().track, count_in=3))  # type: ignore[type-var]
        tab.page.wait_for_selector("#st-when:has-text('counting in: 3')")
        assert tab.page.evaluate("document.documentElement.scrollHeight") <= 1024
        assert not tab.problems
    finally:
        tab.close()
        show.close()


def test_a_drone_is_made_louder_and_softer_off_and_on(browser: Any) -> None:
    show = Show(command="drone", actions=actions_of("drone"))
    tab = Tab(browser, show, has_touch=True)
    try:
        tab.page.tap("#more")
        for words, action in {
            "Drone": "drone",
            "Drone softer": "drone-softer",
            "Drone louder": "drone-louder",
        }.items():
            tab.page.tap(f"#asks button:text-is('{words}')")
            touches(show, action)
        for key, action in {".": "drone-louder", ",": "drone-softer", "d": "drone"}.items():
            tab.page.wait_for_timeout(110)
            tab.page.keyboard.press(key)
            touches(show, action)
    finally:
        tab.close()
        show.close()


def test_silence_is_held_for_half_a_second_and_a_second_touch_cuts(show: Show, tab: Tab) -> None:
    box = tab.page.locator("#silence").bounding_box()
    tab.page.mouse.move(box["x"] + 30, box["y"] + 30)
    tab.page.mouse.down()
    tab.page.wait_for_timeout(150)
    tab.page.mouse.up()
    tab.page.wait_for_timeout(600)
    assert show.asked == []  # it was let go too soon
    tab.page.mouse.down()
    touches(show, "silence")
    tab.page.mouse.up()
    tab.page.mouse.down()  # no holding now
    until(lambda: show.asked == [("silence", 0)], limit_s=0.5)
    tab.page.mouse.up()
    show.asked.clear()
    tab.page.wait_for_selector("#silence[data-state=rest]")
    tab.page.locator("#silence").focus()
    tab.page.keyboard.down("Enter")
    touches(show, "silence")
    tab.page.keyboard.up("Enter")


def test_who_may_only_look_has_nothing_to_touch(browser: Any) -> None:
    page = Page(stand(), lambda one: None, lan=True)
    page.start()
    context = browser.new_context()
    try:
        page.show(evening())
        tab = context.new_page()
        tab.goto(f"http://127.0.0.1:{page.addresses.look.split(':')[2]}")
        tab.wait_for_selector("#st-tonic:has-text('D')")
        assert not tab.locator("#next").is_visible()
        assert not tab.locator("#silence").is_visible()
        tab.click("#more")
        assert tab.locator("#asks button").count() == 0
    finally:
        context.close()
        page.close()


# ---- faults


def test_it_greys_out_when_the_server_hangs_and_comes_back(show: Show, tab: Tab) -> None:
    pid = show.page.pid
    os.kill(pid, signal.SIGSTOP)
    try:
        tab.page.wait_for_selector("body[data-link=lost]", timeout=5000)
        assert tab.page.locator("#next").is_disabled()
    finally:
        os.kill(pid, signal.SIGCONT)
    tab.page.wait_for_selector("body[data-link=live]", timeout=20000)
    os.kill(pid, signal.SIGKILL)  # another one takes its place
    until(lambda: show.page.pid != pid)
    tab.page.wait_for_timeout(2500)
    tab.page.wait_for_selector("body[data-link=live]", timeout=20000)
    tab.page.click("#next")
    touches(show, "next")


def test_a_desk_that_hangs_is_seen_and_what_is_touched_then_is_never_done(show: Show, tab: Tab) -> None:
    show.pause()
    tab.page.wait_for_selector("body[data-link=lost]", timeout=5000)
    tab.page.keyboard.press("n")
    show.page.show(evening())
    tab.page.wait_for_selector("body[data-link=live]", timeout=5000)
    tab.page.wait_for_timeout(300)
    assert show.asked == []


def test_two_tabs_show_the_same(browser: Any, show: Show, tab: Tab) -> None:
    other = Tab(browser, show, "lesson")
    try:
        show.seen = sour(tonic="G")
        tab.page.wait_for_selector("#st-tonic:text-is('G')")
        other.page.wait_for_selector("#equal[aria-pressed=true]")
        other.page.click("#pure")
        touches(show, "equal")
    finally:
        other.close()


def test_an_hour_in_fast_time_leaves_memory_as_it_was(browser: Any, show: Show) -> None:
    """Ten snapshots a second for an hour are 36,000; the page is handed them as fast as it takes them."""
    tab = Tab(browser, show, "lesson")
    try:
        driver = tab.context.new_cdp_session(tab.page)
        driver.send("HeapProfiler.enable")
        driver.send("Performance.enable")

        def used() -> tuple[float, float]:
            driver.send("HeapProfiler.collectGarbage")
            found = {one["name"]: one["value"] for one in driver.send("Performance.getMetrics")["metrics"]}
            return found["JSHeapUsedSize"], found["Nodes"]

        feed = """async ([count, seen]) => {
          const { give } = await import("./link.js");
          for (let n = 0; n < count; n += 1) {
            const sounding = seen.lesson.sounding.map((one) => ({ ...one, cents: (n % 97) / 10 }));
            give("seen", { ...seen, section: `bar ${n}`, beats: `${n} beats`, lesson: { ...seen.lesson, sounding } });
            if (n % 200 === 0) await new Promise((go) => setTimeout(go));
          }
        }"""
        seen = Shower(stand()).shown(sour())
        tab.page.evaluate(feed, [2000, seen])
        before = used()
        tab.page.evaluate(feed, [36000, seen])
        after = used()
        assert after[0] < before[0] + 2_000_000, (before, after)
        assert after[1] < before[1] + 500, (before, after)
    finally:
        tab.close()


# ---- for everybody


def judged(tab: Tab, view: str, strict: bool) -> None:
    """Let axe-core look at what a tab shows; `strict` asks for the contrast of what is read while playing (AAA)."""
    tab.page.evaluate(corpus.axe_core().read_text(encoding="utf-8"))
    rules = {"color-contrast-enhanced": {"enabled": True}} if strict else {}
    found = tab.page.evaluate("(rules) => axe.run(document, { rules })", rules)
    told = [
        (one["id"], node["target"], node["failureSummary"])
        for one in found["violations"]
        for node in one["nodes"]
    ]
    assert not told, f"{view}: {told}"


@pytest.mark.fetched
@pytest.mark.parametrize("light", ["dark", "light"])
def test_an_independent_judge_of_accessibility_finds_nothing(browser: Any, light: str) -> None:
    show = Show()
    show.seen = sour()
    tab = Tab(
        browser, show, color_scheme=light, bypass_csp=True
    )  # for the judge alone, which is put into the page
    try:
        for view in VIEWS:
            tab.page.goto(f"{show.page.addresses.act}#/{view}")
            if view not in ("stage", "lesson"):
                tab.page.wait_for_selector("#sy-body > *")
            tab.page.wait_for_timeout(200)
            if view == "stage":
                tab.page.click("#more")
            judged(tab, view, strict=view in ("stage", "lesson"))
    finally:
        tab.close()
        show.close()


@pytest.mark.fetched
@pytest.mark.parametrize("light", ["dark", "light"])
def test_the_same_judge_finds_nothing_in_the_tuner_nor_beside_a_song(browser: Any, light: str) -> None:
    aims = string_aims(stand().spec)  # type: ignore[arg-type]
    aim = aims[3]
    for command, hz in (("tune", aim.hz * 2 ** (-8.4 / 1200)), ("tune", aim.hz), ("page", None)):
        spec = stand().spec if command == "tune" else None
        actions = () if command == "tune" else ("tuner",)
        show = Show(
            command=command,
            actions=actions,
            spec=spec,
            aims=tuple(aims.values()) if hz else (),
            reference_string=4,
        )
        show.pause()
        tab = Tab(browser, show, "tuner", color_scheme=light, bypass_csp=True)
        try:
            if hz is not None:
                heard = Shown(aim, hz, aim.cents(hz), aim.beats_hz(hz), aim.turn(hz), True, False)
                show.page.show(TunerSeen(heard, {3: aim.cents(hz), 4: 0.4}, ("listening",)))
                tab.page.wait_for_selector("#tuner[data-state]")
            else:
                tab.page.wait_for_selector("#tu-form select")
            judged(tab, f"tuner of {command}", strict=command == "tune")
        finally:
            tab.close()
            show.close()
    show = Show(actions=SONG_ACTIONS, last_bar=32)
    show.seen = song(track=replace(song().track, paused=True))  # type: ignore[type-var]
    tab = Tab(browser, show, color_scheme=light, bypass_csp=True)
    try:
        tab.page.click("#more")
        tab.page.wait_for_selector("#parts button")
        judged(tab, "stage of a song", strict=True)
    finally:
        tab.close()
        show.close()
