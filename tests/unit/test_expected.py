"""What a port owes: silence is told once and ends with a word; an answer is asked for once more, and counted."""

from types import SimpleNamespace

import pytest

from collector.service.expected import ANSWERED, HEARD, SILENT, UNANSWERED, Expected
from collector.service.tally import Tally

S = 1_000_000_000


def plan(silent_ms=None, timeout_ms=0, device="/dev/ttyS9"):
    return SimpleNamespace(silent_ms=silent_ms, request=SimpleNamespace(timeout_ms=timeout_ms) if timeout_ms else None,
                           line=SimpleNamespace(device=device))


def expected(**given):
    tally = Tally("d")
    one = Expected(plan(**given), tally)
    one.opened(10 * S)
    return one, tally


def test_a_port_without_expectations_is_never_overdue():
    one, _ = expected()
    assert one.due_ns is None and one.tick(10**18) == []
    assert one.framed(3, 12 * S) == []


def test_silence_is_told_once_from_the_last_frame_on_and_its_end_with_how_long_it_was():
    one, tally = expected(silent_ms=5000)
    one.framed(1, 12 * S)
    assert one.due_ns == 17 * S and one.tick(17 * S - 1) == []
    first, = one.tick(17 * S)
    assert (first.event, first.since_ns, first.connect) == (SILENT, 12 * S, False) and tally.silent
    again, = one.tick(22 * S)
    assert again.event == "" and tally.silent
    assert one.framed(1, 30 * S) == [(HEARD, {"seconds": 18})] and not tally.silent
    assert one.due_ns == 35 * S


def test_a_column_that_never_sends_is_silent_since_its_port_was_opened():
    one, _ = expected(silent_ms=5000)
    assert [overdue.since_ns for overdue in one.tick(15 * S)] == [10 * S]


def test_a_silent_network_port_is_connected_anew_each_time_but_told_once():
    one, tally = expected(silent_ms=5000, device="socket://127.0.0.1:4001")
    assert [(overdue.event, overdue.connect) for overdue in one.tick(15 * S)] == [(SILENT, True)]
    one.closed()
    assert one.due_ns is None and tally.silent
    one.opened(16 * S)
    assert one.due_ns == 21 * S
    assert [(overdue.event, overdue.connect) for overdue in one.tick(21 * S)] == [("", True)]
    assert one.framed(1, 22 * S) == [(HEARD, {"seconds": 12})]             # since the first opening: nothing was heard before


def test_an_answer_that_does_not_come_is_asked_for_once_more_and_told_once_in_a_row():
    one, tally = expected(timeout_ms=200)
    one.asked(20 * S)
    missed, = one.tick(20 * S + 200_000_000)
    assert (missed.event, missed.ask, missed.since_ns) == (UNANSWERED, True, 20 * S)
    one.asked(20 * S + 200_000_000)
    missed, = one.tick(20 * S + 400_000_000)
    assert (missed.event, missed.ask) == ("", False)
    one.asked(21 * S)
    assert one.framed(1, 21 * S + 1) == [(ANSWERED, {"unanswered": 2})]
    assert (tally.asked, tally.unanswered, tally.late) == (3, 2, 0) and one.due_ns is None


def test_an_answer_that_is_asked_over_is_missed_too():
    one, tally = expected(timeout_ms=200)
    assert one.asked(20 * S) == []
    assert [overdue.event for overdue in one.asked(20 * S + 100)] == [UNANSWERED]      # told, though no tick came between
    assert one.asked(20 * S + 200) == []
    assert tally.unanswered == 2 and one.due_ns == 20 * S + 200 + 200_000_000


def test_a_request_of_the_configuration_before_is_owed_no_answer():
    one, tally = expected()
    assert one.asked(20 * S) == [] and tally.asked == 0 and one.due_ns is None


def test_an_answer_that_nothing_was_asked_for_any_more_came_late():
    one, tally = expected(timeout_ms=200)
    one.asked(20 * S)
    one.tick(21 * S)
    one.framed(1, 22 * S)
    assert tally.late == 1
    one.asked(23 * S)
    one.framed(2, 23 * S)
    assert tally.late == 2


@pytest.mark.parametrize("after", [plan(silent_ms=9000), plan()])
def test_another_configuration_counts_from_the_last_frame(after):
    one, tally = expected(silent_ms=5000)
    one.framed(1, 12 * S)
    one.tick(17 * S)
    one.take(after)
    assert one.due_ns == (21 * S if after.silent_ms else None)
    assert tally.silent == bool(after.silent_ms)
