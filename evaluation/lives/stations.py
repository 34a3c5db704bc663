"""Healthy stations to change: of the proving plant, and of any other world by what its cases are like."""

from __future__ import annotations

import importlib
from collections.abc import Callable, Mapping, Sequence
from functools import cache
from itertools import islice
from zlib import crc32

import numpy as np

from evaluation.case import DAY_S, VALVE_FAULTS, Case
from evaluation.lives.changing import in_hours, lock_up, manner, rows_at
from steadyhead.config.model import Role
from steadyhead.proving_plant import (
    District,
    Inlet,
    Instruments,
    MainValve,
    Neighbour,
    NightWithout,
    Scenario,
    StationDesign,
    commissioned,
    simulate,
)
from steadyhead.types import FloatArray, IntArray

LEARN_DAYS, JUDGE_DAYS = 21, 21
LEAST_JUDGED_DAYS = 13
LOOKED_AT = 130
"""Cases of another world that are looked at to find its healthy ones."""

Maker = Callable[[], Sequence[Case]]


def _designs() -> dict[str, tuple[StationDesign, Instruments, str]]:
    """Invented stations: what is behind them, what logs them, where."""
    asleep = NightWithout()
    return {
        "brook": (
            StationDesign(set_kpa=380.0, inlet=Inlet(base_kpa=640.0)),
            Instruments(interval_s=60),
            "Europe/London",
        ),
        "hilltop": (
            StationDesign(
                set_kpa=310.0,
                inlet=Inlet(base_kpa=560.0, pump_kpa=25.0),
                district=District(mean_demand_lps=3.0, night_without=asleep, leakage_lps=0.0),
            ),
            Instruments(interval_s=300),
            "Europe/Oslo",
        ),
        "spinney": (
            StationDesign(
                set_kpa=450.0,
                inlet=Inlet(base_kpa=800.0, daily_swing_kpa=25.0),
                district=District(mean_demand_lps=14.0, leakage_lps=2.5),
                valve=MainValve(size_mm=150, kv_m3h=230.0),
            ),
            Instruments(interval_s=900, averaged=True),
            "Australia/Adelaide",
        ),
        "lane": (
            StationDesign(
                set_kpa=350.0,
                inlet=Inlet(base_kpa=620.0),
                district=District(mean_demand_lps=2.5, night_without=asleep, leakage_lps=0.0),
            ),
            Instruments(interval_s=60, has_flow=False),
            "America/Chicago",
        ),
        "quay": (
            StationDesign(
                set_kpa=400.0,
                inlet=Inlet(base_kpa=690.0),
                district=District(mean_demand_lps=9.0, neighbour=Neighbour(outlet_kpa=385.0, resistance=4.0)),
            ),
            Instruments(interval_s=60),
            "Europe/Oslo",
        ),
        "farm": (
            StationDesign(
                set_kpa=420.0,
                inlet=Inlet(base_kpa=700.0),
                district=District(mean_demand_lps=2.0, night_without=asleep, leakage_lps=0.0, draw_lps=0.7),
                valve=MainValve(size_mm=80, kv_m3h=70.0),
            ),
            Instruments(interval_s=60, cutoff_lps=0.15),
            "Europe/London",
        ),
        "heights": (
            StationDesign(
                set_kpa=520.0,
                inlet=Inlet(base_kpa=830.0, loss=0.01),
                district=District(mean_demand_lps=32.0, leakage_lps=5.0, surge_impedance=2.0, compliance=6.0),
                valve=MainValve(size_mm=200, kv_m3h=420.0, stroke_l=2.4),
            ),
            Instruments(interval_s=120, averaged=True, pressure_resolution_kpa=0.5),
            "America/Chicago",
        ),
        "works": (
            StationDesign(set_kpa=330.0, inlet=Inlet(base_kpa=500.0), district=District(mean_demand_lps=6.0)),
            Instruments(interval_s=600, has_flow=False),
            "Europe/London",
        ),
    }


@cache
def plant() -> tuple[Case, ...]:
    """Healthy stations of the proving plant, 21 days to learn from and 21 to judge; made once."""
    return tuple(_simulated(name) for name in _designs())


def _simulated(name: str) -> Case:
    design, instruments, time_zone = _designs()[name]
    scenario = Scenario(
        name,
        commissioned(design),
        instruments,
        duration_s=(LEARN_DAYS + JUDGE_DAYS) * DAY_S,
        seed=crc32(name.encode()) % 10_000,
        time_zone=time_zone,
    )
    readings = simulate(scenario).readings
    roles: dict[Role, FloatArray] = {"inlet": readings.inlet_kpa, "outlet": readings.outlet_kpa}
    if instruments.has_flow:
        roles["flow"] = readings.flow_lps
    is_zone = design.district.neighbour is not None
    says_much = name in ("brook", "hilltop", "quay", "lane")  # about half of all registries do
    return Case(
        id=name,
        world="plant",
        group="healthy",
        kind="healthy",
        step_s=instruments.interval_s,
        time_zone=time_zone,
        learn_from_s=scenario.start_s,
        judge_from_s=scenario.start_s + LEARN_DAYS * DAY_S,
        end_s=scenario.end_s,
        log={role: _sent(readings.times_s, values) for role, values in roles.items()},
        neighbour=_sent(readings.times_s, readings.neighbour_kpa) if is_zone else None,
        averaged=instruments.averaged,
        nominal_kpa=design.set_kpa if says_much else None,
        rated_kv_m3h=design.valve.kv_m3h if says_much else None,
        cutoff_lps=instruments.cutoff_lps if says_much and instruments.has_flow else None,
    )


def _sent(times_s: IntArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    there = np.isfinite(values)
    return times_s[there], values[there]


def of_world(name: str, seed: int = 1) -> Maker:
    """Healthy cases of ``evaluation.<name>`` that lives can be told at.

    Sent every step, an outlet that is held at one pressure without a command, and at least 13 days to judge.
    Ordinary days of their own stay in (``LifeCase.verdict`` knows of them), borderline faults do not.
    """

    @cache
    def made() -> tuple[Case, ...]:
        every = importlib.import_module(f"evaluation.{name}").cases(LOOKED_AT, seed)
        return tuple(case for case in islice(every, LOOKED_AT) if case.group == "healthy" and _is_plain(case))

    return made


def _is_plain(case: Case) -> bool:
    is_borderline = any(
        set(own.allowed) & set(VALVE_FAULTS) and own.to_s - own.from_s > DAY_S for own in case.life
    )
    is_short = case.end_s - case.judge_from_s < LEAST_JUDGED_DAYS * DAY_S
    if case.heartbeat_s is not None or is_borderline or is_short or "command" in case.log:
        return False
    low, middle, high = np.nanquantile(case.log["outlet"][1], [0.1, 0.5, 0.9])
    return bool("inlet" in case.log and high - low < 0.08 * middle)


# Properties.


def _has_flow(case: Case) -> bool:
    return "flow" in case.log


def _has_night_flow(case: Case) -> bool:
    return _has_flow(case) and manner(case).night_lps > 0.08 * manner(case).mean_lps


def _has_shut_nights(case: Case) -> bool:
    times_s = case.log["outlet"][0]
    rows = rows_at(case, times_s[times_s < case.judge_from_s])
    night = in_hours(case, rows.times_s, 1.5, 3.75, 0.01) > 0
    if _has_flow(case):
        return bool(np.mean(rows.flow_lps[night] <= 0) > 0.7)
    lock_up_kpa, day_kpa = lock_up(case, rows)  # no meter: lock-up shows as a step up that stands still
    spread = np.subtract(*np.quantile(rows.outlet_kpa[night], [0.9, 0.1]))
    return bool(lock_up_kpa - day_kpa > 0.02 * day_kpa and spread < 0.6 * (lock_up_kpa - day_kpa))


PROPERTIES: Mapping[str, Callable[[Case], bool]] = {
    "flow": _has_flow,
    "no_flow": lambda case: not _has_flow(case),
    "night_flow": _has_night_flow,
    "shut_nights": _has_shut_nights,
    "each_minute": lambda case: case.step_s <= 60,
    "each_two_minutes": lambda case: case.step_s <= 120,
    "coarse": lambda case: case.step_s >= 600,
    "zone": lambda case: case.neighbour is not None,
    "alone": lambda case: case.neighbour is None,
    "nominal": lambda case: case.nominal_kpa is not None,
}


class Shelf:
    """The stations of one world with what is known of them, so that each is looked at once."""

    def __init__(self, maker: Maker) -> None:
        self.cases = list(maker())
        self._found: dict[tuple[int, str], bool] = {}

    def _is(self, number: int, name: str) -> bool:
        key = (number, name)
        if key not in self._found:
            self._found[key] = PROPERTIES[name](self.cases[number])
        return self._found[key]

    def pick(self, needs: tuple[str, ...], name: str) -> Case | None:
        """A station with these properties, by the life's name, so that lives spread over stations.

        Where no station of the world has a neighbour, one that stands alone will do: the life adds one.
        """
        if "zone" in needs and not any(self._is(n, "zone") for n in range(len(self.cases))):
            needs = tuple(need for need in needs if need != "zone")
        fit = [n for n in range(len(self.cases)) if all(self._is(n, need) for need in needs)]
        return self.cases[fit[crc32(name.encode()) % len(fit)]] if fit else None
