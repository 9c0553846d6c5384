"""What bytes cost: encoding, decoding, splitting and bending, each beside a floor measured in the same run.

Run: ``python tests/bench/bench_wire.py``. Floors: an empty Python function for what runs at every note, and mido's own
parser and messages for what mido can do too. Times are the best of five rounds; nothing is asserted.
"""

from __future__ import annotations

from collections.abc import Callable
from timeit import Timer

import mido

from bridge.wire import bend, frequency, mts, rpn
from bridge.wire.stream import StreamSplitter

ROUNDS = 5
MICRO = 1e6


def best_us(call: Callable[[], object], seconds: float = 0.1) -> float:
    """Return the time of one call in microseconds, the best of some rounds."""
    timer = Timer(call)
    number, _ = timer.autorange()
    number = max(1, int(number * seconds / 0.2))
    return min(timer.repeat(ROUNDS, number)) / number * MICRO


def line(what: str, time_us: float, floor: str, floor_us: float) -> None:
    """Print one result and its ratio to the floor."""
    print(f"{what:<52} {time_us:10.2f} µs   {time_us / floor_us:8.2f} × {floor} ({floor_us:.2f} µs)")


def empty() -> None:
    """Do nothing: the floor of anything in Python."""


def main() -> None:
    """Measure and print."""
    empty_us = best_us(empty)
    equal = tuple(key << 14 for key in range(128))
    hz = [440 * 2 ** ((key - 69) / 12) for key in range(128)]
    dump = mts.BulkDump(0x7F, 0, "open d", equal)
    dump_bytes = mts.encode(dump)
    notes = mts.NoteTuning(0x7F, 0, tuple(enumerate(equal))[:127])
    octave = mts.OctaveTuning(0x7F, tuple(range(1, 17)), (8192,) * 12)
    octave_bytes = mts.encode(octave)

    line("bend_value", best_us(lambda: bend.bend_value(-13.686, 2)), "an empty call", empty_us)
    line("bend_message", best_us(lambda: bend.bend_message(3, 7631)), "an empty call", empty_us)
    line("bend_range, 6 messages", best_us(lambda: rpn.bend_range(3, 2)), "an empty call", empty_us)
    table_us = best_us(lambda: [frequency.hz_to_frequency_data(each) for each in hz])
    line("128 frequencies to data", table_us, "an empty call", empty_us)

    mido_dump = mido.Message.from_bytes(dump_bytes)
    mido_make_us = best_us(lambda: mido.Message("sysex", data=dump_bytes[1:-1]).bin())
    mido_read_us = best_us(lambda: mido.Message.from_bytes(dump_bytes))
    assert mido_dump.bin() == dump_bytes
    line("encode a dump, 408 bytes", best_us(lambda: mts.encode(dump)), "mido, same bytes", mido_make_us)
    line(
        "encode 127 single notes, 516 bytes",
        best_us(lambda: mts.encode(notes)),
        "mido, 408 bytes",
        mido_make_us,
    )
    line(
        "encode scale/octave, 33 bytes", best_us(lambda: mts.encode(octave)), "mido, 408 bytes", mido_make_us
    )
    line(
        "decode a dump, 408 bytes", best_us(lambda: mts.decode(dump_bytes)), "mido, same bytes", mido_read_us
    )
    line(
        "decode scale/octave, 33 bytes",
        best_us(lambda: mts.decode(octave_bytes)),
        "mido, 408 bytes",
        mido_read_us,
    )

    splitter = StreamSplitter()
    note = b"\x90\x3c\x40"
    line(
        "split: one note, as a port gives it", best_us(lambda: splitter.feed(note)), "an empty call", empty_us
    )
    piece = b"".join(bytes((0x90, key, 64, key, 0)) for key in range(128)) * 8 + dump_bytes
    by_mido_us = best_us(lambda: mido.parse_all(piece))
    line(
        f"split: {len(piece)} bytes with running status",
        best_us(lambda: StreamSplitter().feed(piece)),
        "mido's parser",
        by_mido_us,
    )


if __name__ == "__main__":
    main()
