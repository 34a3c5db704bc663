"""Rows that wait to be written: none is lost or changed by taking some out and putting them back."""

from __future__ import annotations

import numpy as np

from steadyhead.archive.rows import Rows, from_readings
from steadyhead.archive.tray import Tray
from steadyhead.readings.frame import Readings, regular

START_S = 1_772_323_200


def some(station: str, n: int, seed: int) -> Readings:
    rng = np.random.default_rng(seed)
    outlet = np.where(rng.random(n) < 0.3, np.nan, rng.normal(400, 5, n))
    flags = np.where(rng.random(n) < 0.2, 1, 0).astype(np.uint16)
    return regular(station, START_S + 60 * seed * 1000, 60, outlet, flags=flags)


def same(tray: Tray, station: str, *wanted: Readings) -> bool:
    found = tray.of(station)
    if not wanted:
        return found == []
    parts = [from_readings(readings) for readings in wanted]
    for name in Rows.__slots__:
        joined = np.concatenate([getattr(part, name) for part in parts])
        if not np.array_equal(getattr(found[0], name), joined, equal_nan=name == "values"):
            return False
    return True


def test_rows_with_a_value_or_a_flag_are_kept_in_the_order_of_coming():
    tray, one, two = Tray(), some("a", 3000, 1), some("a", 1, 2)
    for readings in (one, some("b", 10, 3), two):
        tray.add(readings)
    assert same(tray, "a", one, two)
    assert len(tray) == sum(len(from_readings(r)) for r in (one, two, some("b", 10, 3)))
    assert tray.of("unknown") == []


def test_taken_apart_and_put_together_again_nothing_is_lost():
    tray, a, b, later = Tray(), some("a", 200, 1), some("b", 100, 2), some("b", 50, 4)
    tray.add(a)
    tray.add(b)
    own, rest = tray.split(["b", "unknown"])
    assert same(own, "b", b)
    assert same(own, "a")
    assert same(rest, "a", a)
    assert same(rest, "b")
    rest.add(later)  # what comes while the others are being written
    whole = own.then(rest)
    assert same(whole, "a", a)
    assert same(whole, "b", b, later)
    assert len(whole) == len(own) + len(rest)


def test_rows_without_anything_are_not_kept():
    tray = Tray()
    tray.add(regular("a", START_S, 60, np.full(5, np.nan)))
    assert len(tray) == 0
    assert tray.of("a") == []
