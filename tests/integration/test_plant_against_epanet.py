"""The plant at rest against EPANET's steady state, on one PRV: active, open, and held shut by a neighbour.

Independent: wntr's EpanetSimulator. EPANET's valve is ideal (no droop, no lock-up), so the set is asked
within droop; what is pure hydraulics is asked to 0.1 m.
"""

import warnings
from dataclasses import replace

import fluids
import numpy as np
import pytest

from steadyhead.proving_plant import (
    District,
    Inlet,
    MainValve,
    Neighbour,
    StationDesign,
    commissioned,
    kernel,
)
from steadyhead.proving_plant import changing as col
from steadyhead.proving_plant.simulate import fixed_of, healthy_columns, settled

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import wntr

KPA_PER_M = 9.80665
DEMAND_LPS = 20.0
SETTING_M = 30.0
LOSS_K = 8.0
OUTLET, INLET, FLOW, LIFT = 0, 1, 2, 3


def epanet(prefix, inlet_m, neighbour_m=None):
    """Pressures [m] at IN, OUT, DIST; the valve's status (0 shut, 1 open, 2 active) and flow [L/s]."""
    wn = wntr.network.WaterNetworkModel()
    wn.options.time.duration = 0
    wn.options.hydraulic.headloss = "H-W"
    wn.add_reservoir("SRC", base_head=inlet_m)
    for name, demand in (("IN", 0.0), ("OUT", 0.0), ("DIST", DEMAND_LPS / 1000.0)):
        wn.add_junction(name, base_demand=demand, elevation=0.0)
    wn.add_pipe("UP", "SRC", "IN", length=10, diameter=0.30, roughness=130)
    wn.add_valve(
        "PRV",
        "IN",
        "OUT",
        diameter=0.15,
        valve_type="PRV",
        minor_loss=LOSS_K,
        initial_setting=SETTING_M,
        initial_status="Active",
    )
    wn.add_pipe("DOWN", "OUT", "DIST", length=500, diameter=0.20, roughness=130)
    if neighbour_m is not None:
        wn.add_reservoir("ALT", base_head=neighbour_m)
        wn.add_pipe("TIE", "ALT", "DIST", length=100, diameter=0.20, roughness=130)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        results = wntr.sim.EpanetSimulator(wn).run_sim(file_prefix=str(prefix))
    at = results.node["pressure"].iloc[0]
    status = int(results.link["status"]["PRV"].iloc[0])
    return at["IN"], at["OUT"], at["DIST"], status, 1000.0 * results.link["flowrate"]["PRV"].iloc[0]


def hazen_williams_m(length_m, diameter_m, flow_lps, roughness=130.0):
    """Head loss [m], SI form of Hazen-Williams as in EPANET's manual."""
    return 10.667 * length_m * (flow_lps / 1000.0) ** 1.852 / (roughness**1.852 * diameter_m**4.871)


def plant_at_rest(inlet_m, neighbour_m=None):
    """The last second of the plant on the same network, long after everything has settled."""
    per_flow2 = KPA_PER_M / DEMAND_LPS**2
    kv = float(fluids.fittings.K_to_Kv(LOSS_K, 0.15))
    district = District(
        leakage_lps=0.0,
        pressure_share=0.0,
        mean_demand_lps=DEMAND_LPS,
        line_loss=hazen_williams_m(500, 0.20, DEMAND_LPS) * per_flow2,
        surge_impedance=2.0,
        main_compliance=1.0,
        compliance=5.0,
    )
    if neighbour_m is not None:
        resistance = hazen_williams_m(100, 0.20, DEMAND_LPS) * KPA_PER_M / DEMAND_LPS
        district = replace(district, neighbour=Neighbour(neighbour_m * KPA_PER_M, resistance))
    design = commissioned(
        StationDesign(
            set_kpa=SETTING_M * KPA_PER_M,
            valve=MainValve(kv_m3h=kv),
            district=district,
            inlet=Inlet(
                base_kpa=inlet_m * KPA_PER_M, loss=hazen_williams_m(10, 0.30, DEMAND_LPS) * per_flow2
            ),
        )
    )
    minutes = 240
    rows = healthy_columns(design, minutes)
    rows[:, col.SPRING_SET] = design.set_kpa + design.spring_above_kpa
    if neighbour_m is not None:
        rows[:, col.NEIGHBOUR] = neighbour_m * KPA_PER_M
    seconds = kernel.run(
        fixed_of(design),
        rows,
        np.full(60 * minutes, DEMAND_LPS),
        np.full(60 * minutes, inlet_m * KPA_PER_M),
        settled(design),
    )
    return seconds[-1], design


@pytest.mark.parametrize("inlet_m", [60.0, 45.0, 40.0])
def test_active_valve_holds_the_setting(tmp_path, inlet_m) -> None:
    inlet, outlet, _, status, flow = epanet(tmp_path / "net", inlet_m)
    last, _ = plant_at_rest(inlet_m)
    assert status == 2
    assert last[OUTLET] / KPA_PER_M == pytest.approx(outlet, rel=0.01)  # droop
    assert last[INLET] / KPA_PER_M == pytest.approx(inlet, abs=0.01)
    assert last[FLOW] == pytest.approx(flow, rel=0.002)
    assert 0.0 < last[LIFT] < 1.0


# Between 28.5 and 31 m a real pilot is still within its band, where an ideal valve is already wide open.
@pytest.mark.parametrize("inlet_m", [28.0, 27.0, 25.0])
def test_open_valve_passes_inlet_less_its_loss(tmp_path, inlet_m) -> None:
    inlet, outlet, _, status, flow = epanet(tmp_path / "net", inlet_m)
    last, _ = plant_at_rest(inlet_m)
    assert status == 1
    assert (last[INLET] - last[OUTLET]) / KPA_PER_M == pytest.approx(inlet - outlet, abs=0.1)
    assert last[OUTLET] / KPA_PER_M == pytest.approx(outlet, abs=0.1)
    assert last[FLOW] == pytest.approx(flow, rel=0.002)


def test_valve_is_held_shut_by_a_higher_neighbour(tmp_path) -> None:
    _, outlet, district, status, flow = epanet(tmp_path / "net", 60.0, 40.0)
    last, _ = plant_at_rest(60.0, 40.0)
    assert status == 0
    assert flow == pytest.approx(0.0, abs=1e-3)
    assert last[LIFT] == 0.0
    assert last[FLOW] == pytest.approx(0.0, abs=0.02)
    assert last[OUTLET] / KPA_PER_M == pytest.approx(outlet, abs=0.1)
    assert last[5] / KPA_PER_M == pytest.approx(district, abs=0.1)
