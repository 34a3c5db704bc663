"""The learning span as columns: gathered by blocks, masked by time, and the clock of the week beside it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from steadyhead.profile.expect import around, week_quarter
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.lockup import _quantile
from steadyhead.profile.setpoint import group_quantile
from steadyhead.profile.span import BLOCK_TICKS, CALIBRATE_S, block_means, gather
from steadyhead.readings.frame import Readings, regular
from steadyhead.readings.ticks import condense, new_memory

DAY_S = 86_400
OCT_2025_S = 1_759_276_800  # 2025-10-01 00:00 UTC


def log(days: int, step_s: int, start_s: int = OCT_2025_S) -> Readings:
    rng = np.random.default_rng(3)
    n = days * DAY_S // step_s
    outlet = 400 + rng.normal(0, 1.0, n)
    outlet[rng.random(n) < 0.02] = np.nan
    flow = 10 + 4 * np.sin(np.arange(n) * step_s / DAY_S * 2 * np.pi) + rng.normal(0, 0.2, n)
    flow[rng.random(n) < 0.02] = np.nan
    inlet = 640 + rng.normal(0, 4.0, n)
    return regular("made_up", start_s, step_s, outlet, inlet_kpa=inlet, flow_lps=flow)


@pytest.mark.parametrize(("days", "step_s"), [(4, 7), (120, 60), (10, 900), (200, 900)])
def test_gathering_by_blocks_gives_what_one_block_gives(days: int, step_s: int) -> None:
    readings = log(days, step_s, OCT_2025_S // step_s * step_s)
    whole = condense(readings, new_memory(), 2.0, 60.0)
    s = gather(readings, "UTC", 2.0, 60.0)
    assert (s.start_s, s.tick_s, len(s)) == (whole.start_s, whole.tick_s, len(whole))
    for name in ("outlet_kpa", "inlet_kpa", "flow_lps", "command_kpa"):
        np.testing.assert_array_equal(getattr(s, name), whole.table[name])
    n_recent = min(len(whole), CALIBRATE_S // whole.tick_s)
    assert s.recent.start_s == whole.start_s + (len(whole) - n_recent) * whole.tick_s
    for name in whole.table.dtype.names:
        np.testing.assert_array_equal(s.recent.table[name], whole.table[name][-n_recent:])


def test_a_long_span_is_gathered_in_several_blocks() -> None:
    # guard: the case of 120 days above is only worth something while it needs more than one
    assert 2 * BLOCK_TICKS < 30 * 1440


def test_parts_are_masked_with_both_ends() -> None:
    s = gather(log(4, 900), "UTC", 2.0, 60.0)
    times_s = s.start_s + s.tick_s * np.arange(len(s))
    parts = [(OCT_2025_S - 5000.0, OCT_2025_S + 1800.0), (OCT_2025_S + 90_001.0, OCT_2025_S + 99_000.0)]
    expected = ~np.isnan(s.outlet_kpa)
    for from_s, to_s in parts:
        expected &= ~((times_s >= from_s) & (times_s <= to_s))
    np.testing.assert_array_equal(s.without(parts).keep, expected)
    np.testing.assert_array_equal(s.without([]).keep, ~np.isnan(s.outlet_kpa))


@pytest.mark.parametrize("zone", ["UTC", "Europe/London", "America/Chicago", "Australia/Lord_Howe"])
def test_the_quarter_of_the_week_is_the_local_clock(zone: str) -> None:
    # Independent: pandas. The span holds the end of summer time in Europe and America 2025.
    n = 40 * 96
    times = pd.to_datetime(OCT_2025_S + 900 * np.arange(n), unit="s", utc=True).tz_convert(zone)
    expected = times.day_of_week * 96 + times.hour * 4 + times.minute // 15
    np.testing.assert_array_equal(week_quarter(OCT_2025_S, 900, n, zone), expected)


def test_what_is_expected_is_set_and_droop_and_inlet() -> None:
    readings = log(8, 300)
    profile = learn(readings, Known(time_zone="America/Chicago"))
    ticks = condense(readings, new_memory(), 2.0, 60.0)
    found = around(profile, ticks)
    # Independent: numpy's interp over the learned knots, the robust slope beyond the last
    knots = np.asarray(profile.droop.flow_lps)
    local = pd.to_datetime(ticks.start_s + 300 * np.arange(len(ticks)), unit="s", utc=True)
    local = local.tz_convert("America/Chicago")
    hours = local.day_of_week * 24 + local.hour
    usual = np.asarray(profile.rhythm.usual_lps)[hours]
    flow = np.where(np.isnan(ticks.table["flow_lps"]), usual, ticks.table["flow_lps"])
    droop = np.interp(flow, knots, profile.droop.offset_kpa)
    droop += profile.droop.slope_kpa_per_lps * np.maximum(flow - knots[-1], 0.0)
    inlet = profile.droop.inlet_ratio * (ticks.table["inlet_kpa"] - profile.droop.inlet_kpa)
    np.testing.assert_allclose(found[:, 0], profile.set_pressure.typical_kpa + droop + inlet, rtol=1e-12)
    np.testing.assert_allclose(found[:, 5], local.hour + local.minute / 60, atol=1e-12)
    np.testing.assert_array_equal(found[:, 4], np.asarray(profile.rhythm.zero_share)[hours])


def test_group_quantiles_are_those_of_numpy() -> None:
    rng = np.random.default_rng(1)
    values, group = rng.normal(size=5000), rng.integers(0, 40, 5000)
    group[group == 7] = 8
    found = group_quantile(values, group, 40, 0.3)
    assert np.isnan(found[7])
    for i in set(range(40)) - {7}:
        assert found[i] == np.quantile(values[group == i], 0.3, method="lower")


@pytest.mark.parametrize("n", [1, 2, 5, 100])
@pytest.mark.parametrize("q", [0.0, 0.5, 0.95, 1.0])
def test_a_nights_quantile_is_that_of_numpy(n: int, q: float) -> None:
    values = np.random.default_rng(n).normal(size=n + 3)
    values[:3] = np.nan
    assert _quantile(values, q) == pytest.approx(np.nanquantile(values, q), rel=1e-12)
    assert np.isnan(_quantile(values[:3], q))


def test_block_means_leave_out_what_is_missing() -> None:
    values = np.array([1.0, np.nan, 3.0, np.nan, np.nan, np.nan, 4.0, 5.0, 6.0, 7.0])
    np.testing.assert_array_equal(block_means(values, 3), [2.0, np.nan, 5.0])
