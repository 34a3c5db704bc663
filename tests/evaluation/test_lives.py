"""Do the lives change logs as hydraulics asks, and does their judging let through only what was wanted?"""

from dataclasses import replace

import numpy as np
import pytest
from evaluation.case import DAY_S, Case, Episode
from evaluation.case import Life as OwnLife
from evaluation.lives import LIVES, Expectation, LifeCase, Said, lives
from evaluation.lives import changing as ch
from evaluation.lives.record import NOTICE
from evaluation.lives.stations import PROPERTIES, Shelf
from scipy.integrate import solve_ivp

HOUR_S = 3600
START_S = 1_741_564_800  # 2025-03-10 00:00 UTC, a Monday
JUDGE_S = START_S + 14 * DAY_S
SET_KPA, SOURCE_KPA, DROOP, LOSS, RATED = 400.0, 700.0, -0.8, 0.3, 100.0
CLOCKS = {
    "values come late in batches",
    "the clock jumps by an hour",
    "nothing comes for two days",
    "a storm breaks the link",
    "the logger saves its battery",
    "the inlet falls silent",
}


def station(
    *,
    name: str = "made",
    step_s: int = 60,
    days: int = 28,
    still: bool = False,
    meter: bool = True,
    zone: bool = False,
) -> Case:
    """A station whose droop, main loss and noise are known, because they are written down here."""
    t = START_S + step_s * np.arange(days * DAY_S // step_s, dtype=np.int64)
    hour = np.mod(t / HOUR_S, 24)
    rng = np.random.default_rng(7)
    flow = 6 + 3 * np.sin(2 * np.pi * (hour - 8) / 24) + 2 * np.exp(-(((hour - 7.5) / 1.2) ** 2))
    flow = flow * (1 + 0.1 * np.interp(t, t[::30], rng.standard_normal(len(t[::30]))))
    if still:
        flow = np.where((hour > 1) & (hour < 5), 0.0, flow)
    outlet = np.where(flow > 0, SET_KPA + DROOP * (flow - 6), SET_KPA + 12) + 0.2 * rng.standard_normal(
        len(t)
    )
    inlet = SOURCE_KPA - LOSS * flow**2 + 0.2 * rng.standard_normal(len(t))
    log = {
        "inlet": (t, np.round(inlet, 1)),
        "outlet": (t, np.round(outlet, 1)),
        "flow": (t, np.round(flow, 2)),
    }
    if not meter:
        del log["flow"]
    return Case(
        name, "made", "healthy", "healthy", step_s, "UTC", START_S, JUDGE_S, START_S + days * DAY_S, log,
        neighbour=(t, np.round(outlet - 3, 1)) if zone else None,
        nominal_kpa=SET_KPA, rated_kv_m3h=RATED, cutoff_lps=0.05 if meter else None,
    )  # fmt: skip


def stations() -> list[Case]:
    return [
        station(),
        station(name="still", still=True),
        station(name="no meter", still=True, meter=False),
        station(name="coarse", step_s=900),
        station(name="zone", zone=True),
    ]


@pytest.fixture(scope="module")
def told() -> list[LifeCase]:
    return list(lives({"made": stations}))


def perfect(wish: Expectation) -> list[Said]:
    """What somebody would say who knew all."""
    if not wish.names:
        return []
    name, is_notice = wish.names[0], wish.names[0] == NOTICE
    raised_s = wish.from_s + (wish.by_s - wish.from_s) // 2
    return [Said("anything" if is_notice else name, raised_s, wish.over_by_s, wish.from_s, 0.9, is_notice)]


class TestWishes:
    def test_there_are_many_and_each_has_an_account_of_its_own(self):
        assert len(LIVES) >= 48
        assert len({life.name for life in LIVES}) == len(LIVES)
        for life in LIVES:
            assert 40 < len(life.account) < 500, life.name
            assert set(life.needs) <= set(PROPERTIES), life.name

    def test_every_life_finds_a_station(self, told):
        assert {one.life.name for one in told} == {life.name for life in LIVES}

    def test_the_perfect_answer_passes_in_every_life(self, told):
        for one in told:
            assert one.verdict(perfect(one.expectation)) == [], one.life.name

    def test_silence_passes_only_where_it_is_wanted(self, told):
        for one in told:
            assert bool(one.verdict([])) == bool(one.expectation.names), one.life.name

    def test_a_name_nobody_wants_is_always_wrong(self, told):
        for one in told:
            at_s = one.case.judge_from_s + 3 * DAY_S
            odd = Said("no such condition", at_s, None, at_s)
            assert "said no such condition" in one.verdict([*perfect(one.expectation), odd]), one.life.name

    def test_a_notice_never_disturbs(self, told):
        for one in told:
            at_s = one.case.judge_from_s + DAY_S // 2
            notice = Said("unfamiliar", at_s, None, at_s, is_notice=True)
            assert one.verdict([*perfect(one.expectation), notice]) == [], one.life.name

    def test_times_lie_in_the_judged_span(self, told):
        for one in told:
            wish = one.expectation
            if wish.names:
                assert one.case.judge_from_s <= wish.from_s < wish.by_s, one.life.name
                assert wish.from_s < one.case.end_s - 2 * DAY_S, one.life.name

    WISH = Expectation(("creep",), 1000, 9000, 50_000, 60_000, 500, ("drift",), 2)

    @pytest.mark.parametrize(
        ("said", "complaint"),
        [
            ([Said("creep", 2000, 55_000, 1200)], None),
            ([Said("creep", 2000, 40_000, 1200), Said("creep", 41_000, 55_000, 41_000)], None),
            ([Said("creep", 2000, 55_000, 1200), Said("drift", 100, 200, 100)], None),
            ([], "not told"),
            ([Said("drift", 2000, 55_000, 1200)], "not told"),
            ([Said("creep", 12_600, 55_000, 1200)], "told only after 3 h"),
            ([Said("creep", 500, 55_000, 500)], "creep said before it began"),
            ([Said("creep", 2000, 42_800, 1200)], "declared over 2 h early"),
            ([Said("creep", 2000, None, 1200)], "never declared over"),
            ([Said("creep", 2000, 55_000, 8200)], "beginning wrong by +2 h"),
            ([Said("creep", 2000, 55_000, 1200), Said("hunting", 1, 2, 1)], "said hunting"),
            ([Said("creep", 2000 + i, 55_000, 1200) for i in range(3)], "3 calls, at most 2 wanted"),
        ],
    )
    def test_each_kind_of_complaint(self, said, complaint):
        found = self.WISH.verdict(said)
        assert found == [] if complaint is None else complaint in found

    def test_a_station_s_own_days_explain_only_themselves(self):
        healthy = replace(
            station(), life=(OwnLife("hydrant", JUDGE_S, JUDGE_S + HOUR_S, ("excess_demand",)),)
        )
        one = LifeCase(LIVES[0], "made", healthy, healthy, Expectation())
        assert one.verdict([Said("excess_demand", JUDGE_S + 60, None, JUDGE_S)]) == []
        assert one.verdict([Said("excess_demand", JUDGE_S + 2 * DAY_S, None, JUDGE_S)]) == [
            "said excess_demand"
        ]
        assert one.verdict([Said("drift", JUDGE_S + 60, None, JUDGE_S)]) == ["said drift"]

    def test_a_gap_of_the_healthy_log_explains_lost_telemetry(self):
        healthy = ch.lost(station(), lambda t: (t > JUDGE_S + DAY_S) & (t < JUDGE_S + DAY_S + 4 * HOUR_S))
        one = LifeCase(LIVES[0], "made", healthy, healthy, Expectation())
        assert one.verdict([Said("telemetry_loss", JUDGE_S + DAY_S + HOUR_S, None, 0)]) == []
        assert one.verdict([Said("telemetry_loss", JUDGE_S + 5 * DAY_S, None, 0)]) == ["said telemetry_loss"]


class TestEveryChange:
    def test_the_same_twice(self, told):
        for one in told:
            again, wish = one.life.play(one.healthy)
            assert wish == one.expectation
            for role, (t, v) in one.case.log.items():
                np.testing.assert_array_equal(again.log[role][0], t)
                np.testing.assert_array_equal(again.log[role][1], v)

    def test_the_healthy_log_is_left_alone(self):
        healthy, kept = station(), station()
        for life in LIVES:
            if all(PROPERTIES[need](healthy) for need in life.needs):
                life.play(healthy)
        for role, (t, v) in kept.log.items():
            np.testing.assert_array_equal(healthy.log[role][0], t)
            np.testing.assert_array_equal(healthy.log[role][1], v)

    def test_times_stay_but_where_a_life_is_of_clocks_and_links(self, told):
        for one in told:
            for role, (t, _) in one.case.log.items():
                assert np.all(np.diff(t) > 0), one.life.name
                if one.life.name not in CLOCKS:
                    np.testing.assert_array_equal(t, one.healthy.log[role][0], one.life.name)

    def test_what_was_learned_from_stays(self, told):
        for one in told:
            if one.life.name == "low already when learning ended":
                continue
            for role, (t, v) in one.case.log.items():
                old_t, old_v = one.healthy.log[role]
                learnt, old_learnt = t < JUDGE_S, old_t < JUDGE_S
                np.testing.assert_array_equal(v[learnt], old_v[old_learnt], one.life.name)

    def test_something_changes_but_where_nothing_happens(self, told):
        for one in told:
            same = all(
                np.array_equal(t, one.healthy.log[role][0]) and np.array_equal(v, one.healthy.log[role][1])
                for role, (t, v) in one.case.log.items()
            )
            assert same == (one.life.name == "nothing happens"), one.life.name

    def test_no_water_runs_backwards_and_no_outlet_is_pumped_up(self, told):
        readings = {"tags are swapped", "spikes", "drifts", "far off", "freezes"}
        for one in told:
            if any(word in one.life.name for word in readings) or one.life.name in CLOCKS:
                continue
            t, outlet = one.case.log["outlet"]
            assert outlet.min() >= -1.0, one.life.name
            inlet = np.interp(t, *one.case.log["inlet"])
            assert np.max(outlet - inlet) < 5.0, one.life.name  # both transmitters' noise and steps
            if "flow" in one.case.log:
                assert one.case.log["flow"][1].min() >= 0.0, one.life.name

    def test_the_readings_of_every_case_can_be_made(self, told):
        for one in told:
            rows = one.case.readings
            assert np.isfinite(rows.outlet_kpa).mean() > 0.5
            assert rows.end_s <= one.case.end_s


class TestHydraulics:
    def test_droop_and_main_loss_are_found_as_they_were_made(self):
        how = ch.manner(station())
        slope = (how.offset_kpa[-1] - how.offset_kpa[0]) / (how.at_lps[-1] - how.at_lps[0])
        assert slope == pytest.approx(DROOP, rel=0.05)
        assert how.main_loss == pytest.approx(LOSS, rel=0.1)
        assert how.kv_full_m3h == RATED

    def test_a_hole_shows_in_all_three_channels(self):
        """By hand: 4 L/s more, outlet down by droop times 4, inlet by loss times (Q + 4)^2 - Q^2; hole and
        the customers feel the lower outlet by powers of its share.
        """
        healthy, begin = station(), JUDGE_S + 2 * DAY_S
        changed = ch.drawing(healthy, lambda t: 4.0 * (t >= begin))
        t, flow = healthy.log["flow"]
        on = t >= begin + 600
        q = ch.steadied(ch.rows_at(healthy, t), 60).flow_lps[on]
        share = 1 + DROOP * 4 / SET_KPA
        by_hand = 4 * share**0.5 - q * (1 - share**0.35)
        flow_by = (changed.log["flow"][1] - flow)[on]
        np.testing.assert_allclose(flow_by, by_hand, atol=0.03)
        outlet_by = (changed.log["outlet"][1] - healthy.log["outlet"][1])[on]
        assert np.median(outlet_by) == pytest.approx(DROOP * np.median(flow_by), rel=0.1)
        inlet_by = (changed.log["inlet"][1] - healthy.log["inlet"][1])[on]
        np.testing.assert_allclose(inlet_by, -LOSS * ((q + flow_by) ** 2 - q**2), rtol=0.15, atol=0.4)

    def test_the_least_night_flow_rises_by_the_hole(self):
        healthy, begin = station(), JUDGE_S + 2 * DAY_S
        changed = ch.drawing(healthy, lambda t: 2.0 * (t >= begin))
        t = healthy.log["flow"][0]
        later = t > begin + DAY_S
        rise = np.quantile(changed.log["flow"][1][later], 0.02) - np.quantile(
            healthy.log["flow"][1][later], 0.02
        )
        assert rise == pytest.approx(2.0, abs=0.06)

    def test_a_valve_wide_open_passes_what_its_kv_says(self):
        """Kv = Q sqrt(1 bar / dp), Q in m3/h (IEC 60534-2-1, turbulent, water): 10 L/s at 100 kPa is 36.0."""
        assert float(ch.opening_m3h(_rows(inlet=300.0, outlet=200.0, flow=10.0))[0]) == pytest.approx(36.0)
        healthy, begin = station(), JUDGE_S + 2 * DAY_S
        changed = ch.drawing(healthy, lambda t: 80.0 * (t >= begin))
        on = healthy.log["flow"][0] >= begin + 600
        inlet, outlet, flow = (changed.log[role][1][on] for role in ("inlet", "outlet", "flow"))
        assert np.median(outlet) < 0.8 * SET_KPA
        np.testing.assert_allclose(36 * flow / np.sqrt(inlet - outlet), RATED, rtol=0.02)

    def test_a_stuck_valve_keeps_its_kv_and_balances(self):
        healthy, begin = station(), JUDGE_S + 2 * DAY_S
        changed = ch.opening(healthy, lambda t, _: np.where(t >= begin, 15.0, np.nan))
        on = healthy.log["flow"][0] >= begin + 600
        inlet, outlet, flow = (changed.log[role][1][on] for role in ("inlet", "outlet", "flow"))
        np.testing.assert_allclose(np.median(36 * flow / np.sqrt(inlet - outlet)), 15.0, rtol=0.02)
        busy = healthy.log["flow"][1][on] > 9
        quiet = healthy.log["flow"][1][on] < 4
        assert np.median(outlet[busy]) < SET_KPA < np.median(outlet[quiet])

    def test_a_starved_station_falls_with_its_inlet(self):
        healthy, begin = station(), JUDGE_S + 2 * DAY_S
        changed = ch.feeding(healthy, lambda r: -400.0 * (r.times_s >= begin))
        on = healthy.log["flow"][0] >= begin + 600
        inlet, outlet, flow = (changed.log[role][1][on] for role in ("inlet", "outlet", "flow"))
        np.testing.assert_allclose(inlet - outlet, (36 * flow / RATED) ** 2, atol=2.5)
        assert np.all(flow < healthy.log["flow"][1][on] + 0.02)

    def test_a_station_with_enough_left_holds_its_outlet(self):
        healthy, begin = station(), JUDGE_S + 2 * DAY_S
        changed = ch.feeding(healthy, lambda r: -150.0 * (r.times_s >= begin))
        for role in ("outlet", "flow"):
            np.testing.assert_array_equal(changed.log[role][1], healthy.log[role][1])

    def test_a_seeping_seat_fills_as_an_orifice_does(self):
        """Independent: dP/dt = a sqrt(inlet - P), solved numerically; a from a quarter of the way in 4 h."""
        healthy = station(still=True)
        changed = ch.seeping(healthy, JUDGE_S, 0.25)
        t, outlet = changed.log["outlet"]
        night = (t > JUDGE_S + HOUR_S) & (t < JUDGE_S + 5 * HOUR_S)
        gap = SOURCE_KPA - (SET_KPA + 12)
        a = 2 * np.sqrt(gap) * (1 - np.sqrt(0.75)) / (4 * HOUR_S)
        s = (t[night] - t[night][0]).astype(float)
        solved = solve_ivp(
            lambda _, p: a * np.sqrt(SOURCE_KPA - p), (0, s[-1]), [SET_KPA + 12], t_eval=s, rtol=1e-8
        )
        np.testing.assert_allclose(outlet[night], solved.y[0], atol=1.5)
        by_day = (t > JUDGE_S + 6 * HOUR_S) & (t < JUDGE_S + 23 * HOUR_S)
        np.testing.assert_array_equal(outlet[by_day], healthy.log["outlet"][1][by_day])

    def test_a_shut_station_loses_nothing_on_its_main(self):
        healthy, begin = station(), JUDGE_S + 2 * DAY_S
        changed = ch.shut(healthy, begin, begin + DAY_S, lambda r: r.outlet_kpa)
        t = healthy.log["flow"][0]
        on = (t >= begin) & (t < begin + DAY_S)
        assert np.all(changed.log["flow"][1][on] == 0)
        np.testing.assert_allclose(changed.log["inlet"][1][on], SOURCE_KPA, atol=3.0)

    def test_swings_have_the_period_they_were_given(self):
        healthy = station()
        changed = ch.swinging(healthy, lambda t: 4.0 * (t >= JUDGE_S), 600.0, "test")
        swing = (changed.log["outlet"][1] - healthy.log["outlet"][1])[healthy.log["outlet"][0] >= JUDGE_S]
        assert np.ptp(swing) == pytest.approx(8.0, abs=0.5)
        crossings = np.sum(np.diff(np.sign(swing + 1e-6)) > 0)
        assert len(swing) * 60.0 / crossings == pytest.approx(600.0, rel=0.05)

    def test_a_change_is_read_in_the_instruments_own_steps(self):
        changed = ch.holding(station(), lambda t: 3.21 * (t >= JUDGE_S))
        tenths = changed.log["outlet"][1] * 10
        np.testing.assert_allclose(tenths, np.round(tenths), atol=1e-6)

    def test_refused_values_stay_refused(self):
        healthy = station()
        healthy.log["outlet"][1][25_000:25_010] = np.nan
        changed = ch.holding(healthy, lambda t: 5.0 * (t >= START_S))
        assert np.isnan(changed.log["outlet"][1][25_000:25_010]).all()
        assert np.isfinite(changed.log["outlet"][1]).sum() == len(changed.log["outlet"][1]) - 10


class TestStations:
    def test_moments_follow_the_local_clock(self):
        case = replace(station(), time_zone="Europe/Oslo")
        noon = ch.moment(case, 0, 12.0)
        assert noon == JUDGE_S + 11 * HOUR_S  # 24 March 2025: UTC+1, clocks go on on the 30th
        assert ch.moment(case, 7, 12.0) == JUDGE_S + 7 * DAY_S + 10 * HOUR_S
        assert float(ch.hour_of(case, np.array([noon]))[0]) == pytest.approx(12.0)

    def test_lives_are_told_where_they_can_happen(self):
        shelf = Shelf(stations)
        assert shelf.pick(("no_flow", "shut_nights"), "any").id == "no meter"
        assert shelf.pick(("zone",), "any").id == "zone"
        assert shelf.pick(("coarse",), "any").id == "coarse"
        assert shelf.pick(("coarse", "shut_nights"), "any") is None

    def test_a_zone_is_made_where_there_is_none(self):
        assert Shelf(lambda: [station()]).pick(("zone", "flow"), "any").id == "made"
        made = ch.with_neighbour(station())
        assert made.neighbour is not None
        assert np.median(made.neighbour[1]) == pytest.approx(0.995 * SET_KPA, rel=0.01)

    def test_a_case_says_what_was_made_of_it(self, told):
        for one in told:
            assert one.case.kind == one.life.name
            assert one.case.episode is None or isinstance(one.case.episode, Episode)


def _rows(*, inlet: float, outlet: float, flow: float) -> ch.Rows:
    return ch.Rows(np.zeros(1), np.array([inlet]), np.array([outlet]), np.array([flow]))
