"""The kernel that puts waiting reports on the grid does what ``grid_block`` does with them in order."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from live_bench import START_S, bench_registry

from steadyhead.config import ROLES, Role
from steadyhead.live.reported import after, joined, newest_of, on_grid, reports_of, second_of
from steadyhead.readings import quality as flag
from steadyhead.readings.frame import CHANNELS
from steadyhead.readings.grid import Held, grid_block
from steadyhead.readings.series import Series

SOLO = bench_registry().stations["solo"]
ROWS_S = 300
ITEM = st.tuples(
    # half seconds around the rows that are asked for: many fall on one second, one row, or its edges
    st.integers(-3, 8).flatmap(lambda m: st.integers(-2, 2).map(lambda h: m * 60_000_000 + h * 500_000)),
    st.sampled_from([float("nan"), 1.0, 2.0, 3.0, 4.0]),
    st.sampled_from([0, int(flag.BAD_QUALITY), int(flag.DOUBTFUL)]),
    st.integers(0, len(ROLES) - 1),
)
ITEMS = st.lists(ITEM, min_size=1, max_size=40)


def as_reports(items: list[tuple[int, float, int, int]]) -> Any:
    us, values, flags, role = zip(*items, strict=True)
    return reports_of(
        np.array(us) + START_S * 1_000_000, np.array(values), np.array(flags, dtype=np.uint16), np.array(role)
    )


def in_order(items: list[tuple[int, float, int, int]]) -> dict[Role, Series]:
    """By role, in the order of time; of one time the good one that came last comes last."""
    found: dict[Role, Series] = {}
    for number, role in enumerate(ROLES):
        own = [
            (us, value == value, n, value, why) for n, (us, value, why, r) in enumerate(items) if r == number
        ]
        own.sort(key=lambda one: one[:3])
        if own:
            found[role] = Series(
                np.array([second_of(START_S * 1_000_000 + one[0]) for one in own]),
                np.array([one[3] for one in own]),
                np.array([one[4] for one in own], dtype=np.uint16),
            )
    return found


@given(ITEMS)
def test_in_any_order_of_coming_the_rows_are_those_of_reports_in_order(items):
    rows, held = on_grid(as_reports(items), SOLO, START_S, START_S + ROWS_S, Held())
    wanted, _ = grid_block(in_order(items), SOLO, START_S, START_S + ROWS_S)
    for name in (*CHANNELS, "flags"):
        np.testing.assert_array_equal(getattr(rows, name), getattr(wanted, name), err_msg=name)
    assert (rows.start_s, rows.step_s, held) == (START_S, 60, Held())


@given(ITEMS, st.integers(-200, 500))
def test_what_is_not_due_stays_in_the_order_in_which_it_came(items, last_s):
    rest = after(as_reports(items), START_S + last_s)
    wanted = [one for one in items if second_of(START_S * 1_000_000 + one[0]) > START_S + last_s]
    assert len(rest) == len(wanted)
    if wanted:
        np.testing.assert_array_equal(rest["us"], as_reports(wanted)["us"])
        np.testing.assert_array_equal(rest["value"], as_reports(wanted)["value"])


@given(ITEMS)
def test_the_newest_good_report_of_each_role_is_found(items):
    for role, place in enumerate(newest_of(as_reports(items))):
        good = [(us, n) for n, (us, value, _, own) in enumerate(items) if own == role and value == value]
        assert place == (max(good)[1] if good else -1)


def test_parts_are_joined_in_order():
    parts = [as_reports([(n, float(n), 0, 0)]) for n in range(3)]
    assert joined(parts)["value"].tolist() == [0.0, 1.0, 2.0]
    assert len(joined([])) == 0
