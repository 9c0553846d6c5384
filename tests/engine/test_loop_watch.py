"""What comes back is held against what went out, one for one; only an answer to a question proves a loop."""

from __future__ import annotations

from bridge.engine.play.loop_watch import CLEAR_TURNS, SUSPECT, LoopWatch

PRESSURE = bytes((0xD3, 100))


def test_only_what_comes_back_after_it_was_sent_is_a_reason_to_ask() -> None:
    watch = LoopWatch((1, 2, 3))
    for _ in range(3 * SUSPECT):  # the keyboard speaks first, and nothing is sent
        assert not watch.came(PRESSURE)
    assert watch.turn() == []


def test_each_message_can_come_back_once() -> None:
    watch = LoopWatch((1, 2, 3))
    for number in range(SUSPECT - 1):
        watch.sent(bytes((0xD0, number)))
    for number in range(SUSPECT - 1):
        for _ in range(5):
            watch.came(bytes((0xD0, number)))
    assert watch.turn() == []
    for number in range(SUSPECT):
        watch.sent(bytes((0xD0, number)))
        watch.came(bytes((0xD0, number)))
    assert watch.turn() != []


def test_what_went_out_before_the_last_turn_may_still_come_back() -> None:
    watch = LoopWatch((1, 2, 3))
    for number in range(SUSPECT):
        watch.sent(bytes((0xD0, number)))
    watch.turn()
    for number in range(SUSPECT):
        watch.came(bytes((0xD0, number)))
    assert len(watch.turn()) == 3


def test_the_question_is_asked_on_the_channel_that_comes_back_and_only_the_whole_answer_counts() -> None:
    watch = LoopWatch((11, 22, 33))
    for _ in range(SUSPECT):
        watch.sent(PRESSURE)
        watch.came(PRESSURE)
    question = watch.turn()
    assert {data[0] for data in question} == {0xA3}
    assert all(data[1] in (0, 1, 127) for data in question)
    assert [watch.came(data) for data in question[:2]] == [True, True]
    assert not watch.found
    assert not watch.came(bytes((0xA3, 64, 11)))
    assert watch.came(question[2])
    assert watch.found


def test_a_loop_is_over_when_nothing_answers_for_some_turns() -> None:
    watch = LoopWatch((11, 22, 33))
    watch.confirm()
    for _ in range(10):
        for data in watch.turn():
            watch.came(data)
        assert watch.found
    turns = 0
    while watch.found:
        watch.turn()
        turns += 1
    assert turns == CLEAR_TURNS + 1
