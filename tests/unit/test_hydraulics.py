"""Valve, water, leak and surge relations against published examples, the library fluids, iapws and wntr."""

import math
import warnings

import fluids
import iapws
import numpy as np
import pytest
from fluids.control_valve import (
    FF_critical_pressure_ratio_l,
    control_valve_choke_P_l,
    is_choked_turbulent_l,
    size_control_valve_l,
)
from fluids.control_valve import cavitation_index as fluids_cavitation_index
from hypothesis import given
from hypothesis import strategies as st

from steadyhead.errors import ReadingsError
from steadyhead.hydraulics import (
    KV_PER_CV,
    atmosphere_kpa,
    cavitation_index,
    choked_drop_kpa,
    critical_pressure_ratio,
    cv_from_kv,
    delivered_demand_lps,
    echo_s,
    effective_kv,
    favad_exponent,
    favad_flow_lps,
    flow_through_kv_lps,
    is_choked,
    kpa_per_metre,
    kv_from_cv,
    kv_from_loss_coefficient,
    leakage_ratio,
    loss_coefficient_from_kv,
    loss_through_kv_kpa,
    surge_kpa,
    vapour_pressure_kpa,
    water_density_kg_m3,
)


def one(value):
    return np.array([float(value)])


# --- flow coefficient ------------------------------------------------------------------------------------

# IEC 60534-2-1 / ISA-75.01.01-2007, worked liquid examples 1 and 2, as reproduced in the library fluids:
# 0.1 m3/s of water at 965.4 kg/m3, 680 to 220 kPa absolute, vapour pressure 70.1, critical 22120 kPa.
IEC = {"rho": 965.4, "Psat": 70.1e3, "Pc": 22120e3, "mu": 3.1472e-4, "P1": 680e3, "P2": 220e3, "Q": 0.1}
IEC_RELATIVE_DENSITY = 965.4 / 999.10329  # fluids' reference density, 288.15 K


# by hand: 3.6 Q / sqrt(dp / 100)
@pytest.mark.parametrize(("flow", "drop", "kv"), [(10, 100, 36.0), (10, 200, 25.4558), (50, 20, 402.492)])
def test_kv_of_a_reading(flow, drop, kv):
    assert effective_kv(one(flow), one(400 + drop), one(400)) == pytest.approx(kv, rel=2e-6)


def test_kv_of_the_first_iec_example():
    # Published: Kv 165 m3/h; independent: fluids gives 164.9954763704956
    kv = effective_kv(one(100), one(680), one(220), IEC_RELATIVE_DENSITY)[0]
    assert kv == pytest.approx(165, abs=0.5)
    assert kv == pytest.approx(164.9954763704956, rel=1e-6)
    sized = size_control_valve_l(**IEC, D1=0.15, D2=0.15, d=0.15, FL=0.9, Fd=0.46)
    assert kv == pytest.approx(sized if isinstance(sized, float) else sized["Kv"], rel=1e-6)


def test_kv_of_the_second_iec_example_follows_from_its_choked_drop():
    # Published: Kv 238 m3/h, FL 0.6; independent: fluids gives 238.05817217
    drop = 0.6**2 * (680 - critical_pressure_ratio(70.1, 22120) * 70.1)
    kv = effective_kv(one(100), one(680), one(680 - drop), IEC_RELATIVE_DENSITY)[0]
    assert kv == pytest.approx(238, abs=0.5)
    assert kv == pytest.approx(238.05817217, rel=1e-6)


def test_kv_is_nan_where_the_inlet_is_not_above_the_outlet():
    kv = effective_kv(
        np.array([5.0, 5.0, np.nan, 0.0]), np.array([300.0, 299.0, 500.0, 500.0]), np.full(4, 300.0)
    )
    assert np.isnan(kv[:3]).all()
    assert kv[3] == 0.0


def test_kv_refuses_shapes_that_differ():
    with pytest.raises(ReadingsError, match=r"flow has shape \(2,\)"):
        effective_kv(np.zeros(2), np.zeros(3), np.zeros(3))


@given(st.floats(0.01, 500), st.floats(0.1, 1000), st.floats(0.9, 1.1))
def test_flow_drop_and_kv_are_one_relation(kv, drop, density):
    flow = flow_through_kv_lps(kv, drop, density)
    assert loss_through_kv_kpa(flow, kv, density) == pytest.approx(drop, rel=1e-9)
    assert effective_kv(flow.reshape(1), one(300 + drop), one(300), density) == pytest.approx(kv, rel=1e-6)


def test_flow_of_a_negative_drop_and_loss_of_no_opening_are_nan():
    assert np.isnan(flow_through_kv_lps(36.0, -1.0))
    assert flow_through_kv_lps(36.0, 0.0) == 0.0
    assert np.isnan(loss_through_kv_kpa(5.0, 0.0))


def test_kv_and_cv_are_related_by_the_exact_units():
    # Published: IEC 60534-2-1 rounds to Kv = 0.865 Cv; independent: fluids
    assert pytest.approx(0.865, abs=5e-4) == KV_PER_CV
    assert kv_from_cv(1.0) == pytest.approx(0.86497766, abs=5e-9)
    assert cv_from_kv(1.0) == pytest.approx(fluids.Kv_to_Cv(1), rel=1e-6)
    assert cv_from_kv(2.0) == pytest.approx(2.31219846, abs=1e-6)


def test_kv_and_loss_coefficient_are_those_of_fluids():
    # fluids rounds its constant: 1.6e9 for 200 * (3600 pi / 4)^2 * 1e0 = 1.59888e9, which is 0.07 %
    assert loss_coefficient_from_kv(2.312, 15.0) == pytest.approx(
        fluids.fittings.Kv_to_K(2.312, 0.015), rel=8e-4
    )
    assert kv_from_loss_coefficient(8.0, 150.0) == pytest.approx(fluids.fittings.K_to_Kv(8.0, 0.15), rel=4e-4)
    assert loss_coefficient_from_kv(kv_from_loss_coefficient(8.0, 150.0), 150.0) == pytest.approx(8.0)
    with pytest.raises(ReadingsError, match="must be more than 0"):
        kv_from_loss_coefficient(0.0, 150.0)
    with pytest.raises(ReadingsError, match="must be more than 0"):
        loss_coefficient_from_kv(10.0, 0.0)


def test_loss_of_a_wide_open_valve_is_that_of_epanet():
    # Independent: EPANET through wntr: K 8 on 150 mm at 20 L/s loses 0.5220 m (0.522 between IN and OUT)
    kv = kv_from_loss_coefficient(8.0, 150.0)
    loss_m = loss_through_kv_kpa(20.0, kv) / 9.80665
    assert loss_m == pytest.approx(0.5220, rel=1.5e-3)
    # by hand: K v^2 / 2g
    speed = 0.020 / (math.pi / 4 * 0.15**2)
    assert loss_m == pytest.approx(8.0 * speed**2 / (2 * 9.80665), rel=1e-9)


def test_halving_the_flow_doubles_the_gain_from_opening_to_outlet():
    # by hand: Kv = K x, dp = (Q / K x)^2, so |d outlet / d x| = 2 dp / x; at one dp, x goes with Q
    full_kv, drop = 200.0, 300.0
    gains = []
    for flow in (10.0, 5.0):
        opening = effective_kv(one(flow), one(drop), one(0.0))[0] / full_kv
        step = 1e-6 * opening
        rise = loss_through_kv_kpa(flow, full_kv * (opening - step)) - loss_through_kv_kpa(
            flow, full_kv * (opening + step)
        )
        gains.append(float(rise) / (2 * step))
        assert gains[-1] == pytest.approx(2 * drop / opening, rel=1e-6)
    assert gains[1] == pytest.approx(2 * gains[0], rel=1e-6)


# --- cavitation and choking ------------------------------------------------------------------------------


def test_cavitation_index_is_that_of_the_standard():
    # ISA-RP75.23-1995 form; fluids: cavitation_index(1E6, 8E5, 2E5) = 4.0 with absolute pressures
    assert fluids_cavitation_index(1e6, 8e5, 2e5) == pytest.approx(4.0)
    for inlet, outlet in ((800.0, 300.0), (600.0, 400.0)):
        absolute = [1000 * (p + 101.325) for p in (inlet, outlet)]
        expected = fluids_cavitation_index(*absolute, 1000 * vapour_pressure_kpa(15.0))
        assert cavitation_index(inlet, outlet) == pytest.approx(expected, rel=1e-12)


# by hand: (P1 + 101.325 - 1.70574) / (P1 - P2), water at 15 C, gauge pressures
@pytest.mark.parametrize(
    ("inlet", "outlet", "sigma"),
    [(800, 300, 1.7992), (800, 200, 1.4994), (600, 400, 3.4981), (900, 150, 1.3328)],
)
def test_cavitation_index_of_usual_stations(inlet, outlet, sigma):
    assert cavitation_index(inlet, outlet) == pytest.approx(sigma, abs=5e-5)


def test_cavitation_index_needs_the_atmosphere():
    # by hand: forgetting it gives 1.5966 for 800 to 300; at 1600 m it is 83.5 kPa
    assert cavitation_index(800, 300, atmosphere_kpa=0.0) == pytest.approx(1.5966, abs=5e-5)
    high = cavitation_index(800, 300, atmosphere_kpa=atmosphere_kpa(1600.0))
    assert 1.5966 < high < cavitation_index(800, 300)
    assert np.isnan(cavitation_index(300, 300))
    assert cavitation_index(np.array([800.0, 600.0]), np.array([300.0, 400.0])) == pytest.approx(
        [1.7992, 3.4981], abs=5e-5
    )


def test_critical_pressure_ratio_is_that_of_the_standard():
    # IEC 60534-2-1 example 1; fluids prints 0.9442375225233299
    assert critical_pressure_ratio(70.1, 22120.0) == pytest.approx(0.9442375225233299, rel=1e-12)
    assert critical_pressure_ratio(70.1, 22120.0) == pytest.approx(
        FF_critical_pressure_ratio_l(70.1e3, 22120e3)
    )


def test_choked_drop_is_that_of_the_standard():
    # by hand: 0.85^2 (800 + 101.325 - FF 1.70574), FF = 0.9575
    assert choked_drop_kpa(800.0, 0.85) == pytest.approx(650.0, abs=0.05)
    # Independent: fluids' outlet pressure at which flow chokes, absolute Pa, same water
    vapour = 1000 * vapour_pressure_kpa(20.0)
    outlet = control_valve_choke_P_l(vapour, 22064e3, 0.6, 680e3)
    assert choked_drop_kpa(680 - 101.325, 0.6, water_c=20.0) == pytest.approx(
        (680e3 - outlet) / 1000, rel=1e-9
    )


def test_choked_or_not_as_in_the_iec_examples():
    # Published verdicts: a drop of 460 kPa is not choked at FL 0.9 and is at FL 0.6 (water at 90 C)
    for factor, verdict in ((0.9, False), (0.6, True)):
        assert is_choked(680 - 101.325, 220 - 101.325, factor, water_c=90.0) == verdict
        assert (
            is_choked_turbulent_l(460.0, 680.0, 70.1, critical_pressure_ratio(70.1, 22120.0), factor)
            is verdict
        )


# --- water and air ---------------------------------------------------------------------------------------


def test_vapour_pressure_is_that_of_iapws():
    # Published: IAPWS R7-97 table 35 (figures from memory): 300, 500, 600 K
    for kelvin, kpa in ((300.0, 3.53658941), (500.0, 2638.89776), (600.0, 12344.3146)):
        assert vapour_pressure_kpa(kelvin - 273.15) == pytest.approx(kpa, rel=5e-9)
    # Independent: the library iapws
    for celsius in (5.0, 10.0, 15.0, 20.0, 25.0, 60.0):
        other = iapws.IAPWS97(T=celsius + 273.15, x=0).P * 1000
        assert vapour_pressure_kpa(celsius) == pytest.approx(other, rel=1e-9)
    with pytest.raises(ReadingsError, match="wanted 0 to 370"):
        vapour_pressure_kpa(-1.0)


# Independent: iapws (IF97) at 101.325 kPa: density and kPa per metre of head
@pytest.mark.parametrize(
    ("celsius", "density", "per_metre"),
    [(5, 999.967, 9.80633), (10, 999.702, 9.80372), (15, 999.101, 9.79783), (20, 998.206, 9.78906),
     (25, 997.048, 9.77770)],
)  # fmt: skip
def test_density_is_that_of_iapws(celsius, density, per_metre):
    assert water_density_kg_m3(celsius) == pytest.approx(density, abs=0.002)
    assert water_density_kg_m3(celsius) == pytest.approx(
        iapws.IAPWS97(T=celsius + 273.15, P=0.101325).rho, abs=0.002
    )
    assert kpa_per_metre(celsius) == pytest.approx(per_metre, abs=2e-5)


def test_density_is_refused_out_of_range():
    with pytest.raises(ReadingsError, match="wanted 0 to 40"):
        water_density_kg_m3(41.0)


def test_atmosphere_is_the_standard_one():
    # Independent: fluids' U.S. Standard Atmosphere 1976, the same as ISO 2533 below 32 km
    for altitude in (-200.0, 0.0, 500.0, 1600.0, 3000.0, 10_000.0):
        assert 1000 * atmosphere_kpa(altitude) == pytest.approx(fluids.ATMOSPHERE_1976(altitude).P, rel=1e-6)
    with pytest.raises(ReadingsError, match="20000"):
        atmosphere_kpa(20_000.0)


# --- leakage and demand ----------------------------------------------------------------------------------


# Published: van Zyl: half the pressure cuts leakage by 29, 50 and 82 %
@pytest.mark.parametrize(("exponent", "cut"), [(0.5, 0.29), (1.0, 0.50), (2.5, 0.82)])
def test_halving_the_pressure_cuts_leakage_as_published(exponent, cut):
    assert 1 - leakage_ratio(0.5, exponent) == pytest.approx(cut, abs=0.005)


# by hand: 1 - 0.9^N1
@pytest.mark.parametrize(("exponent", "cut"), [(0.5, 0.051), (1.0, 0.100), (1.5, 0.146)])
def test_a_tenth_less_pressure_cuts_leakage(exponent, cut):
    assert 1 - leakage_ratio(0.9, exponent) == pytest.approx(cut, abs=5e-4)


# Independent: EPANET emitters (wntr), 60 to 45 m
@pytest.mark.parametrize(("exponent", "ratio"), [(0.5, 0.866025), (1.0, 0.75), (1.5, 0.649519)])
def test_leakage_ratio_is_that_of_emitters(exponent, ratio):
    assert leakage_ratio(45 / 60, exponent) == pytest.approx(ratio, abs=5e-7)


def test_leak_whose_area_grows():
    # by hand, g 9.81 (the code takes 9.80665, 0.017 % less flow): Cd 0.6, A0 1e-4 m2, m 2e-6 m
    flow = favad_flow_lps(np.array([60.0, 45.0, 30.0]), 1e-4, 2e-6)
    assert flow == pytest.approx([4.52897, 3.38735, 2.32906], rel=2e-4)
    # N1 between 60 and 45 m is 1.00960 whatever g is; the local exponent brackets it
    between = math.log(flow[0] / flow[1]) / math.log(60 / 45)
    assert between == pytest.approx(1.00960, abs=5e-6)
    at_60, at_45 = (float(favad_exponent(2e-6 * h / 1e-4)) for h in (60.0, 45.0))
    assert at_45 < between < at_60
    # by hand: the derivative of log flow against log head at 50 m
    near = favad_flow_lps(np.array([50.0 * 1.0001, 50.0 / 1.0001]), 1e-4, 2e-6)
    slope = math.log(near[0] / near[1]) / math.log(1.0001**2)
    assert float(favad_exponent(1.0)) == pytest.approx(1.0)
    assert slope == pytest.approx(float(favad_exponent(2e-6 * 50 / 1e-4)), rel=1e-6)


def test_exponent_runs_from_fixed_hole_to_growing_crack():
    assert float(favad_exponent(0.0)) == 0.5
    assert float(favad_exponent(1e9)) == pytest.approx(1.5)


def test_demand_falls_with_the_root_of_pressure():
    # Independent: EPANET's pressure-driven analysis: 10 L/s wanted at 20 m; at 5, 10, 15, 20 m
    head = np.array([-1.0, 0.0, 5.0, 10.0, 15.0, 20.0, 40.0]) * 9.80665
    served = delivered_demand_lps(10.0, head, 20.0 * 9.80665)
    assert served == pytest.approx([0, 0, 5.0, 7.0711, 8.6603, 10.0, 10.0], abs=5e-5)
    with pytest.raises(ReadingsError, match="wanted more than 0"):
        delivered_demand_lps(10.0, head, 0.0)


def test_demand_is_that_of_wntr():
    # Independent: wntr's own pressure-driven solver on one node fed at 12 m
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import wntr

        network = wntr.network.WaterNetworkModel()
        network.options.time.duration = 0
        network.options.hydraulic.demand_model = "PDD"
        network.options.hydraulic.required_pressure = 20.0
        network.options.hydraulic.minimum_pressure = 0.0
        network.add_reservoir("SOURCE", base_head=12.0)
        network.add_junction("NODE", base_demand=0.010, elevation=0.0)
        network.add_pipe("PIPE", "SOURCE", "NODE", length=1, diameter=1.0, roughness=140)
        result = wntr.sim.WNTRSimulator(network).run_sim()
    pressure_m = float(result.node["pressure"]["NODE"].iloc[0])
    expected = 1000 * float(result.node["demand"]["NODE"].iloc[0])
    assert delivered_demand_lps(10.0, pressure_m * 9.80665, 20.0 * 9.80665) == pytest.approx(
        expected, rel=1e-6
    )


# --- surge -----------------------------------------------------------------------------------------------


def test_surge_of_a_stopped_flow():
    # by hand (Joukowsky): 1000 kg/m3 * 1200 m/s * 0.1 m/s = 120 kPa; 2 * 1000 / 1200 = 1.667 s per km
    assert surge_kpa(0.1) == pytest.approx(120.0)
    assert surge_kpa(-0.1) == pytest.approx(120.0)
    assert echo_s(1000.0) == pytest.approx(1.667, abs=5e-4)
    with pytest.raises(ReadingsError, match="wave speed"):
        echo_s(1000.0, 0.0)
