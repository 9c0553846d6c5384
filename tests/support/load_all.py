"""Load every shipped description of an installed wheel: ``python load_all.py CHECKOUT/tables``.

It is run outside the checkout, by a Python that has only the wheel. It fails if the package does not come from that
Python's own site-packages, if the wheel holds other files than the folder given, or if any of them does not load.
"""

from __future__ import annotations

import sys
import sysconfig
from collections.abc import Callable, Iterator
from pathlib import Path

import bridge
from bridge.store.descriptions import load_guitar, load_scale, load_table
from bridge.store.finding import list_guitars, list_scales, list_tables, tables_dir
from bridge.store.profiles import list_profiles, load_profile

KINDS: dict[str, tuple[Callable[[], list[str]], Callable[[str], object]]] = {
    "scales": (list_scales, load_scale),
    "guitars": (list_guitars, load_guitar),
    "synths": (list_profiles, load_profile),
    "tables": (list_tables, load_table),
}


def loaded() -> Iterator[tuple[str, int]]:
    """Load everything; yield each kind with how many there are."""
    for kind, (names, load) in KINDS.items():
        found = names()
        for name in found:
            load(name)
        yield kind, len(found)


def main(expected: Path) -> str:
    """Check and load; return one line about it, or raise SystemExit with what is wrong."""
    home = Path(bridge.__file__).resolve()
    site = Path(sysconfig.get_paths()["purelib"]).resolve()
    if site not in home.parents:
        raise SystemExit(f"bridge was imported from {home}, not from {site}")
    shipped = {path.relative_to(tables_dir()) for path in tables_dir().rglob("*") if path.is_file()}
    wanted = {path.relative_to(expected) for path in expected.rglob("*") if path.is_file()}
    if shipped != wanted:
        raise SystemExit(f"the wheel's tables differ: {sorted(map(str, shipped ^ wanted))}")
    web = Path("bridge") / "page" / "web"
    pages = {path.name for path in (home.parent / "page" / "web").iterdir() if path.is_file()}
    missing = {path.name for path in (expected.parent / web).iterdir()} - pages
    if missing:
        raise SystemExit(f"the wheel lacks files of the page: {sorted(missing)}")
    counts = dict(loaded())
    for kind, count in counts.items():
        files = len(list((expected / kind).glob("*.toml")))
        if count != files:
            raise SystemExit(f"{kind}: {files} files, {count} loaded")
    return ", ".join(f"{count} {kind}" for kind, count in counts.items())


if __name__ == "__main__":
    print("loaded from the wheel:", main(Path(sys.argv[1]).resolve()))
