"""What a synth was sent, kept where it outlives the process."""

from __future__ import annotations

import mmap
from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from bridge.engine.play.owed import LEDGER_BYTES, Ledger


def test_strikes_are_owed_until_they_are_ended() -> None:
    ledger = Ledger(bytearray(LEDGER_BYTES))
    for data in ("903c64", "903c64", "953c64", "903e01", "903e00", "8f0000"):
        ledger.note(bytes.fromhex(data))
    assert ledger.owed == 3
    assert sorted(data.hex() for data in ledger.offs()) == ["803c40", "803c40", "853c40"]
    for data in ledger.offs():
        ledger.note(data)
    assert ledger.offs() == []


def test_it_is_taken_over_from_a_buffer_that_holds_one_and_nothing_else() -> None:
    buffer = bytearray(b"\xaa" * LEDGER_BYTES)
    first = Ledger(buffer)
    assert first.owed == 0
    assert not first.local_off
    first.note(bytes((0x91, 64, 100)))
    first.local_off = True
    second = Ledger(buffer)
    assert second.offs() == [bytes((0x81, 64, 64))]
    assert second.local_off
    second.clear()
    assert Ledger(buffer).owed == 0


def test_a_file_in_memory_survives_whoever_wrote_it(tmp_path: Path) -> None:
    path = tmp_path / "ledger"
    path.write_bytes(bytes(LEDGER_BYTES))
    with path.open("r+b") as file, mmap.mmap(file.fileno(), LEDGER_BYTES) as view:
        ledger = Ledger(view)
        ledger.note(bytes((0x9F, 127, 100)))
        ledger.close()
    assert Ledger(bytearray(path.read_bytes())).offs() == [bytes((0x8F, 127, 64))]


def test_sounds_come_back_with_their_banks_but_without_pedals_and_parameters() -> None:
    ledger = Ledger(bytearray(LEDGER_BYTES))
    assert ledger.sounds() == []
    for data in (
        "b00008",
        "b02003",
        "c005",
        "b00009",
        "b00750",
        "b05b20",
        "b0407f",
        "b06500",
        "b00602",
        "b07a00",
        "c304",
    ):
        ledger.note(bytes.fromhex(data))
    assert [data.hex() for data in ledger.sounds()] == [
        "b00008",
        "b02003",
        "c005",
        "b00750",
        "b05b20",
        "c304",
    ]


def test_more_strikes_than_it_can_count_are_as_many_as_it_can() -> None:
    ledger = Ledger(bytearray(LEDGER_BYTES))
    for _ in range(300):
        ledger.note(bytes((0x90, 60, 1)))
    assert len(ledger.offs()) == 255


@given(
    st.lists(
        st.binary(min_size=3, max_size=3).map(lambda b: bytes((0x80 | b[0] & 0x6F, b[1] & 127, b[2] & 127)))
    )
)
def test_nothing_that_is_sent_upsets_it(messages: list[bytes]) -> None:
    ledger = Ledger(bytearray(LEDGER_BYTES))
    owed: dict[tuple[int, int], int] = {}
    for data in messages:
        ledger.note(data)
        where = data[0] & 15, data[1]
        if data[0] & 0xF0 == 0x90 and data[2]:
            owed[where] = owed.get(where, 0) + 1
        elif data[0] < 0xA0:
            owed[where] = max(0, owed.get(where, 0) - 1)
    assert ledger.owed == sum(owed.values())
    assert all(data[0] & 0xF0 in (0xB0, 0xC0) for data in ledger.sounds())


def test_pedals_that_are_down_are_lifted_and_no_others() -> None:
    ledger = Ledger(bytearray(LEDGER_BYTES))
    assert ledger.pedals_up() == []
    for data in (
        bytes((0xB0, 64, 127)),
        bytes((0xB3, 67, 1)),
        bytes((0xBF, 66, 100)),
        bytes((0xBF, 66, 0)),
        bytes((0xB1, 65, 127)),
    ):
        ledger.note(data)
    assert ledger.pedals_up() == [bytes((0xB0, 64, 0)), bytes((0xB3, 67, 0))]
    for data in ledger.pedals_up():
        ledger.note(data)
    assert ledger.pedals_up() == []
