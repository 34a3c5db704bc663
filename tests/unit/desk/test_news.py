"""News: everybody is told, nobody is waited for."""

from __future__ import annotations

import threading
import time

from steadyhead.desk.news import Event, News


def event(n: int) -> Event:
    return Event("alert", f"a{n}", n)


def test_every_reader_gets_every_event_in_order_from_when_it_came() -> None:
    news = News()
    news.publish(event(0))
    with news.subscribe() as first, news.subscribe() as second:
        news.publish(event(1))
        news.publish(event(2))
        for reader in (first, second):
            assert [reader.get(0), reader.get(0), reader.get(0)] == [event(1), event(2), None]


def test_a_slow_reader_is_told_to_reload_and_dropped_and_the_others_go_on() -> None:
    news = News(room=3)
    with news.subscribe() as slow, news.subscribe() as quick:
        for n in range(3):
            news.publish(event(n))
            assert quick.get(0) == event(n)
        news.publish(event(3))
        news.publish(event(4))
        assert [quick.get(0), quick.get(0)] == [event(3), event(4)]
        assert list(slow) == [Event("reload")]
        assert slow.is_over
        assert not quick.is_over


def test_a_waiting_reader_is_woken_by_an_event_and_by_the_end() -> None:
    news = News()
    got: list[Event | None] = []
    with news.subscribe() as reader:
        thread = threading.Thread(target=lambda: got.extend(reader))
        thread.start()
        news.publish(event(1))
        news.close()
        thread.join(10)
        assert not thread.is_alive()
    assert got == [event(1)]


def test_waiting_ends_at_its_time() -> None:
    with News().subscribe() as reader:
        began = time.monotonic()
        assert reader.get(0.05) is None
        assert 0.04 < time.monotonic() - began < 5.0
        assert not reader.is_over


def test_a_reader_that_left_gets_nothing_more() -> None:
    news = News()
    with news.subscribe() as reader:
        pass
    news.publish(event(1))
    assert reader.get(0) is None
    assert list(reader) == []


def test_many_writers_lose_nothing() -> None:
    news = News(room=10_000)
    with news.subscribe() as reader:
        threads = [
            threading.Thread(
                target=lambda first: [news.publish(event(first + n)) for n in range(500)], args=(k,)
            )
            for k in (0, 500, 1000)
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join(30)
        got = [reader.get(0) for _ in range(1500)]
        assert {e.change_no for e in got if e} == set(range(1500))
