"""Writes the two backing tracks of this example, each of which changes key; everything in them was made up for it.

Run ``python examples/harmony/two_keys.py`` from anywhere; the files in ``tracks/`` come out the same every time (needs
mido). How a piece is written, and what plays it, is that of ``examples/evening/compose.py``.
"""

from __future__ import annotations

import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "evening"))

from compose import Tune, write  # noqa: E402

TUNES = (
    Tune(
        "over-the-weir", "Over the Weir", 76, 4,
        """
        D    F#4:2 A4:2
        Bm   B4:2 D5:2
        Em   G4:2 B4:2
        A    C#5:2 E5:2
        D    D5:2 A4:2
        G    B4:2 D5:2
        Em   E5:2 B4:2
        A    A4:4
        A    C#5:2 E5:2
        F#m  A4:2 C#5:2
        Bm   D5:2 F#5:2
        E    G#4:2 B4:2
        A    E5:2 C#5:2
        D    F#5:2 D5:2
        Bm   B4:2 D5:2
        E    E5:4
        A    C#5:2 A4:2
        D    D5:2 F#5:2
        Bm   F#5:2 D5:2
        G    B4:2 G4:2
        Em   G4:2 E5:2
        A    E5:2 C#5:2
        D    D5:4
        """,
        keys={1: "D", 9: "A", 17: "D"},
    ),
    Tune(
        "lee-shore", "Lee Shore", 88, 3,
        """
        G    B4:2 D5:1
        Em   G4:2 B4:1
        Am   C5:2 E5:1
        D    F#5:2 A4:1
        G    D5:2 B4:1
        C    E5:2 C5:1
        Am   A4:2 C5:1
        D    D5:3
        F    A4:2 C5:1
        Dm   F4:2 A4:1
        Gm   D5:2 G4:1
        C    E5:2 G4:1
        F    C5:2 A4:1
        Dm   D5:2 F4:1
        C    G4:2 E4:1
        D    F#4:3
        G    B4:2 G4:1
        Em   E5:2 B4:1
        Am   C5:2 A4:1
        D    D5:2 F#4:1
        G    G4:3
        """,
        keys={1: "G", 9: "F", 17: "G"}, voice=24,
    ),
)  # fmt: skip

if __name__ == "__main__":
    for one in TUNES:
        print(write(one, HERE / "tracks"))
