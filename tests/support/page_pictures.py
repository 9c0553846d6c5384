"""The pictures of the page in README: made by this script, with a digest of all that they are made of beside them.

Run: ``PYTHONPATH=tests python -m support.page_pictures``. Needs Chromium and playwright. A test compares the digest,
not the pictures: they change where a letter of the page, its style or what it shows has changed.

Index: `PICTURES`, `digest`.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path

from bridge.live.snapshot import Snapshot
from bridge.page.app import own_files
from bridge.page.frames import Stand
from bridge.page.seen import Shower, stand_shown
from support.page import evening, sour, stand

ROOT = Path(__file__).resolve().parents[2]
FOLDER = ROOT / "examples" / "pictures"
DIGEST = FOLDER / "page.sha256"
SIZE = (1024, 640)
AT_S = 1_000_000.0


def _shown(view: str) -> Snapshot:
    said = {"tuning": "Open D"}  # no capo: the table is in D
    # In bar 12 what comes next in bar 17 is five bars away.
    seen = evening(trim_cents=0.0, bars_left=5, **said) if view == "stage" else sour(section="", **said)
    messages = tuple(message._replace(at_s=AT_S) for message in seen.messages)
    return replace(seen, at_s=AT_S, messages=messages)


PICTURES = {view: _shown(view) for view in ("stage", "lesson")}
"""What each picture shows."""


def _stand() -> Stand:
    return stand()


def digest() -> str:
    """Return a digest of the text, the template and the style of the pictures."""
    found = hashlib.sha256()
    for name, (data, _) in sorted(own_files().items()):
        found.update(name.encode() + b"\0" + data + b"\0")
    shower = Shower(_stand())
    shown = {view: [shower.shown(seen), shower.chords(seen)] for view, seen in PICTURES.items()}
    found.update(json.dumps([SIZE, stand_shown(_stand()), shown], sort_keys=True).encode())
    return found.hexdigest()


def make() -> None:
    """Make the pictures, and write their digest."""
    from playwright.sync_api import sync_playwright

    from bridge.page.host import Page
    from support import needs

    FOLDER.mkdir(exist_ok=True)
    path = needs.program("chromium", "chromium-browser", "google-chrome")
    with sync_playwright() as driver, Page(_stand(), lambda asked: None) as page:
        browser = driver.chromium.launch(executable_path=path, args=["--no-sandbox", "--disable-gpu"])
        for view, seen in PICTURES.items():
            width, height = SIZE
            tab = browser.new_page(viewport={"width": width, "height": height}, color_scheme="dark")
            tab.goto(f"{page.addresses.act}#/{view}")
            page.show(seen)
            tab.wait_for_selector(f"#{view}:not([hidden])")
            tab.wait_for_selector(f"#{'st-tonic' if view == 'stage' else 'le-keyboard svg'}")
            page.show(seen)
            tab.wait_for_selector("body[data-link=live]")
            tab.screenshot(path=FOLDER / f"page-{view}.png")
            tab.close()
        browser.close()
    DIGEST.write_text(digest() + "\n", encoding="ascii")


if __name__ == "__main__":
    make()
