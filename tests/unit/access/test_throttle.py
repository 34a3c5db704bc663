"""How often one key may ask. By hand: 60 a minute is one a second."""

from steadyhead.access import throttle as module
from steadyhead.access.throttle import Throttle


class Clock:
    def __init__(self):
        self.now_s = 100.0

    def __call__(self):
        return self.now_s


def test_a_burst_goes_through_and_then_one_a_second():
    clock = Clock()
    throttle = Throttle(60, 3, clock)
    assert [throttle.wait_s("a") for _ in range(3)] == [0, 0, 0]
    assert throttle.wait_s("a") == 1.0
    clock.now_s += 0.5
    assert throttle.wait_s("a") == 0.5
    clock.now_s += 0.5
    assert throttle.wait_s("a") == 0
    assert throttle.wait_s("a") == 1.0


def test_a_refused_try_costs_nothing():
    clock = Clock()
    throttle = Throttle(60, 1, clock)
    throttle.wait_s("a")
    for _ in range(50):
        assert throttle.wait_s("a") == 1.0
    clock.now_s += 1
    assert throttle.wait_s("a") == 0


def test_keys_do_not_share_and_rest_fills_no_more_than_the_burst():
    clock = Clock()
    throttle = Throttle(60, 2, clock)
    assert throttle.wait_s("a") == throttle.wait_s("a") == throttle.wait_s("b") == 0
    clock.now_s += 3600
    assert [throttle.wait_s("a") for _ in range(3)] == [0, 0, 1.0]


def test_a_clock_that_goes_back_gives_nothing_away():
    clock = Clock()
    throttle = Throttle(60, 1, clock)
    throttle.wait_s("a")
    clock.now_s -= 1000
    assert throttle.wait_s("a") == 1.0


def test_a_flood_of_keys_does_not_fill_the_memory(monkeypatch):
    monkeypatch.setattr(module, "MOST_KEYS", 10)
    throttle = Throttle(60, 1, Clock())
    for n in range(100):
        throttle.wait_s(str(n))
    assert len(throttle._buckets) == 10
