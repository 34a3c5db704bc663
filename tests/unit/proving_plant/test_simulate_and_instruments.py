"""Runs repeat, can be cut and forked; instruments do what they say."""

from dataclasses import replace

import numpy as np
import pytest

from steadyhead.errors import PlantError
from steadyhead.proving_plant import (
    District,
    Event,
    Fault,
    Instruments,
    NightWithout,
    Scenario,
    StationDesign,
    healthy_twin,
    kernel,
    simulate,
    simulate_with_twin,
)
from steadyhead.proving_plant.district import pattern
from steadyhead.proving_plant.instruments import held_on_change
from steadyhead.proving_plant.noise import Lag, Wander, stream
from steadyhead.proving_plant.simulate import fixed_of, healthy_columns, local_clock, scheduled_set, settled

DAY_S = 86400
START_S = Scenario("start").start_s


@pytest.fixture
def plain() -> Scenario:
    return Scenario("plain", duration_s=2 * DAY_S, seed=4)


def test_same_seed_same_log_other_seed_another(plain) -> None:
    first, again, other = simulate(plain), simulate(plain), simulate(replace(plain, seed=5))
    np.testing.assert_array_equal(first.readings.outlet_kpa, again.readings.outlet_kpa)
    assert not np.array_equal(first.readings.outlet_kpa, other.readings.outlet_kpa)


def test_run_with_twin_equals_the_two_run_alone(plain) -> None:
    scenario = replace(plain, faults=(Fault("spring_relaxed", START_S + DAY_S + 7200, 0.0, 0.3),))
    run, twin = simulate_with_twin(scenario)
    for together, alone in ((run, simulate(scenario)), (twin, simulate(healthy_twin(scenario)))):
        np.testing.assert_array_equal(together.readings.outlet_kpa, alone.readings.outlet_kpa)
        np.testing.assert_array_equal(together.minutes.flow_mean_lps, alone.minutes.flow_mean_lps)


def test_kernel_cut_on_a_minute_gives_the_same_water() -> None:
    design = StationDesign()
    rows = healthy_columns(design, 20)
    rows[:, 0] = design.set_kpa + design.spring_above_kpa
    rng = np.random.default_rng(1)
    demand, source = rng.uniform(3.0, 9.0, 1200), rng.uniform(600.0, 660.0, 1200)
    whole = kernel.run(fixed_of(design), rows, demand, source, settled(design))
    state = settled(design)
    parts = [
        kernel.run(fixed_of(design), rows[a:b], demand[60 * a : 60 * b], source[60 * a : 60 * b], state)
        for a, b in ((0, 7), (7, 20))
    ]
    np.testing.assert_array_equal(np.concatenate(parts), whole)


def test_future_changes_nothing_before_it(plain) -> None:
    late = replace(plain, faults=(Fault("diaphragm_torn", START_S + DAY_S, 0.0, 0.9),))
    a, b = simulate(plain), simulate(late)
    np.testing.assert_array_equal(a.readings.outlet_kpa[:1440], b.readings.outlet_kpa[:1440])


@pytest.mark.parametrize("interval_s", [1, 5, 60, 300, 900])
def test_rows_lie_on_the_grid_at_every_interval(plain, interval_s) -> None:
    scenario = replace(plain, duration_s=DAY_S, instruments=Instruments(interval_s=interval_s))
    readings = simulate(scenario).readings
    assert len(readings) == DAY_S // interval_s
    assert readings.step_s == interval_s
    assert readings.start_s == START_S


def test_averaged_row_is_the_mean_of_the_interval_before_it(plain) -> None:
    clean = Instruments(
        interval_s=900,
        averaged=True,
        pressure_noise_kpa=0.0,
        pressure_lag_s=0.0,
        pressure_resolution_kpa=0.0,
        gaps_per_week=0.0,
    )
    run = simulate(replace(plain, instruments=clean), keep_seconds=True)
    assert run.seconds is not None
    by_hand = run.seconds[:, 0].reshape(-1, 900).mean(axis=1)
    np.testing.assert_allclose(run.readings.outlet_kpa[1:], by_hand[:-1], rtol=1e-5)


def test_missing_channels_are_all_nan(plain) -> None:
    readings = simulate(
        replace(plain, duration_s=DAY_S, instruments=Instruments(has_flow=False, has_inlet=False))
    ).readings
    assert np.isnan(readings.flow_lps).all()
    assert np.isnan(readings.inlet_kpa).all()
    assert np.isnan(readings.neighbour_kpa).all()


def test_commanded_station_logs_its_command_and_follows_it() -> None:
    design = StationDesign(schedule=((5.0, 400.0), (23.0, 350.0)))
    scenario = Scenario("timed", design, Instruments(has_command=True), duration_s=2 * DAY_S)
    readings = simulate(scenario).readings
    night = slice(1440 + 2 * 60, 1440 + 4 * 60)
    noon = slice(1440 + 11 * 60, 1440 + 13 * 60)
    assert np.nanmedian(readings.command_kpa[night]) == 350.0
    assert np.nanmedian(readings.outlet_kpa[night]) == pytest.approx(350.0, rel=0.01)
    assert np.nanmedian(readings.outlet_kpa[noon]) == pytest.approx(400.0, rel=0.01)


def test_meter_reads_zero_below_its_cutoff(plain) -> None:
    cut = simulate(replace(plain, instruments=Instruments(cutoff_lps=6.0, gaps_per_week=0.0)))
    logged = cut.readings.flow_lps
    assert (logged == 0.0).any()
    assert logged[logged > 0.0].min() >= 6.0
    assert cut.minutes.flow_mean_lps.min() > 2.0


def test_on_change_holds_until_the_deadband_or_the_heartbeat() -> None:
    values = np.array([10.0, 10.4, 10.9, 11.1, 11.2, np.nan, 11.3, 11.3, 11.3])
    np.testing.assert_array_equal(
        held_on_change(values, 1.0, 4), [10.0, 10.0, 10.0, 11.1, 11.1, np.nan, 11.1, 11.3, 11.3]
    )


def test_gap_loses_every_channel_and_only_for_a_while(plain) -> None:
    instruments = Instruments(gaps_per_week=60.0, gap_minutes=20.0)
    readings = simulate(replace(plain, instruments=instruments)).readings
    lost = np.isnan(readings.outlet_kpa)
    assert 0 < lost.sum() < 600
    np.testing.assert_array_equal(lost, np.isnan(readings.flow_lps))


def test_swapped_tags_and_wrong_scale_reach_the_log(plain) -> None:
    begins, ends = START_S + DAY_S, START_S + 2 * DAY_S
    swapped = simulate(replace(plain, events=(Event("tags_swapped", begins, ends),))).readings
    assert np.nanmedian(swapped.outlet_kpa[1440:]) > np.nanmedian(swapped.inlet_kpa[1440:])
    psi = simulate(replace(plain, events=(Event("transmitter_scaled", begins, ends, 0.145),))).readings
    assert np.nanmedian(psi.outlet_kpa[1440:]) == pytest.approx(58.0, rel=0.02)


@pytest.mark.parametrize("interval_s", [0, 7, 100_000])
def test_interval_that_does_not_divide_a_day_is_refused(interval_s) -> None:
    with pytest.raises(PlantError, match="divides a day"):
        Instruments(interval_s=interval_s)


def test_nights_without_demand_are_exactly_zero_and_long() -> None:
    design = StationDesign(district=District(leakage_lps=0.0, night_without=NightWithout()))
    demand = simulate(Scenario("night", design, duration_s=2 * DAY_S)).minutes.demand_lps
    assert (demand[1440 + 90 : 1440 + 4 * 60] == 0.0).all()
    assert demand[1440 + 7 * 60] > 1.0


def test_demand_pattern_has_mean_one_and_two_peaks() -> None:
    local_s = np.arange(0, 7 * DAY_S, 60.0) + 4 * DAY_S  # a Monday to a Sunday
    weights = pattern(District(), local_s)
    assert weights.mean() == pytest.approx(1.0, abs=0.03)
    assert weights[7 * 60 + 30] > 1.2 > 0.7 > weights[3 * 60]


def test_local_clock_follows_the_change_to_summer_time() -> None:
    # Published: EU clocks go from 02:00 to 03:00 local on 2025-03-30 (01:00 UTC).
    start_s = 1_743_292_800  # 2025-03-30 00:00 UTC
    local = local_clock(start_s, DAY_S, "Europe/Oslo") - start_s
    assert local[3599] == 3599 + 3600
    assert local[3600] == 3600 + 7200


def test_schedule_changes_over_five_minutes_and_wraps_midnight() -> None:
    design = StationDesign(schedule=((5.0, 400.0), (23.0, 350.0)))
    at_s = np.array([0.0, 4.9, 5.0 + 2.5 / 60, 12.0, 23.5]) * 3600.0
    np.testing.assert_allclose(scheduled_set(design, at_s), [350.0, 350.0, 375.0, 400.0, 350.0])


def test_wander_keeps_its_spread_and_memory_across_cuts() -> None:
    wander = Wander(60.0)
    rng = stream(1, "test")
    values = np.concatenate([wander.take(rng, 20_000) for _ in range(10)])
    assert values.std() == pytest.approx(1.0, abs=0.1)
    # By hand: an AR(1) of 60 s memory is correlated exp(-1) after 60 s.
    assert np.corrcoef(values[:-60], values[60:])[0, 1] == pytest.approx(np.exp(-1.0), abs=0.08)


def test_lag_answers_a_step_to_63_percent_in_its_time() -> None:
    lag = Lag(10.0)
    lag.take(np.zeros(5))
    assert lag.take(np.ones(10))[-1] == pytest.approx(1.0 - np.exp(-1.0), rel=1e-6)
