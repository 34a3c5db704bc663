"""Thresholds from the station's own history, each way of getting them held against another."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import gumbel_r

from steadyhead.conditions.scene import gains
from steadyhead.engine import State, healthy_statistics, step
from steadyhead.profile.expect import around
from steadyhead.profile.known import Known
from steadyhead.profile.learn import learn
from steadyhead.profile.lockup import CREEP_OF_WAY, MOST_HEALTHY_WAY, _usual_way
from steadyhead.profile.thresholds import (
    DAYS_A_YEAR,
    DRIFT,
    ENTER,
    HUNTING,
    SUSTAINED_S,
    daily_tail,
    learn_thresholds,
    resampled_level,
    sustained_maxima,
)
from steadyhead.readings.frame import Readings, regular
from steadyhead.readings.ticks import condense, new_memory
from steadyhead.stats.ewma import ewma_chart, fixed_limit, two_sided_arl

DAY_S = 86_400


def log(
    days: int, step_s: int = 60, seed: int = 1, swing_kpa: float = 0.0, swing_hours: int = 24
) -> Readings:
    """A made-up station; for the first hours of each day it swings at 100 s, outlet and flow together."""
    rng = np.random.default_rng(seed)
    n = days * DAY_S // step_s
    at_s = np.arange(n) * step_s
    hour = at_s % DAY_S / 3600
    swing = np.where(hour < swing_hours, 0.5 * np.sin(at_s / 100 * 2 * np.pi), 0.0)
    flow = 10 + 4 * np.sin((hour - 9) / 24 * 2 * np.pi) + rng.normal(0, 0.05, n) + 0.01 * swing_kpa * swing
    outlet = 400 - 0.4 * (flow - 10) + rng.normal(0, 0.4, n) + swing_kpa * swing
    inlet = 650 + rng.normal(0, 1.0, n)
    return regular("made_up", 0, step_s, outlet, inlet_kpa=inlet, flow_lps=flow)


def test_the_tail_of_daily_maxima_is_that_of_a_gumbel_law() -> None:
    # Independent: scipy.stats.gumbel_r, the level passed with that chance a day
    law = gumbel_r(loc=0.01, scale=0.002)
    days = law.rvs(4000, random_state=1)
    assert daily_tail(days, 0.2) == pytest.approx(law.isf(0.2 / DAYS_A_YEAR), rel=0.03)
    assert np.isnan(daily_tail(np.array([0.1, 0.2, np.nan, 0.3, 0.1]), 1.0))


def test_the_engines_slow_mean_is_the_chart_that_the_tables_are_about() -> None:
    # ``stats.ewma`` is held against published run lengths; the engine's kernel has the recursion once more
    readings = log(6)
    profile = learn(readings, Known())
    ticks = condense(readings, new_memory(), 2.0, 60.0)
    departure = (readings.outlet_kpa - around(profile, ticks)[:, 0]) / profile.set_pressure.typical_kpa
    chart = np.abs(ewma_chart(departure, gains(60.0).drift))
    daily, _, _ = healthy_statistics(ticks, profile)
    np.testing.assert_allclose(daily[1:6, 0], chart.reshape(6, 1440).max(axis=1)[1:], rtol=1e-9)


def test_a_few_days_are_resampled_to_the_textbooks_limit_where_it_holds() -> None:
    # Independent: Crowder's integral equation for independent samples. The law's tail errs to the high side.
    sd, per_year, tick_s = 0.01, 5.0, 900
    weight = gains(float(tick_s)).drift
    arl = DAYS_A_YEAR / per_year * DAY_S / tick_s
    width = brentq(lambda w: two_sided_arl(w, weight) - arl, 2.0, 6.0)
    residual = np.random.default_rng(2).normal(0, sd, 4 * DAY_S // tick_s)
    found = resampled_level(residual, tick_s, per_year)
    assert found == pytest.approx(sd * fixed_limit(width, weight), rel=0.25)
    assert np.isnan(resampled_level(residual[:50], tick_s, per_year))


def test_a_short_restless_span_gets_a_wider_limit_than_the_floor() -> None:
    rng = np.random.default_rng(3)
    residual = np.repeat(rng.normal(0, 0.02, 4 * 24), 60)  # hours that lie apart
    daily = np.full((4, 4), 0.001)
    assert learn_thresholds(daily, residual, 60, 1.0)[0].drift_share > 1.1 * DRIFT[0]
    assert learn_thresholds(daily, 0.1 * residual, 60, 1.0)[0].drift_share == DRIFT[0]


def test_what_lasts_less_than_the_on_delay_is_not_counted() -> None:
    short, long = np.zeros(1440), np.zeros(1440)
    short[700 : 700 + SUSTAINED_S // 60 // 2] = 0.1
    long[700:760] = 0.1
    residual = np.concatenate([short, long, np.full(1440, np.nan)])
    found = sustained_maxima(residual, 60)
    assert found[0] < 0.04
    # the mean of 300 s has come within 0.1 % of its end in an hour
    assert found[1] == pytest.approx(0.1, rel=1e-3)
    assert found[2] == 0.0


def test_sustained_maxima_are_those_of_the_slow_way() -> None:
    residual = np.random.default_rng(4).normal(0, 0.01, 3 * 1440)
    level = np.abs(ewma_chart(residual, gains(60.0).fast))
    slow = [level[max(0, i - 7) : i + 1].min() for i in range(len(level))]
    np.testing.assert_allclose(sustained_maxima(residual, 60), np.reshape(slow, (3, 1440)).max(axis=1))


def test_failures_speak_up_later_at_a_station_that_sags_every_day() -> None:
    rng = np.random.default_rng(5)
    daily = np.full((20, 4), 0.001)
    calm = rng.normal(0, 0.002, 20 * 1440)
    sagging = calm.copy()
    for day in range(20):
        sagging[day * 1440 + 400 : day * 1440 + 430] -= 0.028 + rng.normal(0, 0.001)
    enter = [learn_thresholds(daily, r, 60, 1.0)[0].enter_share for r in (calm, sagging, 3.0 * sagging)]
    assert enter[0] == ENTER[0]
    assert 0.02 < enter[1] < ENTER[1]
    assert enter[2] == ENTER[1]


def test_creep_speaks_up_from_what_nights_show_seldom_enough() -> None:
    law = gumbel_r(loc=0.02, scale=0.002)
    nights = law.rvs(2000, random_state=6)
    per_year = 1 / 15
    entry = CREEP_OF_WAY * _usual_way(nights, 2000 * DAY_S, per_year)
    assert entry == pytest.approx(law.isf(per_year / DAYS_A_YEAR), rel=0.03)
    assert _usual_way(np.array([0.01, 0.02]), 2 * DAY_S, per_year) == pytest.approx(0.019)
    assert MOST_HEALTHY_WAY * CREEP_OF_WAY < 0.08  # the mild limit


@pytest.mark.parametrize("hours", [24, 6])
def test_hunting_that_was_always_there_does_not_become_normal(hours: int) -> None:
    # 6 % of set peak to peak, all day or in the small hours of every day
    hunting = log(5, step_s=10, swing_kpa=24.0, swing_hours=hours)
    profile = learn(hunting, Known())
    assert profile.thresholds.hunting_share <= HUNTING[1]
    assert "hunting" in [c.condition for c in step(State(), hunting, profile) if c.is_raised]
    assert any("looked like hunting" in r or "looks faulty" in r for r in profile.remarks)
