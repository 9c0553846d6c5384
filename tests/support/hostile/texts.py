"""Makers of hostile descriptions, sessions, tables, manifests, charts and words.

Sources of the structure: TOML v1.0.0; RFC 8259 (JSON); RFC 4180 (CSV).
"""

from __future__ import annotations

import random
from collections.abc import Callable
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]


def _values(rng: random.Random) -> str:
    odd = (
        "1" * 5000,
        "1e999",
        "-1",
        "0",
        "nan",
        "inf",
        "Infinity",
        '"5/4"',
        '"0/1"',
        '"\\u001b[2J"',
        "[1, [2]]",
        "{}",
        "true",
    )
    deep = (
        "[" * 3000,
        '"' + "x" * 3000 + '"',
        "1979-05-27",
        "''",
        '"C:/x"',
        '"../../etc/passwd"',
        '"a\\u0000b"',
        "{a.b.c = 1}",
    )
    return rng.choice(odd + deep)


_PRACTICE = """schema = 1
title = "Third week: thirds"
guitar = "open-d"
reference = "D3=146.5"
tonic = "G"
[[exercise]]
what = "still"
notes = "third"
trials = 30
seconds = 1.5
[[exercise]]
what = "wide"
notes = "fifth"
timbre = "plucked"
[[exercise]]
what = "tune"
notes = "D3 A3"
[[exercise]]
what = "sing"
notes = "unison, octave, fifth"
"""
_SUNG = """{
 "schema": 1,
 "when": "2026-05-04T18:30:00",
 "exercise": "still",
 "sound": "fifth",
 "notes": "D3-A3",
 "size": "3/2",
 "timbre": "steady",
 "seconds": 2.0,
 "through": "sound card",
 "seed": 7,
 "answers": [{"cents": 3.5, "asked": "first", "given": "second"}],
 "threshold": {"cents": 4.0, "low_cents": 3.0, "high_cents": 5.0, "beats_hz": 0.5},
 "rounds": [{"began_cents": 12.0, "error_cents": -1.0}],
 "sung": [{"name": "octave", "note": "D4", "cents": -3.0, "steadiness_cents": 5.0}]
}"""


@cache
def _lines(pattern: str) -> list[list[str]]:
    return [path.read_text(encoding="utf-8").split("\n") for path in sorted(ROOT.glob(pattern))]


_TABLE = [
    (
        'schema = 1\nname = "t"\ntitle = "T"\nsource = "own"\nunits = "cents"\nguitar = "open-d"\n'
        'tonic = "G"\nreference = "D3=146.5"\ncapo = 2\n[degrees]\nb7 = "7/4"\n[keys]\n"F#3" = 183.1'
    ),
    'schema = 1\nunits = "Hz"\nscale = "five-limit"\nhome = "D"\ntonic = "E"\nreference = "A4=438"\nslide = "4/3"',
]
_SESSION = """schema = 1
title = "An evening"
guitar = "open-d"
reference = "D3=146.5"
[drone]
notes = ["1", "5"]
octave = 2
[[synths]]
name = "keys"
title = "Keys"
profile = "bend-only"
[[pieces]]
title = "Song"
tonic = "G"
track = "song.mid"
[[pieces.sections]]
bar = 3
tonic = "D"
degrees = { b7 = "7/4" }
[[pieces]]
title = "Other"
capo = 2
"""


def _changed(rng: random.Random, lines: list[str]) -> bytes:
    """A description with some entries changed; one time in eight as it is."""
    lines = lines[:]
    for _ in range(rng.choice((0, 1, 1, 1, 2, 2, 3, 4))):
        at = rng.randrange(len(lines))
        name, sign, _ = lines[at].partition("=")
        change = rng.random()
        if change < 0.5 and sign:
            lines[at] = f"{name}= {_values(rng)}"
        elif change < 0.7:
            odd = ("[[x]]", "[keys]", "a" + ".a" * 40 + " = 1", "]", '"', "reference = 5", "\x00", "# é")
            lines.insert(at, rng.choice(odd))
        elif change < 0.85 and len(lines) > 1:
            del lines[at]
        else:
            lines.insert(at, lines[rng.randrange(len(lines))])
    return "\n".join(lines).encode("utf-8")


def description(kind: str) -> Callable[[random.Random], bytes]:
    """Return a maker of descriptions, nine times in ten of one kind: ``scale``, ``guitar``, ``table`` …"""

    def make(rng: random.Random) -> bytes:
        wanted = kind if rng.random() < 0.9 else rng.choice(("scale", "guitar", "table", "synth", "session"))
        if wanted == "table":
            return _changed(rng, rng.choice(_TABLE).split("\n"))
        if wanted == "session":
            return _changed(rng, _SESSION.split("\n"))
        return _changed(rng, rng.choice(_lines(f"tables/{wanted}s/*.toml")))

    return make


_PRACTISED = (
    *("third", "fifth", "octave", "D3 A3", "D3,F#3,A3", "D F# A", "Dm", "tritone", "7/4", "1/0", "D99 A99"),
    *("D3 D3", "unison", "1 5", "b7", "fifth fifth fifth", "," * 500, "9" * 400 + "/7", "D3 A8", "C-1 G9"),
)


def practice_list(rng: random.Random) -> bytes:
    """A teacher's list of exercises."""
    if rng.random() < 0.15:  # a great deal of it
        extra = "[[exercise]]\n" + rng.choice(('what = "sing"\n', 'what = "still"\nnotes = "third"\n', ""))
        return (_PRACTICE + extra * rng.choice((1, 17, 5000))).encode()
    lines = _PRACTICE.split("\n")
    if rng.random() < 0.4:
        lines = _changed(rng, lines).decode().split("\n")
    for at, line in enumerate(lines):
        if line.startswith("notes") and rng.random() < 0.3:
            lines[at] = f'notes = "{rng.choice(_PRACTISED)}"'
        elif line.startswith("what") and rng.random() < 0.1:
            lines[at] = f'what = "{rng.choice(("still", "wide", "tune", "sing", "stil", ""))}"'
        elif line.startswith(("tonic", "guitar", "reference")) and rng.random() < 0.1:
            name = line.partition(" ")[0]
            lines[at] = f'{name} = "{rng.choice(_WORDS[name]) if name in _WORDS else "x"}"'
    return "\n".join(lines).encode()


def practice_record(rng: random.Random) -> bytes:
    """A record of a run of practising."""
    lines = _SUNG.split("\n")
    for _ in range(rng.choice((0, 1, 1, 2, 3))):
        at = rng.randrange(1, len(lines) - 1)
        name, colon, _ = lines[at].partition(":")
        change = rng.random()
        if change < 0.6 and colon:
            lines[at] = f"{name}: {_values(rng)}" + ("" if at == len(lines) - 2 else ",")
        elif change < 0.8:
            del lines[at]
        else:
            lines.insert(at, lines[rng.randrange(1, len(lines) - 1)])
    return "\n".join(lines).encode()


def json(rng: random.Random) -> bytes:
    """A table as JSON."""
    rows = [f'{{"key": {k}, "hz": {440.0 * 2 ** ((k - 69) / 12)!r}}}' for k in range(128)]
    for _ in range(rng.randint(0, 3)):
        rows[rng.randrange(128)] = rng.choice(
            ('{"key": 7, "hz": 1}', "7", "{}", f'{{"key": 3, "hz": {_values(rng)}}}')
        )
    text = '{"schema": 1, "keys": [' + ",".join(rows) + "]}"
    return rng.choice(
        (text, text[:-2], "[" * 100_000, _values(rng), '{"keys": ' + _values(rng) + "}")
    ).encode()


def csv(rng: random.Random) -> bytes:
    """A table as CSV."""
    rows = [f"{k},{440.0 * 2 ** ((k - 69) / 12)!r}" for k in range(128)]
    for _ in range(rng.randint(0, 3)):
        rows[rng.randrange(128)] = rng.choice(("7,1", "", ",", "x,y", f"3,{_values(rng)}", '"', "\0"))
    return ("key,hz\n" + "\n".join(rows)).encode()


def manifest(rng: random.Random) -> bytes:
    """A manifest of a built session."""
    entry = f'{{"path": {_values(rng)}, "sha256": "00", "bytes": {_values(rng)}}}'
    whole = (
        f'{{"kind": "stillbeat session", "schema": 1, "session": {{}}, "files": [{entry}], "tasks": {{}}}}'
    )
    return rng.choice((whole, whole[: rng.randrange(len(whole))], _values(rng))).encode()


_CHORDS = (
    "D",
    "Em",
    "A7",
    "F#m7b5",
    "Bbmaj7",
    "G/B",
    "C6/9",
    "H",
    "N.C.",
    "%",
    "Dsus4",
    "x",
    "♯",
    "D/",
    "A+",
    "Cm7/Bb",
)
_SIGNS = (
    "|",
    "|",
    "||",
    "|:",
    ":|",
    ":|x3",
    ":| x99999",
    ":|x" + "9" * 30,
    "[Verse]",
    "Verse:",
    "# said",
    "\n",
    "%",
)


def chart(rng: random.Random) -> bytes:
    """A chart of chords."""
    words = [rng.choice(_CHORDS if rng.random() < 0.6 else _SIGNS) for _ in range(rng.choice((1, 4, 20, 80)))]
    return rng.choice((" ", " ", "\n", "")).join(words).encode()


def song_chart(rng: random.Random) -> bytes:
    """A chart of chords that can mostly be played: bars, sections and repeats around what may be wrong."""
    if rng.random() < 0.4:
        return chart(rng)
    good = tuple(name for name in _CHORDS if name not in ("H", "x", "♯", "D/", "%"))
    bars = [
        " ".join(rng.choices(good, k=rng.choice((1, 1, 2, 4)))) for _ in range(rng.choice((1, 4, 12, 40)))
    ]
    for _ in range(rng.choice((0, 0, 1, 2))):
        odd = ("%", "", "[Verse]", "D | :", ":|x3", *_CHORDS, *_SIGNS)
        bars[rng.randrange(len(bars))] = rng.choice(odd)
    return ("[Verse]\n" * rng.randrange(2) + "| " + " | ".join(bars) + " |").encode()


_WORDS = {
    "guitar": (
        "open-d",
        "DADF#AD",
        "E-A-D-G-B-E:3-2",
        "DADF#AD:9-1",
        "G4 D3 G3",
        "D" * 300,
        "open-x",
        "C" * 12,
    ),
    "scale": ("five-limit", "seven-limit", "equal", "x", "../x.toml", ""),
    "tonic": ("D", "F#", "Bb", "H", "re", "D3", "♭", "Dm", "d sharp", "ii"),
    "home": ("D", "G", "Es", "x"),
    "reference": (
        "D3=146.5",
        "A4=438",
        "D3-7c",
        "D3-7c@442",
        "D3=1e400",
        "D3=nan",
        "D3",
        "=",
        "A4=4,38",
        "G9=1",
        "146.5",
    ),
    "sounding": ("E3=164.9", "164.9", "nan", "-1", "1e999", "E3-7c", "E3"),
    "slide": ("4/3", "1/0", "0", "9" * 400 + "/1", "1/" + "7" * 4300, "2", "5/4/3", "1.5"),
    "degrees": ("b7=7/4", "5=,2=10/9", "5=", "b7", "1=2/1", "b7=9e9c", "b7=" + "1" * 5000, "=", "8=1/1"),
    "pins": ("F#3=183.1", "F#3=0", "G9=inf", "F#3", "A4=1e-300", "x=1", "F#3=183.1"),
    "at": (
        "17=A",
        "5=,2=10/9",
        "9=fret:5",
        "9.5=home",
        "0=A",
        "9" * 30 + "=A",
        "3=table:x",
        "1.-1=D",
        "2=A,b7=7/4",
    ),
    "notes": ("1,5", "1 b7 8", "D3,A3", "9" * 50, "", ",", "1," * 500, "b7=7/4", "x"),
    "channels": ("1-8,11-16", "10", "16-1", "1-" + "9" * 30, "", "1,,2", "a-b"),
    "chord": ("Em7", "D/F#", "V7", "vi", "x", "D" * 99, "Cmaj7#11"),
}


def words(rng: random.Random) -> bytes:
    """Words about a table, a line each: what they are, and what is said; now and then with letters changed."""
    lines = []
    for kind in rng.sample(sorted(_WORDS), rng.choice((1, 2, 3))):
        text = rng.choice(_WORDS[kind])
        while text and rng.random() < 0.3:
            at = rng.randrange(len(text))
            text = (
                text[:at]
                + rng.choice(("", "0", "9", "/", "=", "-", "é", "\u2028", "\0", "#", "²", "٣"))
                + text[at + 1 :]
            )
        lines.append(f"{kind}\t{text}")
    return "\n".join(lines).encode()


def grown(rng: random.Random, data: bytes) -> bytes:
    """The same with a passage of it over and over, 100 kB to 1 MB in all."""
    start = rng.randrange(len(data) or 1)
    passage = data[start : start + rng.choice((1, 2, 10, 80, 400))] or b"["
    if rng.random() < 0.5:  # whole lines
        passage = rng.choice(data.split(b"\n")) + b"\n"
    return data[:start] + passage * (rng.randrange(100_000, 950_000) // len(passage)) + data[start:]
