"""Large letters for what must be read from two metres away: figures, names of notes, and the words of alarms."""

from __future__ import annotations

ROWS = 5
LOW_ROWS = 3
"""Lines that `low` takes."""
# Letters of five rows of dots.
_LETTERS = {
    "0": ("###", "# #", "# #", "# #", "###"),
    "1": (" # ", "## ", " # ", " # ", "###"),
    "2": ("###", "  #", "###", "#  ", "###"),
    "3": ("###", "  #", " ##", "  #", "###"),
    "4": ("# #", "# #", "###", "  #", "  #"),
    "5": ("###", "#  ", "###", "  #", "###"),
    "6": ("###", "#  ", "###", "# #", "###"),
    "7": ("###", "  #", " # ", " # ", " # "),
    "8": ("###", "# #", "###", "# #", "###"),
    "9": ("###", "# #", "###", "  #", "###"),
    "A": (" # ", "# #", "###", "# #", "# #"),
    "B": ("## ", "# #", "## ", "# #", "## "),
    "C": (" ##", "#  ", "#  ", "#  ", " ##"),
    "D": ("## ", "# #", "# #", "# #", "## "),
    "E": ("###", "#  ", "## ", "#  ", "###"),
    "F": ("###", "#  ", "## ", "#  ", "#  "),
    "G": (" ##", "#  ", "# #", "# #", " ##"),
    "H": ("# #", "# #", "###", "# #", "# #"),
    "I": ("#", "#", "#", "#", "#"),
    "K": ("# #", "# #", "## ", "# #", "# #"),
    "L": ("#  ", "#  ", "#  ", "#  ", "###"),
    "N": ("#  #", "## #", "# ##", "#  #", "#  #"),
    "O": (" # ", "# #", "# #", "# #", " # "),
    "P": ("## ", "# #", "## ", "#  ", "#  "),
    "R": ("## ", "# #", "## ", "# #", "# #"),
    "S": (" ##", "#  ", " # ", "  #", "## "),
    "T": ("###", " # ", " # ", " # ", " # "),
    "V": ("# #", "# #", "# #", "# #", " # "),
    "W": ("#   #", "#   #", "# # #", "# # #", " # # "),
    "Y": ("# #", "# #", " # ", " # ", " # "),
    "b": ("#  ", "#  ", "## ", "# #", "## "),
    "#": ("# #", "###", "# #", "###", "# #"),
    "+": ("   ", " # ", "###", " # ", "   "),
    "-": ("   ", "   ", "###", "   ", "   "),
    ".": (" ", " ", " ", " ", "#"),
    "~": ("   ", "  #", "###", "#  ", "   "),
    " ": (" ", " ", " ", " ", " "),
}


def big(text: str, dot: str = "\N{FULL BLOCK}", wide: bool = True) -> list[str]:
    """Draw a text in five lines of large letters, each dot two columns wide, so that it is about square, or one."""
    times, gap = (2, "  ") if wide else (1, " ")
    letters = [_LETTERS[letter] for letter in text]
    rows = (
        gap.join("".join(times * mark for mark in letter[row]) for letter in letters) for row in range(ROWS)
    )
    return [row.replace("#", dot) for row in rows]


def fitting(text: str, width: int) -> list[str]:
    """Draw a text as large as a width allows; nothing where it does not fit at all."""
    for wide in (True, False):
        rows = big(text, wide=wide)
        if len(rows[0]) <= width:
            return rows
    return []


_HALVES = {"  ": " ", "# ": "\N{UPPER HALF BLOCK}", " #": "\N{LOWER HALF BLOCK}", "##": "\N{FULL BLOCK}"}


def low(text: str, width: int) -> list[str]:
    """Draw a text in three lines, each of two rows of dots; nothing where it does not fit."""
    rows = [*big(text, "#", wide=False), ""]
    if len(rows[0]) > width:
        return []
    pairs = zip(rows[::2], (row.ljust(len(rows[0])) for row in rows[1::2]), strict=True)
    return ["".join(_HALVES[one + other] for one, other in zip(*pair, strict=True)) for pair in pairs]
