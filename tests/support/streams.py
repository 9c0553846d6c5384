"""Random MIDI streams for property-based tests: parts that play, bend, press pedals and change their sound.

Conventions: a stream is a list of ``(time_s, message)``, times ascending; channels in here are 0 to 15.

Index: `streams`, `notes_only`, `tables`, `Frequencies`.
"""

from __future__ import annotations

from hypothesis import strategies as st

Stream = list[tuple[float, bytes]]

RESETS = (
    bytes.fromhex("f07e7f0901f7"),
    bytes.fromhex("f07e7f0903f7"),
    bytes.fromhex("f0411042124000 7f0041f7".replace(" ", "")),
    bytes.fromhex("f043104c00007e00f7"),
)

MODES = ((120, 0), (121, 0), (121, 0), (123, 0), (126, 1), (127, 0))
"""All sound off, reset all controllers, all notes off, mono, poly."""

PARAMETERS = (
    ((0, 0), 2),
    ((0, 0), 5),
    ((0, 0), 12),
    ((0, 1), 60),
    ((0, 1), 66),
    ((0, 2), 66),
    ((0, 5), 1),
)
"""Registered parameters, each with an MSB of its data entry."""


def _note(channel: int, key: int, velocity: int) -> list[bytes]:
    return [bytes((0x90 | channel, key, velocity))]


def _parameter(channel: int, number: tuple[int, int], msb: int, lsb: int, null: bool) -> list[bytes]:
    status = 0xB0 | channel
    out = [bytes((status, 101, number[0])), bytes((status, 100, number[1]))]
    out += [bytes((status, 6, msb)), bytes((status, 38, lsb))]
    return out + [bytes((status, 101, 127)), bytes((status, 100, 127))] * null


@st.composite
def streams(
    draw: st.DrawFn,
    channels: tuple[int, ...] = (0, 1, 4, 9),
    most: int = 60,
    keys: tuple[int, int] = (48, 72),
    controls: bool = True,
    modes: bool = True,
    resets: bool = False,
) -> Stream:
    """Draw a stream; every key struck is let go before the end, in whatever order."""
    channel = st.sampled_from(channels)
    key = st.integers(*keys)
    seven = st.integers(0, 127)
    kinds = ["on"] * 6 + ["off"] * 5
    if controls:
        kinds += ["wheel", "wheel", "cc", "pedal", "pedal", "program", "pressure", "parameter", "poly"]
    if modes:
        kinds += ["mode"]
    if resets:
        kinds += ["reset"]
    now_s = 0.0
    stream: Stream = []
    down: list[tuple[int, int]] = []
    for kind in draw(st.lists(st.sampled_from(kinds), max_size=most)):
        now_s += draw(st.sampled_from((0.0, 0.0, 0.005, 0.02, 0.3, 0.6, 1.5)))
        which = draw(channel)
        status = 0xB0 | which
        out: list[bytes] = []
        if kind == "on":
            struck = draw(key)
            down.append((which, struck))
            out = _note(which, struck, draw(st.integers(1, 127)))
        elif kind == "off" and down:
            which, struck = down.pop(draw(st.integers(0, len(down) - 1)))
            out = draw(
                st.sampled_from(([bytes((0x80 | which, struck, 64))], [bytes((0x90 | which, struck, 0))]))
            )
        elif kind == "wheel":
            value = draw(st.one_of(st.integers(0, 16383), st.sampled_from((0, 8192, 16383))))
            out = [bytes((0xE0 | which, value & 127, value >> 7))]
        elif kind == "cc":
            out = [
                bytes(
                    (
                        status,
                        draw(st.sampled_from((0, 1, 7, 10, 11, 32, 74, 91, 93))),
                        draw(st.integers(0, 119)),
                    )
                )
            ]
        elif kind == "pedal":
            out = [
                bytes(
                    (
                        status,
                        draw(st.sampled_from((64, 64, 66, 69))),
                        draw(st.sampled_from((0, 0, 20, 64, 127))),
                    )
                )
            ]
        elif kind == "program":
            out = [bytes((0xC0 | which, draw(seven)))]
        elif kind == "pressure":
            out = [bytes((0xD0 | which, draw(seven)))]
        elif kind == "poly":
            out = [bytes((0xA0 | which, draw(key), draw(seven)))]
        elif kind == "parameter":
            number, msb = draw(st.sampled_from(PARAMETERS))
            out = _parameter(which, number, msb, draw(st.integers(0, 99)), draw(st.booleans()))
        elif kind == "mode":
            out = [bytes((status, *draw(st.sampled_from(MODES))))]
        elif kind == "reset":
            out = [draw(st.sampled_from(RESETS))]
        stream += [(now_s, message) for message in out]
    for which, struck in down:
        now_s += draw(st.sampled_from((0.0, 0.1)))
        stream.append((now_s, bytes((0x80 | which, struck, 0))))
    return stream


def notes_only(
    most: int = 60, channels: tuple[int, ...] = (0, 1, 2), keys: tuple[int, int] = (40, 90)
) -> st.SearchStrategy[Stream]:
    """Streams of notes alone."""
    return streams(channels=channels, most=most, keys=keys, controls=False, modes=False)


class Frequencies(list[float]):
    """128 frequencies from 12 or 128 offsets in cents from equal temperament, shown by those."""

    def __init__(self, cents: list[int]) -> None:
        count = len(cents)
        super().__init__(440.0 * 2 ** ((key - 69) / 12 + cents[key % count] / 1200) for key in range(128))
        self.cents = cents

    def __repr__(self) -> str:
        return f"Frequencies({self.cents})"


@st.composite
def tables(draw: st.DrawFn, repeating: bool | None = None) -> Frequencies:
    """Draw 128 frequencies within 45 cents of equal, repeating at the octave or not."""
    octaves = draw(st.booleans()) if repeating is None else repeating
    count = 12 if octaves else 128
    steps = st.integers(-45, 45)
    cents = draw(st.lists(steps, min_size=count, max_size=count))
    return Frequencies(cents)
