"""Alarm-load figures. Targets: ANSI/ISA-18.2, IEC 62682 and EEMUA 191, all from memory; counts by hand."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.desk.load import PRIORITY_TARGET, Call, alarm_load
from steadyhead.desk.load_views import AlarmLoad, Stale

DAY = 86400


def call(at_s: int, station: str = "elm", condition: str = "drift", priority: str = "low") -> Call:
    return Call(at_s, station, condition, priority)  # type: ignore[arg-type]


def target(load: AlarmLoad, name: str) -> bool | None:
    return next(t.is_met for t in load.targets if t.name == name)


def test_a_quiet_day_meets_every_target_and_shares_are_not_judged_on_nothing() -> None:
    load = alarm_load([], [], 0, DAY)
    assert (load.calls, load.mean, load.peak, load.peak_s, load.over_share) == (0, 0.0, 0.0, None, 0.0)
    assert len(load.per_period) == 144
    assert {t.name: t.is_met for t in load.targets} == {
        "mean": True, "peak": True, "over_share": True, "stale": True, "chattering": True,
        "priority_split": None, "top_share": None,
    }  # fmt: skip


def test_mean_and_peak_are_per_operator_and_10_minutes() -> None:
    calls = [call(600 * 3 + n, f"s{n}") for n in range(8)] + [call(600 * 100, "t")]
    load = alarm_load(calls, [], 0, DAY, operators=2)
    assert load.mean == pytest.approx(9 / 2 / 144)
    assert (load.peak, load.peak_s) == (4.0, 1800)
    assert target(load, "mean") is True


def test_more_than_10_in_10_minutes_is_a_flood_and_10_is_none() -> None:
    ten = [call(n, f"s{n}") for n in range(10)]
    assert alarm_load(ten, [], 0, DAY).floods == ()
    eleven = [*ten, call(599, "t"), *[call(600 + n, f"u{n}") for n in range(11)]]
    load = alarm_load(eleven, [], 0, DAY)
    assert [(f.from_s, f.to_s, f.calls) for f in load.floods] == [(0, 1200, 22)]
    assert load.over_share == pytest.approx(2 / 144)
    assert target(load, "over_share") is False
    assert target(load, "peak") is False
    assert alarm_load(eleven, [], 0, DAY, operators=2).floods == ()


def test_a_flood_at_the_end_of_the_span_is_closed() -> None:
    load = alarm_load([call(DAY - 1, f"s{n}") for n in range(11)], [], 0, DAY)
    assert [(f.from_s, f.to_s) for f in load.floods] == [(DAY - 600, DAY)]


def test_three_calls_within_an_hour_are_chattering_and_slower_ones_are_not() -> None:
    fast = [call(t) for t in (0, 1800, 3600)]
    slow = [call(t, "oak") for t in (0, 1801, 3601)]
    load = alarm_load(sorted(fast + slow, key=lambda c: c.at_s), [], 0, DAY)
    assert [(f.station, f.condition, f.calls) for f in load.chattering] == [("elm", "drift", 3)]
    assert target(load, "chattering") is False


def test_the_priority_split_is_set_beside_80_15_5() -> None:
    assert PRIORITY_TARGET == {"low": 0.80, "medium": 0.15, "high": 0.05}  # from memory, both sources
    good = [call(n, f"s{n}", priority="low") for n in range(80)]
    good += [call(n, f"m{n}", priority="medium") for n in range(15)]
    good += [call(n, f"h{n}", priority="high") for n in range(5)]
    load = alarm_load(good, [], 0, DAY)
    assert {p: part.share for p, part in load.priorities.items()} == pytest.approx(PRIORITY_TARGET)
    assert target(load, "priority_split") is True
    upside_down = [call(c.at_s, c.station, priority={"low": "high", "high": "low"}.get(c.priority, "medium"))
                   for c in good]  # fmt: skip
    assert target(alarm_load(upside_down, [], 0, DAY), "priority_split") is False


def test_the_top_ten_go_by_calls_and_then_by_name() -> None:
    calls = [call(n, f"s{n:02d}") for n in range(12)] + [call(50, "s11"), call(60, "s05", "creep")]
    load = alarm_load(calls, [], 0, DAY)
    assert [(f.station, f.condition, f.calls) for f in load.top][:3] == [
        ("s11", "drift", 2), ("s00", "drift", 1), ("s01", "drift", 1),
    ]  # fmt: skip
    assert len(load.top) == 10
    assert load.top_share == pytest.approx(11 / 14)


@pytest.mark.parametrize(("n", "is_met"), [(4, True), (5, False)])
def test_fewer_than_5_stale_are_wanted(n: int, is_met: bool) -> None:
    stale = [Stale(str(i), "elm", "drift", "low", 2 * DAY) for i in range(n)]
    assert target(alarm_load([], stale, 0, DAY), "stale") is is_met


def test_every_target_says_its_source() -> None:
    for one in alarm_load([], [], 0, DAY).targets:
        assert "from memory" in one.source
        assert one.wanted


spans = st.integers(1, 3 * DAY)


@given(span_s=spans, at=st.lists(st.floats(0.0, 0.999999), max_size=60), operators=st.integers(1, 5))
def test_periods_hold_every_call_once(span_s: int, at: list[float], operators: int) -> None:
    calls = [call(1000 + int(x * span_s), f"s{n % 4}") for n, x in enumerate(sorted(at))]
    load = alarm_load(calls, [], 1000, 1000 + span_s, operators)
    assert sum(load.per_period) == load.calls == len(calls)
    assert load.peak * operators == max(load.per_period)
    assert sum(part.calls for part in load.priorities.values()) == len(calls)
    assert 0.0 <= load.top_share <= 1.0 + 1e-9
    assert sum(f.calls for f in load.floods) <= len(calls)
