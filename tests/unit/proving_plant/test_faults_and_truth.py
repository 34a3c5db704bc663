"""Each fault pushes the outlet the way technicians know it to, and the truth says so.

Directions: common practice, no source.
"""

from dataclasses import replace

import numpy as np
import pytest

from steadyhead.errors import PlantError
from steadyhead.proving_plant import (
    EVENTS,
    FAULTS,
    Event,
    Fault,
    Neighbour,
    measure_truth,
    simulate,
    simulate_with_twin,
)
from steadyhead.proving_plant.faults import severity_at
from steadyhead.types import CONDITIONS

HOUR_S = 3600

# kind, severity, on a district with closed nights, the truth's condition
CASES = [
    ("restriction_blocked", 1.0, False, "failure_to_close"),
    ("restriction_blown_out", 0.5, False, "drift"),
    ("restriction_blown_out", 1.0, False, "failure_to_open"),
    ("strainer_blocked", 1.0, False, "failure_to_close"),
    ("opening_needle_in", 0.4, False, "slow_response"),
    ("opening_needle_in", 1.0, False, "failure_to_open"),
    ("closing_needle_in", 0.4, False, "slow_response"),
    ("closing_needle_in", 1.0, False, "failure_to_close"),
    ("diaphragm_torn", 0.8, False, "failure_to_close"),
    ("stem_travel_limited", 1.0, False, "failure_to_open"),
    ("seat_worn", 0.5, True, "creep"),
    ("seat_debris", 0.4, True, "creep"),
    ("pilot_seat_leak", 0.3, True, "creep"),
    ("pilot_seat_leak", 1.0, False, "failure_to_close"),
    ("air_in_chamber", 1.0, False, "hunting"),
    ("spring_relaxed", 0.15, False, "drift"),
    ("spring_creep_up", 0.3, False, "drift"),
    ("pilot_blocked", 0.9, False, "failure_to_open"),
    ("inlet_screen_choked", 0.9, False, "failure_to_open"),
]


@pytest.fixture
def station(bench, closed_nights):
    district = replace(closed_nights.district, night_without=None, leakage_lps=1.0, mean_demand_lps=8.0)
    return {True: closed_nights, False: replace(closed_nights, district=district)}


@pytest.mark.parametrize(("kind", "severity", "with_closed_nights", "condition"), CASES)
def test_fault_leads_to_the_condition_it_should(
    station, two_days, kind, severity, with_closed_nights, condition
) -> None:
    scenario = two_days(station[with_closed_nights])
    scenario = replace(scenario, faults=(Fault(kind, scenario.start_s + 5 * HOUR_S, 0.0, severity),))
    truth = measure_truth(*simulate_with_twin(scenario), scenario)
    assert truth.condition == condition
    assert truth.mild_at_s is not None
    assert truth.mild_at_s >= scenario.start_s + 5 * HOUR_S


@pytest.mark.parametrize(
    ("kind", "severity", "sign"),
    [
        ("restriction_blocked", 0.7, +1),
        ("strainer_blocked", 0.8, +1),
        ("restriction_blown_out", 0.5, -1),
        ("pilot_blocked", 0.5, -1),
        ("diaphragm_torn", 0.4, +1),
        ("spring_relaxed", 0.2, -1),
        ("spring_creep_up", 0.2, +1),
        ("inlet_screen_choked", 0.9, -1),
        ("stem_travel_limited", 1.0, -1),
    ],
)
def test_fault_moves_the_outlet_up_or_down(station, two_days, kind, severity, sign) -> None:
    scenario = replace(two_days(station[False]), duration_s=86400)
    run = simulate(replace(scenario, faults=(Fault(kind, scenario.start_s, 0.0, severity),)))
    twin = simulate(scenario)
    busy = slice(6 * 60, 10 * 60)
    moved = (run.minutes.outlet_mean_kpa - twin.minutes.outlet_mean_kpa)[busy].mean()
    assert sign * moved > 0.005 * scenario.design.set_kpa


def test_stuck_stem_cannot_follow_demand_either_way(settle, station) -> None:
    demand = np.repeat([5.0, 10.0, 2.0], 20 * 60)
    seconds = settle(station[False], demand, minutes=60, friction_static_kpa=1e9, friction_moving_kpa=200.0)
    assert np.ptp(seconds[:, 3]) == 0.0
    assert seconds[39 * 60, 0] < seconds[19 * 60, 0] < seconds[-1, 0]


def test_no_fault_is_healthy_and_no_severity_is_no_fault(station, two_days) -> None:
    scenario = two_days(station[False])
    none = replace(scenario, faults=(Fault("seat_worn", scenario.start_s, 0.0, 0.0),))
    run, twin = simulate_with_twin(none)
    assert measure_truth(run, twin, none).condition == "healthy"
    np.testing.assert_array_equal(run.minutes.outlet_mean_kpa, twin.minutes.outlet_mean_kpa)


def test_severity_grows_over_the_ramp_and_stays() -> None:
    fault = Fault("seat_worn", 1000.0, 100.0, 0.8)
    np.testing.assert_allclose(
        severity_at(fault, np.array([999.0, 1000.0, 1050.0, 1100.0, 9000.0])), [0.0, 0.0, 0.4, 0.8, 0.8]
    )


EVENT_CASES = [
    ("set_readjusted", -8.0, "set_changed"),
    ("schedule_added", 8.0, "set_changed"),
    ("demand_grown", 25.0, "healthy"),
    ("main_break", 15.0, "excess_demand"),
    ("hydrant", 10.0, "excess_demand"),
    ("inlet_short", 12.0, "inlet_starved"),
    ("inlet_waves", 15.0, "healthy"),
    ("pump_cycles", 25.0, "healthy"),
    ("batch_demand", 1.5, "healthy"),
    ("neighbour_raised", 10.0, "held_shut"),
    ("dead_end_warming", 20.0, "healthy"),
    ("bypass_opened", 4.0, "unfamiliar"),
    ("transmitter_drift", -25.0, "drift"),
    ("transmitter_stuck", 0.0, "sensor_fault"),
    ("transmitter_spikes", 20.0, "sensor_fault"),
    ("transmitter_out_of_range", 1600.0, "sensor_fault"),
    ("transmitter_offset", 25.0, "sensor_fault"),
    ("transmitter_scaled", 0.145, "sensor_fault"),
    ("tags_swapped", 0.0, "sensor_fault"),
    ("flow_meter_dead", 0.0, "sensor_fault"),
    ("data_gap", 0.0, "telemetry_loss"),
]


def test_every_event_is_tried_here() -> None:
    assert {kind for kind, _, _ in EVENT_CASES} == set(EVENTS)
    assert {kind for kind, *_ in CASES} | {"needles_out", "stem_stuck", "stem_friction"} == set(FAULTS)


@pytest.mark.parametrize(("kind", "size", "state"), EVENT_CASES)
def test_event_has_the_state_it_should(station, two_days, kind, size, state) -> None:
    design = station[False]
    design = replace(design, district=replace(design.district, neighbour=Neighbour(375.0, 1.0)))
    scenario = two_days(design)
    begins = scenario.start_s + 18 * HOUR_S
    scenario = replace(scenario, events=(Event(kind, begins, begins + 20 * HOUR_S, size),))
    truth = measure_truth(*simulate_with_twin(scenario), scenario)
    assert truth.condition == state
    assert truth.ambiguous == (kind == "transmitter_drift")
    assert truth.mild_at_s is None or truth.mild_at_s >= begins


def test_conditions_named_by_kinds_exist() -> None:
    named = {c for kind in FAULTS.values() for c in kind.leads_to} | {k.state for k in EVENTS.values()}
    assert named - {"healthy"} <= set(CONDITIONS)


def test_events_on_instruments_leave_the_water_alone(station, two_days) -> None:
    scenario = two_days(station[False])
    clean = simulate(scenario)
    begins = scenario.start_s + 9 * HOUR_S
    for kind in [k for k, what in EVENTS.items() if what.tamper is not None]:
        run = simulate(replace(scenario, events=(Event(kind, begins, begins + HOUR_S, 20.0),)))
        np.testing.assert_array_equal(run.minutes.outlet_mean_kpa, clean.minutes.outlet_mean_kpa)
        before = slice(0, 9 * 60)
        np.testing.assert_array_equal(run.readings.outlet_kpa[before], clean.readings.outlet_kpa[before])


def test_fault_among_events_is_measured_against_a_twin_with_the_events(station, two_days) -> None:
    scenario = two_days(station[False])
    begins = scenario.start_s + 6 * HOUR_S
    scenario = replace(
        scenario,
        faults=(Fault("spring_relaxed", begins, 0.0, 0.2),),
        events=(Event("set_readjusted", begins, size=-10.0),),
    )
    truth = measure_truth(*simulate_with_twin(scenario), scenario)
    assert truth.condition == "drift"
    assert truth.size == pytest.approx(0.05, abs=0.01)


def test_unknown_kinds_and_odd_spans_are_refused_all_at_once(two_days, bench) -> None:
    scenario = two_days(bench)
    with pytest.raises(PlantError, match=r"whole days.*IANA.*fault 'rust'.*event 'rain'"):
        replace(
            scenario,
            duration_s=1000,
            time_zone="Mars",
            faults=(Fault("rust", 0.0),),
            events=(Event("rain", 0.0),),
        )


def test_neighbour_event_needs_a_neighbour(two_days, bench) -> None:
    with pytest.raises(PlantError, match="needs a district with a neighbour"):
        replace(two_days(bench), events=(Event("neighbour_raised", 0.0, size=5.0),))


def test_run_and_twin_of_different_length_are_refused(two_days, bench) -> None:
    scenario = two_days(bench)
    short = replace(scenario, duration_s=86400)
    with pytest.raises(PlantError, match="different spans"):
        measure_truth(simulate(scenario), simulate(short), scenario)
