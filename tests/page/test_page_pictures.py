"""The pictures in README show the page as it is."""

from __future__ import annotations

from support import page_pictures


def test_the_pictures_were_made_of_what_the_page_is_now() -> None:
    wanted = page_pictures.DIGEST.read_text(encoding="ascii").strip()
    assert page_pictures.digest() == wanted, "run: PYTHONPATH=tests python -m support.page_pictures"


def test_readme_shows_them() -> None:
    readme = (page_pictures.ROOT / "README.md").read_text(encoding="utf-8")
    for view in page_pictures.PICTURES:
        picture = page_pictures.FOLDER / f"page-{view}.png"
        assert picture.read_bytes().startswith(b"\x89PNG")
        assert f"](examples/pictures/{picture.name})" in readme
