"""Does the world "pulse" keep to the algebra it claims, and to the contract of a world?"""

import warnings

import numpy as np
import pytest
from evaluation.case import DAY_S, VALVE_FAULTS, Case
from evaluation.pulse import cases
from evaluation.pulse.demand import measured, pulses
from evaluation.pulse.hydraulics import Drive, Plant, State, healthy_faults, solve
from evaluation.pulse.instruments import on_deadband, on_slope
from evaluation.pulse.make import make_case
from evaluation.pulse.truth import held_from, spells

HEAD_KPA = 9.80665  # per metre of water column, NIST SP 811


def plant(**changed: float) -> Plant:
    usual = {
        "inlet_k": 0.0, "kv_max": 120.0, "shape": 1.0, "droop_kpa": 0.0, "lockup_kpa": 0.0, "seat_lps": 0.1,
        "usual_lps": 10.0, "usual_kpa": 400.0, "leak_lps": 0.0, "leak_grows": 0.0, "elastic": 0.0,
        "stretch": 0.01,
    }  # fmt: skip
    return Plant(**(usual | changed))


def run(the_plant: Plant, source: float, demand, n: int = 200, tie: float = np.nan, **faults) -> State:
    one = np.ones(n)
    healthy = healthy_faults(n, 3.0, 3.0, 0.0, 20.0)
    drive = Drive(10.0, source * one, demand * one, 400 * one, 0 * one, tie * one, healthy)
    return solve(the_plant, drive.with_faults(**{name: value * one for name, value in faults.items()}))


class TestAgainstEpanet:
    """One PRV of 30 m in EPANET 2.2 (wntr, own script): 0.020 m3/s, valve 150 mm with minor loss 8 when open.

    Its loss wide open, 0.522 m at 20 L/s, is our Kv_to_K twin: Kv 318.198 (fluids 1.0, K_to_Kv(8, 0.15)).
    """

    SET_M = 30.0
    KV = 318.198
    TIE_K = (40 - 39.7649) * HEAD_KPA / 20**1.852  # EPANET lets 0.2351 m go in 100 m of 200 mm

    def solved(self, inlet_m: float, tie_m: float = np.nan) -> tuple[float, float]:
        n = 300
        one = np.ones(n)
        p = plant(
            kv_max=self.KV, usual_kpa=self.SET_M * HEAD_KPA, tie_k=self.TIE_K if np.isfinite(tie_m) else 0.0
        )
        drive = Drive(
            10.0, inlet_m * HEAD_KPA * one, 20 * one, self.SET_M * HEAD_KPA * one, 0 * one,
            tie_m * HEAD_KPA * one, healthy_faults(n, 3.0, 3.0, 0.0, 20.0),
        )  # fmt: skip
        state = solve(p, drive)
        return float(state.outlet_kpa[-1] / HEAD_KPA), float(state.flow_lps[-1])

    @pytest.mark.parametrize(
        ("inlet_m", "outlet_m"),
        [(60, 30.0), (40, 30.0), (31, 30.0), (30.6, 30.0), (30.5, 29.9748 + 0.0033), (25, 24.4748 + 0.0033)],
    )
    def test_regulating_wide_open_and_starved_as_epanet(self, inlet_m: float, outlet_m: float) -> None:
        """EPANET's inlet pipe of 10 m loses 0.0033 m, which this plant does not have."""
        outlet, flow = self.solved(inlet_m)
        assert outlet == pytest.approx(outlet_m, abs=0.003)
        assert flow == pytest.approx(20.0, abs=0.01)

    def test_a_neighbour_at_40_m_holds_it_shut(self) -> None:
        outlet, flow = self.solved(60, tie_m=40)
        assert flow == 0.0
        assert outlet == pytest.approx(39.7649, abs=0.001)


class TestAlgebra:
    def test_flow_of_the_open_valve_is_the_closed_form(self) -> None:
        """Kv = 36 Q / sqrt(dp), from the definition of Kv (1 m3/h at 1 bar)."""
        state = run(plant(kv_max=50), 300.0, 12.0)
        dp = state.inlet_kpa - state.outlet_kpa
        assert np.allclose(36 * state.flow_lps[50:] / np.sqrt(dp[50:]), 50.0, rtol=1e-4)

    def test_inlet_loses_by_hazen_williams(self) -> None:
        one, two = (run(plant(inlet_k=0.05), 900.0, q).inlet_kpa[-1] for q in (10.0, 20.0))
        assert (900 - two) / (900 - one) == pytest.approx(2**1.852, rel=1e-3)

    def test_what_enters_is_drawn_leaked_or_stored(self) -> None:
        p = plant(leak_lps=2.0, leak_grows=0.6, elastic=0.4, stretch=0.5)
        demand = 8 + 5 * np.sin(np.arange(400) / 30)
        state = run(p, 700.0, demand, n=400)
        r = state.outlet_kpa / 400
        drawn = demand * (0.6 + 0.4 * np.sqrt(r)) + 2.0 * (0.4 * np.sqrt(r) + 0.6 * r**1.5)
        stored = 0.5 * np.diff(state.outlet_kpa, prepend=400.0) / 10
        assert np.allclose(state.flow_lps, drawn + stored, rtol=2e-3, atol=2e-3)

    def test_outlet_droops_with_flow_and_locks_up_without(self) -> None:
        p = plant(droop_kpa=10.0, lockup_kpa=15.0)
        assert run(p, 700.0, 10.0).outlet_kpa[-1] == pytest.approx(390.0, abs=0.3)
        assert run(p, 700.0, 20.0).outlet_kpa[-1] == pytest.approx(380.0, abs=0.3)
        assert 405 < run(p, 700.0, 0.005).outlet_kpa[-1] <= 415.5

    def test_a_leaking_seat_lets_a_dead_district_climb_to_the_inlet(self) -> None:
        sound = run(plant(), 700.0, 0.0, n=2000).outlet_kpa[-1]
        leaking = run(plant(), 700.0, 0.0, n=2000, seat_kv=0.05).outlet_kpa[-1]
        assert sound == pytest.approx(400.0, abs=1)
        assert leaking == pytest.approx(700.0, abs=2)

    def test_a_ceiling_sags_by_the_orifice_and_a_floor_rises_by_it(self) -> None:
        sagged = run(plant(), 700.0, 20.0, ceiling=0.3).outlet_kpa[-1]
        assert sagged == pytest.approx(700 - (36 * 20 / 36.0) ** 2, abs=0.5)
        risen = run(plant(), 700.0, 5.0, floor=0.3).outlet_kpa[-1]
        assert risen == pytest.approx(700 - (36 * 5 / 36.0) ** 2, abs=0.5)

    def test_a_late_loop_swings_with_four_dead_times_and_a_sound_one_rests(self) -> None:
        """A loop of constant speed with dead time L swings with period 4 L (closed form); L is 6 steps."""
        demand = 10 + 0.01 * np.random.default_rng(3).normal(size=3000)
        rests = run(plant(lag=6), 700.0, demand, n=3000).outlet_kpa[1000:]
        swings = run(plant(lag=6), 700.0, demand, n=3000, gain=1.5, rate=0.0001).outlet_kpa[1000:]
        assert np.ptp(rests) < 2
        assert np.ptp(swings) > 5 * np.ptp(rests)
        power = np.abs(np.fft.rfft(swings - swings.mean()))
        assert 2000 / np.argmax(power) == pytest.approx(4 * 6, rel=0.25)

    def test_a_sound_stem_strays_no_more_than_its_band_when_taps_open_and_shut(self) -> None:
        demand = np.where(np.arange(400) // 7 % 2, 5.0, 11.0)
        state = run(plant(), 700.0, demand, n=400, open_s=1.0, close_s=1.0, band_kpa=4.0, rate=1.0)
        assert np.abs(state.outlet_kpa[10:] - 400).max() < 5.0

    def test_gain_of_outlet_to_opening_doubles_at_half_the_flow(self) -> None:
        """|d out / dx| = 2 dp / x, x in proportion to Q at given dp (own derivation)."""
        slopes = []
        for q in (10.0, 20.0):
            x = run(plant(), 700.0, q).opening[-1]
            a, b = (run(plant(), 700.0, q, floor=y, ceiling=y).outlet_kpa[-1] for y in (0.99 * x, 1.01 * x))
            slopes.append((b - a) / (0.02 * x))
        assert slopes[0] / slopes[1] == pytest.approx(2.0, rel=0.03)


class TestParts:
    def test_measured_rhythm_is_whole_days_and_varies(self) -> None:
        z = measured()
        assert len(z) % 24 == 0
        assert len(z) > 24 * 40
        assert np.isfinite(z).all()
        assert z.std() > 0.1

    def test_taps_draw_the_mean_they_were_given(self) -> None:
        flow = pulses(np.random.default_rng(1), np.full(200_000, 0.7), 15.0, 0.1, 90.0)
        assert flow.mean() == pytest.approx(0.7, rel=0.03)
        assert flow.min() >= 0

    def test_values_by_exception_stay_within_the_band(self) -> None:
        rng = np.random.default_rng(2)
        t = np.arange(3000, dtype=np.int64) * 60
        v = np.cumsum(rng.normal(0, 1, 3000))
        held = on_deadband(t, v, 2.0, 10**9)
        assert np.abs(v - v[held][np.cumsum(held) - 1]).max() <= 2.0
        sloped = on_slope(t, v, 2.0, 10**9)
        last = int(np.flatnonzero(sloped)[-1])
        line = np.interp(t[:last], t[sloped], v[sloped])
        assert np.abs(v[:last] - line).max() <= 2 * 2.0
        assert 0 < sloped.sum() < 1500

    def test_spells_and_held(self) -> None:
        mask = np.array([0, 1, 1, 0, 1, 0, 0, 0, 1], dtype=bool)
        assert spells(mask, 2, 2) == [(1, 5)]
        assert held_from(mask, 3, 4) == 4
        assert held_from(mask, 5, 4) == -1


@pytest.fixture(scope="module")
def some() -> list[Case]:
    with warnings.catch_warnings():
        warnings.simplefilter("error", RuntimeWarning)
        return list(cases(60, 11))


class TestContract:
    def test_case_i_is_the_same_whatever_n(self, some: list[Case]) -> None:
        again = make_case(7, 11)
        assert again.id == some[7].id
        assert again.episode == some[7].episode
        for role, (times, values) in again.log.items():
            assert np.array_equal(times, some[7].log[role][0])
            assert np.array_equal(values, some[7].log[role][1], equal_nan=True)

    def test_another_seed_is_another_station(self, some: list[Case]) -> None:
        assert make_case(7, 12).log["outlet"][0][0] != some[7].log["outlet"][0][0]

    def test_times_rise_within_the_span(self, some: list[Case]) -> None:
        for case in some:
            for times, values in case.log.values():
                assert len(times) == len(values) > 100
                assert (np.diff(times) > 0).all()
                assert times[0] > case.learn_from_s - case.step_s
                assert times[-1] <= case.end_s

    def test_episode_begins_well_inside_the_judged_span(self, some: list[Case]) -> None:
        for case in some:
            if case.episode is None:
                assert case.group != "fault"
                continue
            e = case.episode
            assert case.judge_from_s + DAY_S <= e.cause_s <= e.seen_s < e.end_s <= case.end_s
            assert e.cause_s <= case.end_s - 3 * DAY_S + 3600
            assert e.severity in ("mild", "clear")
            assert e.condition not in e.also_right
            assert (case.group == "fault") == (e.condition in VALVE_FAULTS)

    def test_spans_groups_and_meters_are_as_asked(self, some: list[Case]) -> None:
        for case in some:
            assert 14 <= (case.judge_from_s - case.learn_from_s) / DAY_S <= 28
            assert 10 <= (case.end_s - case.judge_from_s) / DAY_S <= 21
        share = {g: np.mean([c.group == g for c in some]) for g in ("fault", "lookalike", "healthy")}
        assert 0.3 < share["fault"] < 0.6
        assert 0.15 < share["lookalike"] < 0.45
        assert 0.12 < share["healthy"] < 0.45
        assert 0.15 < np.mean(["flow" not in c.log for c in some]) < 0.5

    def test_readings_can_be_made(self, some: list[Case]) -> None:
        rows = some[0].readings
        assert len(rows) == (some[0].end_s - some[0].learn_from_s) // some[0].step_s
        assert np.isfinite(rows.outlet_kpa).mean() > 0.5
