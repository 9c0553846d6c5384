"""Who plays in a MIDI file: a part is a channel of a track that has notes, with a name that a musician knows.

Its name is that of the track, where it has one; else the instrument that it is set to, else its channel. Where a name
occurs again, the channel or a number tells parts apart.

Source: *General MIDI System Level 1* (channel 10 plays drums; names of programs); *Standard MIDI Files 1.0*, meta
event 3 (name of a track).
"""

from __future__ import annotations

from collections import Counter

from bridge.engine.beat_hiders import GM_PROGRAMS
from bridge.errors import visible
from bridge.store.playing import Playing

MOST_PARTS = 99
_MOST_LETTERS = 24
_DRUMS = 9


def parts_of(playing: Playing) -> tuple[tuple[str, ...], list[int]]:
    """Tell the parts of a file apart.

    Returns
    -------
    names : tuple of str
        Of each part, in order of track and channel.
    owners : list of int
        For each event in playing order, the part whose note it begins or ends, from 1; 0 for all others.
    """
    titles: dict[int, str] = {}
    programs: dict[tuple[int, int], int] = {}
    any_program: dict[int, int] = {}
    places: set[tuple[int, int]] = set()
    for (_, data), track in zip(playing.events, playing.tracks, strict=True):
        if data[:2] == b"\xff\x03":
            titles.setdefault(track, _readable(data[2:]))
        elif data and data[0] & 0xF0 == 0xC0 and len(data) == 2:
            programs.setdefault((track, data[0] & 0x0F), data[1] & 0x7F)
            any_program.setdefault(data[0] & 0x0F, data[1] & 0x7F)
        elif data and data[0] & 0xF0 == 0x90 and len(data) == 3 and data[2]:
            places.add((track, data[0] & 0x0F))
    order = sorted(places)[:MOST_PARTS]
    numbers = {place: number for number, place in enumerate(order, 1)}
    in_track = Counter(track for track, _ in order)
    names = []
    for track, nibble in order:
        program = programs.get((track, nibble), any_program.get(nibble))
        sound = "Drums" if nibble == _DRUMS else GM_PROGRAMS[program] if program is not None else ""
        title = titles.get(track, "")
        if title and in_track[track] == 1:
            names.append(title)
        else:
            names.append(sound or "unnamed")
    owners = [
        numbers.get((track, data[0] & 0x0F), 0) if data and 0x80 <= data[0] < 0xA0 and len(data) == 3 else 0
        for (_, data), track in zip(playing.events, playing.tracks, strict=True)
    ]
    return _apart(names), owners


def _readable(payload: bytes) -> str:
    """Return a name as it stands in a file: UTF-8, or else Latin 1, on one line."""
    try:
        text = payload.decode("utf-8")
    except UnicodeDecodeError:
        text = payload.decode("latin-1")
    words = " ".join(visible(text.replace("\0", " ")).split())
    return words if len(words) <= _MOST_LETTERS else words[: _MOST_LETTERS - 1].rstrip() + "…"


def _apart(names: list[str]) -> tuple[str, ...]:
    """Number names that occur again."""
    often = Counter(names)
    seen: Counter[str] = Counter()
    found = []
    for name in names:
        seen[name] += 1
        found.append(f"{name} {seen[name]}" if often[name] > 1 else name)
    return tuple(found)
