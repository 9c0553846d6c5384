"""The events inside one track of a Standard MIDI File, from bytes and back.

This is the inner loop of `bridge.store.smf`, which describes what an event is; nothing else should need it.
Ticks are absolute from the start of the track; positions count bytes from the start of the file.

Source: *Standard MIDI Files 1.0* (MIDI Manufacturers Association, RP-001).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from bridge.errors import ValueProblem

Event = tuple[int, bytes]

Running = Literal["never", "together", "always"]
"""Running status: never used, only among events of the same tick, or wherever it may be."""

MAX_STEP_TICKS = 0x0FFFFFFF

_SIZES = (
    [0] * 0x80 + [3] * 0x40 + [2] * 0x20 + [3] * 0x10 + [0, 2, 3, 2, 0, 0, 1, 0] + [1, 0, 1, 1, 1, 0, 1, 0]
)
_HEADS = [bytes([status]) for status in range(256)]


def _number_bytes(value: int) -> bytes:
    """Return a variable-length quantity."""
    parts = [value & 0x7F]
    while value := value >> 7:
        parts.append(value & 0x7F | 0x80)
    return bytes(reversed(parts))


def track_bytes(events: list[Event], running: Running, number: int) -> bytearray:
    """Return the content of a track's chunk, with an end mark in any case.

    Ticks ascend in file order; `running` says where to leave out status bytes that repeat; messages name the
    track by its number from 1. ValueProblem if ticks run backwards or too far ahead, an event is malformed,
    or one follows the end mark.
    """
    out = bytearray()
    put = out.append
    sizes = _SIZES
    steps: dict[int, bytes] = {}
    keep = 0 if running == "never" else 0xFF
    always = running == "always"
    last = live = ended = 0
    for tick, data in events:
        step = tick - last
        if 0 <= step < 0x80:
            put(step)
        elif step in steps:
            out += steps[step]
        elif 0 < step <= MAX_STEP_TICKS:
            out += steps.setdefault(step, _number_bytes(step))
        else:
            raise ValueProblem(
                f"track {number} steps from tick {last} to {tick}", "at most 268435455, never back"
            )
        last = tick
        if ended or not data:
            raise ValueProblem(f"track {number} has an event after its end, or an empty one, at tick {tick}")
        status = data[0]
        if status < 0xF0:
            if len(data) != sizes[status]:
                raise _malformed(number, tick, data)
            if status == live and (always or not step) and data[1] < 0x80:
                out += data[1:]
            else:
                out += data
                live = status & keep
            continue
        live = 0
        if status == 0xFF and len(data) > 1:
            out += data[:2]
            out += _number_bytes(len(data) - 2)
            out += data[2:]
            ended = data[1] == 0x2F
        elif status in (0xF0, 0xF7):
            put(status)
            out += _number_bytes(len(data) - 1)
            out += data[1:]
        elif len(data) == sizes[status]:
            out += data
        else:
            raise _malformed(number, tick, data)
    if not ended:
        out += b"\x00\xff\x2f\x00"
    return out


def _malformed(number: int, tick: int, data: bytes) -> ValueProblem:
    return ValueProblem(f"track {number} has a malformed event at tick {tick}: {data[:16].hex(' ')}")


class _Damage(Exception):
    """A track cannot be read further, and why."""


def _number(data: bytes, pos: int) -> tuple[int, int]:
    """Read a variable-length quantity of at most four bytes; return it and the position after it."""
    value = 0
    for at in range(pos, pos + 4):
        byte = data[at]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, at + 1
    raise _Damage("holds a length of more than four bytes")


@dataclass
class Track:
    """What reading a track gave."""

    events: list[Event]  # all whole events
    stop: int  # the position after the last of them
    ended: bool  # whether the last is an end mark
    running: Running | None  # where status bytes were left out; None if nothing in the track shows it
    strays: bool  # whether it holds system messages, which have no place in a file
    damage: str  # why reading stopped early, or empty


def read_events(data: bytes, pos: int, end: int, share: dict[bytes, bytes]) -> Track:
    """Read events from `pos` until an end mark, `end`, or damage."""
    events: list[Event] = []
    add = events.append
    once = share.setdefault
    sizes, heads = _SIZES, _HEADS
    tick = running = live = 0
    ended = strays = repeats_now = repeats_later = shortens_now = shortens_later = False
    damage = ""
    try:
        while pos < end:
            step = data[pos]
            pos += 1
            if step:
                if step > 0x7F:
                    step, pos = _number(data, pos - 1)
                tick += step
            status = data[pos]
            if status < 0x80:
                if not running:
                    raise _Damage("starts in the middle of an event")
                stop = pos + sizes[running] - 1
                raw = heads[running] + data[pos:stop]
                live = running
                if step:
                    shortens_later = True
                else:
                    shortens_now = True
            elif status < 0xF0:
                stop = pos + sizes[status]
                raw = data[pos:stop]
                if status == live and raw[1] < 0x80:
                    if step:
                        repeats_later = True
                    else:
                        repeats_now = True
                running = live = status
            elif status == 0xFF:
                size, body = _number(data, pos + 2)
                stop = body + size
                raw = data[pos : pos + 2] + data[body:stop]
                live = 0
                ended = raw[1] == 0x2F
                if ended:
                    pos = stop
                    add((tick, once(raw, raw)))
                    break
            elif status in (0xF0, 0xF7):
                size, body = _number(data, pos + 1)
                stop = body + size
                raw = heads[status] + data[body:stop]
                live = 0
            else:
                if not sizes[status]:
                    raise _Damage(f"holds the undefined event {status:02X}")
                stop = pos + sizes[status]
                raw = data[pos:stop]
                live = 0
                strays = True
            pos = stop
            add((tick, once(raw, raw)))
    except IndexError:
        pos = end + 1
    except _Damage as problem:
        damage = str(problem)
    if pos > end:
        damage = "breaks off in the middle of an event"
        if events and stop == pos:
            events.pop()
    style: Running | None = None
    if not (shortens_now or shortens_later):
        style = "never" if repeats_now or repeats_later else None
    elif repeats_later and not (repeats_now or shortens_later):
        style = "together"
    else:
        style = "always"
    return Track(events, pos, ended and not damage, style, strays, damage)
