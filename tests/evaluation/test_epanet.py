"""The world inside published networks: EPANET's answers against textbook losses."""

import numpy as np
import pytest
import wntr
from evaluation.epanet import cases, make_case, network

SITE = next(s for s in network.sites() if s.network == "Net2")
SET_KPA, OVER_KPA = 400.0, 200.0


@pytest.fixture(scope="module")
def table():
    return network.solved(SITE, SET_KPA, OVER_KPA, 0.35)


def test_the_valve_holds_its_setting_wherever_the_supply_allows(table):
    i = int(np.argmin(abs(table.settings_kpa - SET_KPA)))
    spare = table.inlet_kpa[i] > SET_KPA + 20.0
    assert spare.any()
    assert not spare.all()
    np.testing.assert_allclose(table.outlet_kpa[i][spare], SET_KPA, atol=0.2)
    assert (table.outlet_kpa[i][~spare] <= SET_KPA + 0.2).all()


def test_flow_grows_with_demand_and_with_pressure(table):
    assert (np.diff(table.flow_lps, axis=1) > -1e-6).all()
    assert (np.diff(table.flow_lps[:8], axis=0) > -1e-4).all()


def test_the_main_loses_what_hazen_and_williams_say(table, monkeypatch):
    """h = 10.67 L Q^1.852 / (C^1.852 d^4.871), SI units (Hazen-Williams, EPANET 2.2 manual, table 3.1)."""
    kept = {}

    def walked(path, *_):
        kept["main"] = wntr.network.WaterNetworkModel(str(path)).get_link("main")
        return table

    monkeypatch.setattr(network, "_walked", walked)
    network.solved(SITE, SET_KPA, OVER_KPA, 0.35)
    main = kept["main"]
    at = [np.full(5, SET_KPA), np.array(network.MULTIPLIERS[5:10]), np.full(5, SET_KPA + OVER_KPA)]
    inlet_kpa, _, flow_lps = network.looked_up(table, *at)
    loss_m = (
        10.67 * main.length * (flow_lps / 1000.0) ** 1.852 / (main.roughness**1.852 * main.diameter**4.871)
    )
    np.testing.assert_allclose(
        SET_KPA + OVER_KPA - inlet_kpa, network.KPA_PER_M * loss_m, rtol=0.01, atol=0.02
    )


def test_what_every_world_owes():
    for i, case in enumerate(cases(12, 77)):
        assert case.learn_from_s < case.judge_from_s < case.end_s
        for times_s, values in case.log.values():
            assert len(times_s) == len(values)
            assert (np.diff(times_s) > 0).all()
        if case.episode is not None:
            assert case.judge_from_s < case.episode.cause_s <= case.episode.seen_s <= case.episode.end_s
            assert case.group in ("fault", "lookalike")
        if i == 5:
            again = make_case(5, 77)
            assert again.kind == case.kind
            np.testing.assert_array_equal(again.log["outlet"][1], case.log["outlet"][1])
