"""What is typed while practising: single keys at a terminal, lines from anything else.

=========  ======================  ==================================================
key        line                    what it does
=========  ======================  ==================================================
1, left    1, first                the first does not beat
2, right   2, second               the second does not beat
w          wide                    it is too wide
n          narrow                  it is too narrow
s          skip                    not heard: another one in its place
+, up      +, +3                   move the note up, by a cent or as many as said
-, down    -, -0.4                 move it down
. and ,    .  ,                    the same by a fifth of a cent
enter      done                    it stands still; or: the next note
p          pause                   rest, until any key
q, Ctrl-D  quit                    leave; what was done is kept
=========  ======================  ==================================================
"""

from __future__ import annotations

from bridge.ear.tuning_out import COARSE_CENTS, FINE_CENTS

DONE = "done"
MOST_MOVE_CENTS = 20.0

_KEYS = {
    "1": "first",
    "\x1b[D": "first",
    "\x1bOD": "first",
    "2": "second",
    "\x1b[C": "second",
    "\x1bOC": "second",
    "w": "wide",
    "n": "narrow",
    "s": "skip",
    **dict.fromkeys(("+", "=", "\x1b[A", "\x1bOA"), f"move {COARSE_CENTS}"),
    **dict.fromkeys(("-", "\x1b[B", "\x1bOB"), f"move {-COARSE_CENTS}"),
    ".": f"move {FINE_CENTS}",
    ",": f"move {-FINE_CENTS}",
    **dict.fromkeys((" ", "\r", "\n"), DONE),
    "p": "pause",
    "q": "quit",
    "\x03": "quit",
    "\x04": "quit",
}
_WORDS = ("first", "second", "wide", "narrow", "skip", "pause", DONE)


def read_key(key: str) -> str | None:
    """Return what a key means; one that means nothing here is told as such."""
    return _KEYS.get(key if key in _KEYS else key.lower(), f"?{key}" if key.isprintable() else None)


def read_line(line: str) -> str | None:
    """Return what a line says; an empty one is enter."""
    text = line.strip().lower()
    if not text:
        return DONE
    if len(text) == 1 and text in _KEYS:
        return _KEYS[text]
    if text in _WORDS:
        return text
    if text in ("quit", "exit", "stop"):
        return "quit"
    if text[0] in "+-":
        try:
            cents = float(text)
        except ValueError:
            return f"?{text}"
        return f"move {cents}" if abs(cents) <= MOST_MOVE_CENTS else f"?{text}"
    return f"?{text}"


def moved_cents(command: str) -> float | None:
    """Return by how many cents a command moves the note; None for any other."""
    word, _, cents = command.partition(" ")
    return float(cents) if word == "move" else None


def keys_shown(what: str) -> str:
    """Say what can be typed in an exercise."""
    own = {
        "still": "1 first, 2 second, s not heard",
        "wide": "w wide, n narrow, s not heard",
        "tune": "+ - or arrows: a cent, . and , a fifth of one; enter: it stands still",
        "sing": "enter: the next note",
    }[what]
    return f"{own}; p rest, q leave"
