"""Figures of a station that are not over time, on signals whose answer is known by hand."""

import numpy as np
import pytest

from steadyhead.profile.model import Droop, LockUp
from steadyhead.readings.frame import regular
from steadyhead.report.figures import (
    LEAST_CLOSED_S,
    MOST_CLOSED,
    MOST_DOTS,
    closed_figure,
    droop_figure,
    swing_figure,
)


class ProfileOf:
    """The parts of a profile that figures look at."""

    def __init__(self, lock_up=None, droop=None, set_kpa=400.0):
        self.lock_up = lock_up or LockUp(0, 0.0, 0.0, 0.0, 0.1)
        self.droop = droop or Droop((), (), 0.0, 0.0, 0.0)
        self.set_pressure = type("Set", (), {"typical_kpa": set_kpa})()


def test_dots_are_pairs_of_one_moment_and_few():
    n = 10_000
    flow = np.linspace(0, 20, n)
    outlet = 400 - 0.5 * flow
    outlet[::2] = np.nan
    figure = droop_figure(regular("a", 0, 60, outlet, flow_lps=flow), None)
    assert len(figure.flow_lps) == MOST_DOTS
    assert figure.outlet_kpa == pytest.approx(400 - 0.5 * figure.flow_lps)
    assert figure.times_s[0] == 60
    assert figure.times_s[-1] == 60 * (n - 1)
    assert figure.why_not is None


def test_the_learned_curve_stands_on_the_set_pressure():
    profile = ProfileOf(droop=Droop((0.0, 10.0), (2.0, -3.0), -0.5, 0.0, 650.0))
    figure = droop_figure(regular("a", 0, 60, np.full(5, 400.0), flow_lps=np.full(5, 1.0)), profile)
    assert figure.learned_outlet_kpa.tolist() == [402.0, 397.0]


@pytest.mark.parametrize(
    ("flow", "told"),
    [(None, "No flow was measured"), (np.where(np.arange(9) < 4, 1.0, np.nan), "both outlet")],
)
def test_without_pairs_it_says_why(flow, told):
    outlet = np.where(np.arange(9) < 4, np.nan, 400.0)
    figure = droop_figure(regular("a", 0, 60, outlet, flow_lps=flow), None)
    assert told in figure.why_not
    assert len(figure.flow_lps) == 0


def night(minutes, rise_kpa, inlet_kpa=800.0):
    """An hour of flow, a closed period in which the outlet climbs in a straight line, an hour of flow."""
    flow = np.concatenate([np.full(60, 5.0), np.zeros(minutes), np.full(60, 5.0)])
    outlet = np.concatenate(
        [np.full(60, 400.0), 410.0 + np.linspace(0, rise_kpa, minutes), np.full(60, 400.0)]
    )
    return flow, outlet, np.full(len(flow), inlet_kpa)


def test_a_closed_night_is_measured():
    flow, outlet, inlet = night(200, 100.0)
    profile = ProfileOf(LockUp(5, 410.0, 10.0, 0.02, 0.1))
    figure = closed_figure(regular("a", 0, 60, outlet, flow_lps=flow, inlet_kpa=inlet), profile, None)
    (period,) = figure.periods
    assert (period.from_s, period.to_s) == (3600, 3600 + 200 * 60)
    # By hand: a straight line of 100 kPa over 200 rows; the first and last 20 rows have their medians at
    # 9.5 and 189.5 of 199 steps, the 95 % point lies at step 189.05.
    assert period.first_kpa == pytest.approx(410 + 100 * 9.5 / 199)
    assert period.last_kpa == pytest.approx(410 + 100 * 189.5 / 199)
    assert period.highest_kpa == pytest.approx(410 + 100 * 189.05 / 199)
    assert period.rise_kpa == pytest.approx(100 * 180 / 199)
    assert period.way == pytest.approx((100 * 189.5 / 199) / 390)  # lock-up 410, inlet 800
    assert figure.lock_up_kpa == 410.0


@pytest.mark.parametrize(("minutes", "n"), [(19, 0), (20, 1)])
def test_only_periods_of_twenty_minutes_count(minutes, n):
    flow, outlet, _ = night(minutes, 0.0)
    figure = closed_figure(regular("a", 0, 60, outlet, flow_lps=flow), None, 0.05)
    assert len(figure.periods) == n
    assert (figure.why_not is None) == bool(n)
    assert LEAST_CLOSED_S == 20 * 60


def test_a_gap_in_the_flow_ends_a_period():
    flow, outlet, _ = night(60, 0.0)
    flow[85] = np.nan
    periods = closed_figure(regular("a", 0, 60, outlet, flow_lps=flow), None, None).periods
    assert [(p.to_s - p.from_s) // 60 for p in periods] == [25, 34]


def test_without_inlet_or_lock_up_the_way_is_unknown():
    flow, outlet, inlet = night(60, 10.0)
    (period,) = closed_figure(regular("a", 0, 60, outlet, flow_lps=flow), ProfileOf(), None).periods
    assert np.isnan(period.way)
    assert np.isnan(period.inlet_kpa)
    (period,) = closed_figure(regular("a", 0, 60, outlet, flow_lps=flow, inlet_kpa=inlet), None, None).periods
    assert np.isnan(period.way)
    assert period.inlet_kpa == 800.0


def test_a_period_without_any_outlet_is_left_out():
    flow, outlet, _ = night(60, 10.0)
    outlet[60:120] = np.nan
    figure = closed_figure(regular("a", 0, 60, outlet, flow_lps=flow), None, None)
    assert figure.periods == ()


def test_the_latest_periods_are_kept_and_the_rest_counted():
    flow = np.tile(np.concatenate([np.zeros(20), [5.0]]), MOST_CLOSED + 7)
    figure = closed_figure(regular("a", 0, 60, np.full(len(flow), 400.0), flow_lps=flow), None, None)
    assert (len(figure.periods), figure.left_out) == (MOST_CLOSED, 7)
    assert figure.periods[-1].to_s == 60 * (len(flow) - 1)


@pytest.mark.parametrize(("period_s", "amplitude_kpa"), [(40.0, 6.0), (300.0, 2.5)])
def test_a_sine_is_found_with_its_period_and_amplitude(period_s, amplitude_kpa):
    # By hand: the whole span of 4096 s holds the sine, so its amplitude by period peaks at its own.
    times = np.arange(4096.0)
    outlet = 400 + amplitude_kpa * np.sin(2 * np.pi * times / period_s)
    figure = swing_figure(regular("a", 0, 1, outlet))
    assert figure.strongest_s == pytest.approx(period_s, rel=period_s / 4096)
    # Between two points of the spectrum at most 15 % is lost with a Hann window (1.42 dB, from memory).
    assert 0.85 * amplitude_kpa <= figure.strongest_kpa <= 1.001 * amplitude_kpa
    assert figure.shortest_s == 2.0


def test_the_busiest_stretch_is_shown():
    rng = np.random.default_rng(0)
    outlet = 400 + rng.normal(0, 0.1, 20_000)
    outlet[12_000:13_000] += 5 * np.sin(2 * np.pi * np.arange(1000) / 30)
    figure = swing_figure(regular("a", 0, 1, outlet))
    assert figure.times_s[0] >= 11_000
    assert figure.times_s[-1] <= 14_000
    assert np.ptp(figure.outlet_kpa) > 9
    assert figure.strongest_s == pytest.approx(30, rel=0.02)


@pytest.mark.parametrize("n", [0, 1, 31])
def test_too_few_readings_say_so(n):
    figure = swing_figure(regular("a", 0, 60, np.full(n, 400.0)))
    assert figure.why_not == "There are fewer than 32 readings of the outlet in this span."
    assert len(figure.times_s) == 0


def test_gaps_are_bridged_and_shown_as_gaps():
    outlet = 400 + np.sin(2 * np.pi * np.arange(200) / 20)
    outlet[50:60] = np.nan
    figure = swing_figure(regular("a", 0, 60, outlet))
    assert np.isnan(figure.outlet_kpa).sum() == 10
    assert figure.strongest_s == pytest.approx(1200, rel=0.1)


def test_the_readings_are_left_as_they_were():
    flow, outlet, inlet = night(60, 10.0)
    readings = regular("a", 0, 60, outlet.copy(), flow_lps=flow.copy(), inlet_kpa=inlet.copy())
    droop_figure(readings, None), closed_figure(readings, None, None), swing_figure(readings)
    assert (readings.outlet_kpa == outlet).all()
    assert (readings.flow_lps == flow).all()
