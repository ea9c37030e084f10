"""The hand-over between the ports' threads and the worker."""

import sys
import threading
import time
from functools import partial

from collector.record import Chunk
from collector.service.handover import TAKEN_BYTES, HandOver, PortClosed


def chunk(n: int, size: int = 1) -> Chunk:
    return Chunk("bore-column", b"x" * size, n, n)


def test_items_come_out_in_the_order_in_which_they_were_put():
    handover = HandOver()
    items = [chunk(1), PortClosed("bore-column", 2, "unplugged"), chunk(3)]
    for item in items:
        handover.put(item)
    assert handover.take_all(0) == items
    assert handover.take_all(0) == []


def test_it_is_full_by_bytes_and_empty_again_once_taken():
    handover = HandOver(most_bytes=10_000)
    handover.put(chunk(1, 5_000))
    assert not handover.full
    handover.put(chunk(2, 5_000))
    assert handover.full
    handover.put(chunk(3))                            # full or not, nothing is refused
    assert len(handover.take_all(0)) == 3
    assert not handover.full


def test_many_tiny_items_fill_it_as_well():
    handover = HandOver(most_bytes=10_000)
    for n in range(100):
        handover.put(chunk(n))
    assert handover.full


def test_no_more_than_a_transaction_is_worth_is_taken_at_a_time_and_nothing_is_lost_by_it():
    handover = HandOver(most_bytes=1_000_000)
    items = [chunk(n, 60_000) for n in range(20)]
    items.insert(7, PortClosed("bore-column", 7, "unplugged"))
    for item in items:
        handover.put(item)
    assert handover.full
    taken = []
    while handover.waiting:
        some = handover.take_all(0)
        assert 0 < sum(len(item.data) for item in some if isinstance(item, Chunk)) <= TAKEN_BYTES
        taken.append(some)
    assert [item for some in taken for item in some] == items
    assert [len(some) for some in taken] == [4, 5, 4, 4, 4]
    assert not handover.full and handover.take_all(0) == []


def test_room_comes_back_as_it_is_taken_not_all_at_once():
    handover = HandOver(most_bytes=300_000)
    for n in range(12):
        handover.put(chunk(n, 60_000))
    handover.take_all(0)
    assert handover.full                              # eight of twelve still wait
    handover.take_all(0)
    assert not handover.full


def test_many_threads_that_put_at_once_are_counted_exactly(request):
    request.addfinalizer(partial(sys.setswitchinterval, sys.getswitchinterval()))
    sys.setswitchinterval(1e-6)
    handover, begin = HandOver(most_bytes=200 + 7), threading.Barrier(4)

    def put() -> None:
        begin.wait()
        for n in range(2000):
            handover.put_all([chunk(n), chunk(n)])

    threads = [threading.Thread(target=put) for _ in range(4)]
    for thread in threads:
        thread.start()
    taken = 0
    while any(thread.is_alive() for thread in threads) or handover.waiting:
        taken += len(handover.take_all(0.01))
    assert taken == 16_000 and not handover.full
    handover.put(chunk(1, 6))
    assert not handover.full
    handover.take_all(0)
    handover.put(chunk(1, 7))
    assert handover.full


def test_a_chunk_larger_than_that_is_taken_alone():
    handover = HandOver()
    handover.put(chunk(1, TAKEN_BYTES + 1))
    handover.put(chunk(2))
    assert handover.take_all(0) == [chunk(1, TAKEN_BYTES + 1)]
    assert handover.take_all(0) == [chunk(2)]


def test_taking_waits_for_what_comes_later():
    handover = HandOver()
    threading.Timer(0.05, handover.put, [chunk(7)]).start()
    assert handover.take_all(10) == [chunk(7)]


def test_taking_from_nothing_ends_after_the_timeout():
    began = time.monotonic()
    assert HandOver().take_all(0.05) == []
    assert 0.04 < time.monotonic() - began < 5


def test_waking_ends_a_wait_and_is_used_up_by_it():
    handover = HandOver()
    threading.Timer(0.05, handover.wake).start()
    began = time.monotonic()
    assert handover.take_all(10) == []
    assert time.monotonic() - began < 5
    began = time.monotonic()
    handover.take_all(0.05)
    assert time.monotonic() - began > 0.04


def test_nothing_is_lost_or_swapped_between_two_fast_threads():
    handover, taken = HandOver(), []

    def put_all() -> None:
        for n in range(20_000):
            handover.put(n)

    putting = threading.Thread(target=put_all)
    putting.start()
    while len(taken) < 20_000:
        some = handover.take_all(5)
        assert some, "nothing came for five seconds"
        taken += some
    putting.join()
    assert taken == list(range(20_000))
