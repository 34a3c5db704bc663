"""The world integrated in time: its steps against scipy's solver, its taps against their mean."""

import numpy as np
import pytest
from evaluation.dynamic import cases, make_case
from evaluation.dynamic.integrate import DT_S, Plant, pulses, run
from scipy.integrate import solve_ivp

PLANT = Plant(40.0, 30.0, 3.0, 0.05, 300.0, 0.5, 0.4, 1.0, 0.001, 30.0, 5.0)


def played(demand, travel):
    one = np.ones(len(demand))
    return run(
        PLANT, 500.0 * one, demand, 300.0 * one, travel * one, travel * one, one, 0.0 * one, 60.0 * one,
        60.0 * one, one, 4.0 * one, np.nan * one,
    )  # fmt: skip


def test_the_district_follows_its_differential_equation():
    """With the opening fixed: C dp/dt = Kv/36 sqrt(p1 - p) - demand - leakage, solved by scipy's LSODA."""
    travel, steps = 0.6, 360
    demand = np.where(np.arange(steps) < 120, 2.0, 4.0)
    inlet, outlet, flow, _ = played(demand, travel)
    kv = PLANT.kv_full * PLANT.rangeability ** (travel - 1.0)

    def slope(t, p):
        q = kv / 36.0 * np.sqrt(max(np.interp(t, DT_S * np.arange(1, steps + 1), inlet) - p[0], 0.0))
        drawn = (2.0 if t <= 1200 else 4.0) * (p[0] / 300.0) ** 0.5 + 0.4 * p[0] / 300.0
        return [(q - drawn) / PLANT.storage_l_kpa]

    at_s = DT_S * np.arange(1, steps + 1)
    exact = solve_ivp(slope, (0, at_s[-1]), [300.0], t_eval=at_s, method="LSODA", max_step=DT_S).y[0]
    assert np.ptp(outlet) > 30.0
    np.testing.assert_allclose(outlet, exact, atol=2.5)
    # what comes in and is not stored was drawn: at rest flow equals demand and leakage
    assert flow[-1] == pytest.approx(4.0 * (outlet[-1] / 300) ** 0.5 + 0.4 * outlet[-1] / 300, rel=1e-3)


def test_kv_is_the_flow_in_cubic_metres_an_hour_at_one_bar():
    """IEC 60534-1: Kv is m3/h of water at a pressure drop of 1 bar; 36 m3/h are 10 L/s."""
    inlet, outlet, flow, _ = played(np.full(400, 3.0), 1.0)
    kv = flow[-1] * 3.6 / np.sqrt((inlet[-1] - outlet[-1]) / 100.0)
    assert kv == pytest.approx(PLANT.kv_full, rel=0.01)


def test_taps_draw_on_the_mean_what_their_number_and_size_say():
    rng = np.random.default_rng(3)
    n = 20 * 8640
    mean_lps = pulses(rng, n, np.ones(n), 300.0).mean()
    assert mean_lps == pytest.approx(300 * 38 / 86400 * 70.0 * 0.11, rel=0.05)


def test_what_every_world_owes():
    for i, case in enumerate(cases(12, 77)):
        assert case.learn_from_s < case.judge_from_s < case.end_s
        for times_s, values in case.log.values():
            assert len(times_s) == len(values)
            assert np.isfinite(values).all()
        if case.episode is not None:
            assert case.judge_from_s < case.episode.cause_s <= case.episode.seen_s <= case.episode.end_s
            assert case.group in ("fault", "lookalike")
        if i == 5:
            again = make_case(5, 77)
            assert again.kind == case.kind
            np.testing.assert_array_equal(again.log["outlet"][1], case.log["outlet"][1])
