"""The station as hydraulics: Kv, droop, lock-up, wide open, gain, water kept."""

import math

import fluids
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from steadyhead.proving_plant import District, Inlet, MainValve, SmallValve, StationDesign, commissioned
from steadyhead.proving_plant.valve import KV_HEAD, flow_lps, kv_at

OUTLET, INLET, FLOW, LIFT, CHAMBER, DISTRICT, SUPPLIED = range(7)


@pytest.mark.parametrize(("flow_ls", "drop_kpa"), [(10.0, 100.0), (10.0, 200.0), (50.0, 20.0)])
def test_flow_through_a_kv_is_that_of_iec_60534(flow_ls: float, drop_kpa: float) -> None:
    # Independent: fluids' sizing by IEC 60534-2-1, turbulent and not choked, at its reference density.
    # Pressures absolute and high, so that neither choking nor cavitation enters; full-bore, so FP = 1.
    kv = fluids.control_valve.size_control_valve_l(
        rho=999.10329, Psat=1.7e3, Pc=22.12e6, mu=1.1e-3, P1=3e6, P2=3e6 - 1e3 * drop_kpa, Q=flow_ls / 1000.0
    )
    assert flow_lps(kv, drop_kpa) == pytest.approx(flow_ls, rel=1e-4)


def test_kv_by_hand_in_station_units() -> None:
    # By hand: 36 m3/h at 1 bar is 10 L/s, by the definition of Kv.
    assert flow_lps(36.0, 100.0) == pytest.approx(10.0)
    assert pytest.approx(3.6**2 * 100.0) == KV_HEAD


@pytest.mark.parametrize("demand_lps", [12.0, 20.0, 30.0])
def test_wide_open_outlet_is_inlet_minus_loss_with_flow_squared(settle, bench, demand_lps: float) -> None:
    # Source just short of the set: the pilot opens fully and the plug goes to its stop.
    seconds = settle(bench, demand_lps, source_kpa=395.0, minutes=120)
    last = seconds[-1]
    loss_kpa = 100.0 * (3.6 * demand_lps / bench.valve.kv_m3h) ** 2  # definition of Kv
    assert last[LIFT] == pytest.approx(1.0)
    # The pilot line carries a few hundredths of L/s beside the valve.
    assert last[INLET] - last[OUTLET] == pytest.approx(loss_kpa, rel=5e-3)


def test_set_is_held_within_droop_from_low_to_high_flow(settle, bench) -> None:
    flows = (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 35.0)
    ends = [settle(bench, q)[-300:, OUTLET] for q in flows]
    held = [float(end.mean()) for end in ends]
    assert all(abs(kpa / bench.set_kpa - 1.0) < 0.02 for kpa in held)
    assert all(np.diff(held) < 0.0), "the outlet has to fall a little as flow rises"
    assert all(np.ptp(end) < 0.001 * bench.set_kpa for end in ends), "steady in, steady out"


def test_no_flow_locks_up_one_to_four_percent_above_set_and_below_the_inlet(settle, bench) -> None:
    demand = np.concatenate([np.linspace(5.0, 0.0, 600), np.zeros(7200 - 600)])
    seconds = settle(bench, demand, minutes=120)
    last = seconds[-1]
    assert last[LIFT] == 0.0
    assert last[FLOW] < 0.01
    assert 0.01 < last[OUTLET] / bench.set_kpa - 1.0 < 0.04
    assert np.ptp(seconds[-1800:, OUTLET]) < 1.0


def test_halving_flow_doubles_the_static_gain_of_a_linear_valve(settle) -> None:
    # Own derivation: Q = K x sqrt(dp), so |d outlet / dx| = 2 dp / x at given Q, and x goes with Q.
    design = StationDesign(
        valve=MainValve(kv_m3h=120.0, trim_bend=0.0),
        district=District(leakage_lps=0.0, pressure_share=0.0, line_loss=0.0),
        inlet=Inlet(loss=0.0),
    )
    root = math.sqrt(250.0 / KV_HEAD)

    def gain(flow: float) -> float:
        lift = flow / (120.0 * root)
        outlets = [
            settle(
                design,
                flow,
                minutes=60,
                feed=1e-9,
                pilot=1e-9,
                lift_low=lift * (1 + e),
                lift_high=lift * (1 + e),
            )[-1, OUTLET]
            for e in (-0.005, 0.005)
        ]
        return (outlets[1] - outlets[0]) / (0.01 * lift)

    # Plug held, pilot circuit shut off, so that nothing answers but the valve itself.
    assert gain(16.0) == pytest.approx(2 * 250.0 / (16.0 / (120.0 * root)), rel=0.01)
    assert gain(8.0) / gain(16.0) == pytest.approx(2.0, rel=0.01)


def test_bent_trim_reaches_full_kv_and_starts_steeper() -> None:
    assert kv_at(1.0, 120.0, 0.6) == pytest.approx(120.0)
    assert kv_at(0.0, 120.0, 0.6) == 0.0
    assert kv_at(0.01, 120.0, 0.6) > 1.5 * kv_at(0.01, 120.0, 0.0)


def test_inlet_drops_with_the_square_of_flow(settle, bench) -> None:
    design = StationDesign(bench.set_kpa, district=bench.district, inlet=Inlet(loss=0.05))
    seconds = settle(commissioned(design), 10.0)
    assert 650.0 - seconds[-1, INLET] == pytest.approx(0.05 * seconds[-1, FLOW] ** 2, rel=1e-3)


def test_small_valve_works_alone_at_low_flow_and_holds_its_higher_set(settle, bench) -> None:
    design = StationDesign(
        bench.set_kpa, district=bench.district, inlet=bench.inlet, small_valve=SmallValve()
    )
    design = commissioned(design)
    low, high = settle(design, 0.8)[-1], settle(design, 12.0)[-1]
    assert low[LIFT] == 0.0
    assert low[OUTLET] > high[OUTLET]
    assert high[LIFT] > 0.05


def test_station_starved_of_inlet_opens_wide_and_gives_what_there_is(settle, bench) -> None:
    seconds = settle(bench, 6.0, source_kpa=300.0)
    assert 290.0 < seconds[-1, OUTLET] < 300.0


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    demand=st.floats(0.0, 30.0),
    source=st.floats(200.0, 900.0),
    leak=st.floats(0.0, 3.0),
    share=st.floats(0.0, 1.0),
)
def test_water_that_came_in_is_used_or_stored(settle, demand, source, leak, share) -> None:
    # By hand: what passes the meter, less what is taken, is what compliances and chamber hold more.
    design = commissioned(
        StationDesign(district=District(leakage_lps=leak, pressure_share=share), inlet=Inlet(loss=0.02))
    )
    seconds = settle(design, demand, source_kpa=source, minutes=30)
    d = design.district
    came = seconds[1:, FLOW].sum()
    used = seconds[:-1, SUPPLIED].sum()
    stored = d.compliance * (seconds[-1, DISTRICT] - seconds[0, DISTRICT])
    stored += d.main_compliance * (seconds[-1, OUTLET] - seconds[0, OUTLET])
    chamber = design.valve.stroke_l * (seconds[0, LIFT] - seconds[-1, LIFT])
    # Flow is sampled once a second in a run of 0.25 s steps, so the first minutes' settling is known to 1 %.
    assert came == pytest.approx(used + stored + chamber, rel=0.01, abs=2.0)
