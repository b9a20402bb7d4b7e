"""Between the network's thread and the writer: bounded, in order, news first."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from wheelpit.ingest.inbox import BATCH, RECEIVE_MAXIMUM, Connected, Event, Inbox, Incoming


def message(number: int, qos: int = 1) -> Incoming:
    return Incoming("t", b"", 0, qos, retained=False, mid=number, generation=1)


def mids(events: list[Event]) -> list[int]:
    return [event.mid for event in events if isinstance(event, Incoming)]


def test_what_must_be_kept_comes_in_order_and_in_batches() -> None:
    inbox = Inbox()
    for number in range(BATCH + 5):
        assert inbox.put(message(number))
    assert mids(inbox.take(0)) == list(range(BATCH))
    assert mids(inbox.take(0)) == list(range(BATCH, BATCH + 5))
    assert inbox.take(0) == []


def test_news_goes_first_and_the_oldest_news_goes_when_there_is_too_much() -> None:
    inbox = Inbox()
    inbox.put(message(1))
    for number in range(1200):
        inbox.put(message(number, qos=0))
    taken = mids(inbox.take(0))
    assert taken[:2] == [200, 201]
    assert taken[-1] == 1
    assert inbox.lost_news == 200


def test_more_than_the_receive_maximum_allows_is_refused() -> None:
    inbox = Inbox()
    put = [inbox.put(message(number)) for number in range(3 * RECEIVE_MAXIMUM)]
    assert put.count(True) == 2 * RECEIVE_MAXIMUM
    assert inbox.put(Connected(1))
    assert inbox.put(message(1, qos=0))


def test_the_receive_maximum_is_twice_the_batch() -> None:
    assert RECEIVE_MAXIMUM >= 2 * BATCH


def test_waiting_ends_when_something_comes_or_time_is_up() -> None:
    inbox = Inbox()
    assert inbox.take(0.01) == []
    threading.Timer(0.05, inbox.put, [message(7)]).start()
    began = time.monotonic()
    assert mids(inbox.take(30)) == [7]
    assert time.monotonic() - began < 25


@pytest.mark.parametrize("qos", [0, 1])
def test_threads_lose_nothing(qos: int) -> None:
    inbox = Inbox()
    got: list[Any] = []

    def reader() -> None:
        while len(got) < 800:
            got.extend(mids(inbox.take(0.5)))

    thread = threading.Thread(target=reader)
    thread.start()
    for number in range(800):
        assert inbox.put(message(number, qos))
    thread.join(30)
    assert got == list(range(800))
