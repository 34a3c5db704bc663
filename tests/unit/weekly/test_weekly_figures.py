"""Every family of figures on hand-made series with known answers, and against outside sources."""

import numpy as np
import pytest
from fluids.control_valve import cavitation_index as fluids_sigma
from iapws import IAPWS97
from scipy import stats
from weekly_hands import INLET_KPA, SET_KPA, WEEK, look, one_week, profile, rows_of, station

from steadyhead.weekly.families.alerts import Episode, alerts
from steadyhead.weekly.families.cavitation import cavitation
from steadyhead.weekly.families.closed import closed, closed_periods
from steadyhead.weekly.families.completeness import completeness
from steadyhead.weekly.families.droop import droop, learned_droop_kpa
from steadyhead.weekly.families.hunting import covered_s, hunting
from steadyhead.weekly.families.inlet import inlet
from steadyhead.weekly.families.kv_reserve import kv_reserve, learned_reserve
from steadyhead.weekly.families.night_flow import learned_night_flow_lps, night_flow
from steadyhead.weekly.families.regulation import regulation
from steadyhead.weekly.families.scatter import scatter
from steadyhead.weekly.week import Week

N = 10080  # minutes of a week


def test_departure_is_the_mean_and_the_95_percentile_of_the_distance_from_set():
    ramp = np.linspace(0.0, 10.0, N)
    found = regulation(look(one_week(SET_KPA + ramp * np.where(np.arange(N) % 2, 1.0, -1.0))))
    assert found["departure_mean"].value == pytest.approx(5.0)
    # source: scipy mquantiles with Hyndman and Fan's definition 7
    expected = float(stats.mstats.mquantiles(ramp, 0.95, alphap=1.0, betap=1.0)[0])
    assert found["departure_p95"].value == pytest.approx(expected) == pytest.approx(9.5, abs=1e-9)


def test_level_is_signed_and_a_median():
    outlet = np.full(N, SET_KPA - 3.0)
    outlet[:100] = 900.0
    assert regulation(look(one_week(outlet)))["level"].value == pytest.approx(-3.0)


def test_starved_and_shut_minutes_do_not_count_as_departures():
    outlet, inlet_kpa, flow = np.full(N, SET_KPA + 1.0), np.full(N, INLET_KPA), np.full(N, 10.0)
    outlet[2000:3000], inlet_kpa[2000:3000] = 250.0, 260.0  # no inlet, and an hour after it to come back
    outlet[3000:3060] = 300.0
    outlet[5000:6000], flow[5000:6000] = 460.0, 0.0
    found = regulation(look(one_week(outlet, inlet=inlet_kpa, flow=flow)))
    assert found["departure_mean"].value == pytest.approx(1.0)


def test_droop_is_the_fall_over_the_learned_range_of_flow():
    flow = 6.0 + 4.0 * np.sin(np.arange(N) / 1440 * 2 * np.pi)
    found = droop(look(one_week(SET_KPA - 1.5 * (flow - 6.0), flow=flow)))["droop"]
    assert found.value == pytest.approx(1.5 * 8.0, rel=1e-6)  # usual flow goes from 2 to 10 L/s


def test_droop_withstands_a_burst_of_bad_means_as_a_plain_line_does_not():
    flow = 6.0 + 4.0 * np.sin(np.arange(N) / 1440 * 2 * np.pi)
    noise = np.random.default_rng(4).normal(0.0, 0.3, N)
    outlet = SET_KPA - 1.5 * (flow - 6.0) + noise
    outlet[600:1000] += 60.0
    assert droop(look(one_week(outlet, flow=flow)))["droop"].value == pytest.approx(12.0, abs=0.6)


def test_droop_is_not_judged_where_flow_hardly_moves():
    found = droop(look(one_week(SET_KPA, flow=10.0)))["droop"]
    assert (found.value, found.why_not) == (None, "the flow moved too little for a line")


def test_learned_droop_is_of_the_same_range():
    learned = profile()
    from dataclasses import replace

    learned = replace(learned, droop=replace(learned.droop, slope_kpa_per_lps=-2.0))
    assert learned_droop_kpa(learned) == pytest.approx(16.0)


def test_scatter_is_the_spread_about_the_hour():
    noise = np.random.default_rng(8).normal(0.0, 2.0, N)
    hourly = np.repeat(np.random.default_rng(9).normal(0.0, 20.0, N // 60), 60)
    readings = one_week(SET_KPA + noise + hourly)
    strayed = noise.reshape(-1, 60) - noise.reshape(-1, 60).mean(axis=1, keepdims=True)
    # source: scipy.stats.median_abs_deviation, scale="normal"
    expected = float(stats.median_abs_deviation(strayed.ravel(), scale="normal"))
    assert scatter(look(readings))["scatter"].value == pytest.approx(expected, rel=0.01)
    assert expected == pytest.approx(2.0, rel=0.05)


def test_hours_of_hunting_are_counted_once():
    from_s, _ = rows_of()
    hour = 3600
    episodes = [
        Episode("hunting", from_s - 5 * hour, from_s - hour, from_s + 2 * hour),  # 2 h of it in the week
        Episode("hunting", from_s + hour, from_s + hour, from_s + 3 * hour),  # 1 h more
        Episode("drift", from_s, from_s, None),
        Episode("hunting", from_s + 100 * hour, from_s + 101 * hour, None),  # 68 h to the last reading
    ]
    assert hunting(look(one_week(SET_KPA)), episodes)["hunting_hours"].value == pytest.approx(71.0, abs=0.02)


def test_hunting_is_not_counted_beyond_the_last_reading():
    outlet = np.full(N, SET_KPA)
    outlet[600:] = np.nan
    from_s, _ = rows_of()
    found = hunting(look(one_week(outlet)), [Episode("hunting", from_s, from_s, None)])
    assert found["hunting_hours"].value == pytest.approx(10.0, abs=0.02)


def test_spans_that_touch_or_lie_within_each_other():
    assert covered_s([(0, 10), (10, 20), (2, 3), (30, 30), (50, 40)]) == 20


def test_creep_is_the_share_of_the_way_from_lock_up_to_inlet():
    outlet, flow = np.full(N, SET_KPA), np.full(N, 10.0)
    for night in range(7):
        rows = slice(night * 1440 + 60, night * 1440 + 300)  # four hours
        flow[rows] = 0.0
        outlet[rows] = SET_KPA + 10.0 + np.linspace(0.0, 290.0 * 0.1 * (night == 3), 240)
    found = closed(look(one_week(outlet, flow=flow)))
    # by hand: inlet 700, lock-up 410, so the way is 290; the last tenth of the climb has its median at 0.0952
    assert found["creep_way"].value == pytest.approx(0.1 * (1 - 12 / 240), abs=0.002)
    assert found["lock_up_rise"].value == pytest.approx(10.0)
    assert len(closed_periods(look(one_week(outlet, flow=flow)))) == 7


def test_short_stops_are_no_closed_periods_and_a_week_without_is_said():
    flow = np.full(N, 10.0)
    flow[100:115] = 0.0
    found = closed(look(one_week(SET_KPA, flow=flow)))
    assert found["lock_up_rise"].why_not == "the flow never stopped for 20 minutes"


def test_kv_reserve_at_peak():
    flow = np.full(N, 2.0)
    flow[1000:1400] = 10.0
    found = kv_reserve(look(one_week(SET_KPA, inlet=SET_KPA + 100.0, flow=flow)))["kv_reserve"]
    # source: IEC 60534-2-1, 10 L/s at 100 kPa is Kv 36.0; the open valve has 120
    assert found.value == pytest.approx(1.0 - 36.0 / 120.0)
    assert learned_reserve(profile()) == pytest.approx(0.5)


def test_hours_below_the_cavitation_limit():
    outlet = np.full(N, 400.0)
    outlet[:600] = 300.0
    flow = np.full(N, 10.0)
    flow[:60] = 0.0  # no flow, no cavitation
    readings = one_week(outlet, inlet=800.0, flow=flow)
    vapour = IAPWS97(T=288.15, x=0).P * 1e6  # source: IAPWS-IF97 by the package iapws
    low, high = (fluids_sigma(P1=800e3 + 101325, P2=p * 1e3 + 101325, Psat=vapour) for p in (300.0, 400.0))
    assert low < 2.0 < high  # source: fluids.control_valve.cavitation_index, ISA-RP75.23: 1.80 and 2.25
    assert cavitation(look(readings), 2.0)["sigma_hours"].value == pytest.approx(9.0)
    assert cavitation(look(readings), low - 1e-3)["sigma_hours"].value == 0.0
    assert cavitation(look(readings), high + 1e-3)["sigma_hours"].value == pytest.approx(167.0)


def test_without_a_meter_hours_of_low_sigma_say_so():
    found = cavitation(look(one_week(300.0, inlet=800.0, flow=None)), 2.0)["sigma_hours"]
    assert found.value == pytest.approx(168.0)
    assert "no meter" in (found.note or "")


def test_inlet_is_adequate_while_the_least_differential_is_there():
    pressure = np.full(N, INLET_KPA)
    pressure[: N // 4] = SET_KPA + 60.0  # the profile wants 70
    assert inlet(look(one_week(SET_KPA, inlet=pressure)))["inlet_share"].value == pytest.approx(0.75)


def test_night_flow_is_the_median_of_the_nights():
    flow = np.full(N, 10.0)
    for night, level in enumerate((1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 70.0)):
        flow[night * 1440 + 120 : night * 1440 + 240] = level
    found = night_flow(look(one_week(SET_KPA, flow=flow)))["night_flow"]
    assert found.value == pytest.approx(4.0, abs=0.05)
    assert found.note == "from 7 nights"
    assert learned_night_flow_lps(profile()) == 2.0


@pytest.mark.parametrize(("text", "hours"), [("2025-W13", 167), ("2025-W43", 169)])
def test_nights_of_a_clock_change_are_read_on_the_clock(text, hours):
    """In Oslo 02:00 to 03:00 is left out on 30 March 2025 and comes twice on 26 October 2025."""
    week, zone = Week.parse(text), "Europe/Oslo"
    from_s, n = rows_of(week, zone)
    assert n == hours * 60
    import datetime
    from zoneinfo import ZoneInfo

    local = [datetime.datetime.fromtimestamp(from_s + 60 * k, ZoneInfo(zone)) for k in range(n)]
    flow = np.array([3.0 if at.hour in (2, 3) else 10.0 for at in local])
    readings = one_week(SET_KPA, flow=flow, week=week, time_zone=zone)
    seen = look(readings, profile(time_zone=zone), station(time_zone=zone))
    found = night_flow(seen)["night_flow"]
    assert (found.value, found.note) == (pytest.approx(3.0), "from 7 nights")
    assert completeness(seen)["completeness"].value == pytest.approx(1.0)


def test_completeness_counts_rows_of_the_week_and_names_poorer_channels():
    outlet, inlet_kpa = np.full(N, SET_KPA), np.full(N, INLET_KPA)
    outlet[:1008] = np.nan
    inlet_kpa[: N // 2] = np.nan
    found = completeness(look(one_week(outlet, inlet=inlet_kpa)))["completeness"]
    assert found.value == pytest.approx(0.9)
    assert found.note == "inlet 50 %"


def test_alerts_are_counted_and_timed():
    hour = 3600
    episodes = [
        Episode("drift", 0, 10 * hour, 20 * hour, 12 * hour),
        Episode("creep", 0, 30 * hour, None, 36 * hour),
        Episode("hunting", 0, 40 * hour, 70 * hour, None),
        Episode("hunting", 0, 200 * hour, None, None),  # after the week
        Episode("drift", 0, -5 * hour, 5 * hour, None),  # from the week before
    ]
    found = alerts(episodes, 0, 168 * hour, has_desk=True, why_not=None)
    assert found["alerts_raised"].value == 3
    assert found["alerts_standing"].value == 1
    assert found["time_to_acknowledge"].value == 4 * hour  # median of 2 and 6 h
    assert found["time_to_acknowledge"].note == "1 not acknowledged"
    assert found["time_to_clear"].value == 10 * hour  # median of 10, 10 and 30 h
    assert alerts(episodes, 0, 168 * hour, has_desk=False, why_not=None)["time_to_acknowledge"].value is None


def test_too_few_hours_are_said_and_no_zero_is_made_up():
    outlet = np.full(N, np.nan)
    outlet[:600] = SET_KPA
    seen = look(one_week(outlet))
    for found in (*regulation(seen).values(), *scatter(seen).values(), *droop(seen).values()):
        assert found.value is None
        assert found.why_not == "the station regulated for less than 12 h"
    nothing = look(one_week(np.nan, inlet=np.nan, flow=np.nan))
    for family in (regulation, scatter, droop, closed, kv_reserve, inlet, night_flow):
        assert all(v.value is None and v.why_not for v in family(nothing).values()), family
    assert completeness(nothing)["completeness"].value == 0.0


def test_no_family_changes_the_readings():
    outlet = SET_KPA + np.random.default_rng(1).normal(0, 1, N)
    readings = one_week(outlet)
    seen = look(readings)
    for family in (regulation, droop, scatter, closed, kv_reserve, inlet, night_flow, completeness):
        family(seen)
    assert np.array_equal(readings.outlet_kpa, outlet)
    assert WEEK.bounds_s("UTC")[0] == readings.start_s
