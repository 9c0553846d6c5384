"""The pictures of a table and of a sheet in README show what is printed now."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree

from support import paper_pictures


def test_the_pictures_were_made_of_what_is_printed_now() -> None:
    wanted = paper_pictures.DIGEST.read_text(encoding="ascii").strip()
    assert paper_pictures.digest() == wanted, "run: PYTHONPATH=tests python -m support.paper_pictures"


def test_readme_shows_them() -> None:
    readme = (paper_pictures.ROOT / "README.md").read_text(encoding="utf-8")
    for name in ("table.svg", "sheet.png"):
        assert f"](examples/pictures/{name})" in readme
    assert (paper_pictures.FOLDER / "sheet.png").read_bytes().startswith(b"\x89PNG")


def test_the_table_shows_the_pure_third() -> None:
    """B3 of open G is 5/4 of G3 = 195.1 Hz: 243.875 Hz."""
    root = ElementTree.fromstring((paper_pictures.FOLDER / "table.svg").read_text(encoding="utf-8"))
    rows = [text.text or "" for text in root.iter("{http://www.w3.org/2000/svg}text")]
    assert rows[0] == "$ stillbeat table --guitar open-g --reference G3=195.1"
    assert any("5/4" in row and "243.875" in row for row in rows)
