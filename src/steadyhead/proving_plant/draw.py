"""Draw station designs at random, each sound and sized as a designer would size it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from steadyhead.proving_plant.district import District, Neighbour, NightWithout
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.pilot import PilotCircuit
from steadyhead.proving_plant.scenario import SmallValve, StationDesign, commissioned, liveliness
from steadyhead.proving_plant.valve import MainValve

Span = tuple[float, float]
PEAK_OVER_MEAN = 2.2


@dataclass(frozen=True, slots=True)
class Ranges:
    """From where designs are drawn, uniform; mean demand and the lags log-uniform.

    full_share : Kv needed at peak over full-open Kv; small is an oversized valve
    lock_up_share : lock-up rise over set
    sense_lag_s, main_s : the two lags that decide how fast the station may hunt
    storage_ratio : district compliance over that of the outlet main
    impedance_share : surge impedance times flow per travel, over the pressure drop
    liveliness : for lively stations; above 1 bad needles make them hunt
    lively_lag_s, lively_main_s, lively_impedance_share : as above, for lively stations
    leakage_share : leakage over mean demand, where there are no closed nights
    """

    set_kpa: Span = (220.0, 600.0)
    drop_kpa: Span = (130.0, 420.0)
    mean_demand_lps: Span = (1.0, 30.0)
    full_share: Span = (0.25, 0.6)
    lock_up_share: Span = (0.012, 0.035)
    sense_lag_s: Span = (1.0, 4.0)
    main_s: Span = (1.0, 4.0)
    storage_ratio: Span = (5.0, 15.0)
    impedance_share: Span = (0.25, 0.6)
    liveliness: Span = (2.0, 4.5)
    lively_lag_s: Span = (1.0, 5.0)
    lively_main_s: Span = (1.0, 6.0)
    lively_impedance_share: Span = (0.5, 1.0)
    leakage_share: Span = (0.05, 0.25)
    leakage_power: Span = (0.6, 1.4)
    pressure_share: Span = (0.1, 0.6)
    pump_kpa: Span = (0.0, 20.0)
    inlet_loss_share: Span = (0.05, 0.2)


def draw_design(
    rng: np.random.Generator,
    ranges: Ranges | None = None,
    *,
    lively: bool = False,
    closed_nights: bool = False,
    small_valve: bool = False,
    neighbour: bool = False,
    schedule: bool = False,
) -> StationDesign:
    """A sound, commissioned station.

    lively : its pilot circuit is quick enough to hunt with needles out or air in it
    closed_nights : demand is exactly zero for hours each night, and nothing leaks
    small_valve, neighbour, schedule : it has a low-flow valve, a second feed, a night set
    """
    r = Ranges() if ranges is None else ranges

    def take(span: Span) -> float:
        return float(rng.uniform(*span))

    def log_take(span: Span) -> float:
        return float(np.exp(rng.uniform(*np.log(span))))

    set_kpa, drop = take(r.set_kpa), take(r.drop_kpa)
    mean = log_take(r.mean_demand_lps)
    peak = mean * PEAK_OVER_MEAN
    kv = peak * 36.0 / math.sqrt(drop) / take(r.full_share)
    valve = MainValve(size_mm=nominal_size_mm(kv), kv_m3h=kv, stroke_l=0.7 * (kv / 120.0) ** 1.3)
    sense_lag_s = log_take(r.lively_lag_s if lively else r.sense_lag_s)
    main_s = log_take(r.lively_main_s if lively else r.main_s)
    impedance_share = take(r.lively_impedance_share if lively else r.impedance_share)
    impedance = impedance_share * min(drop, 0.7 * set_kpa) / (kv / 36.0 * math.sqrt(drop))
    leakage = 0.0 if closed_nights else take(r.leakage_share) * mean
    main_compliance = main_s / impedance
    district = District(
        mean_demand_lps=mean,
        morning=take((0.7, 1.2)),
        evening=take((0.5, 1.0)),
        night=take((0.25, 0.5)),
        morning_hour=take((6.5, 8.5)),
        evening_hour=take((18.0, 20.5)),
        draws_per_hour=take((2.0, 8.0)),
        draw_lps=take((0.03, 0.08)) * mean,
        night_without=night(rng) if closed_nights else None,
        leakage_lps=leakage,
        leakage_power=take(r.leakage_power),
        pressure_share=take(r.pressure_share),
        main_compliance=main_compliance,
        compliance=main_compliance * take(r.storage_ratio),
        surge_impedance=impedance,
        line_loss=take((1.0, 8.0)) / peak**2,
        neighbour=next_station(rng, set_kpa, mean) if neighbour else None,
    )
    inlet = Inlet(
        base_kpa=set_kpa + drop,
        daily_swing_kpa=take((4.0, 20.0)),
        wander_kpa=take((2.0, 8.0)),
        pump_kpa=take(r.pump_kpa) if rng.random() < 0.5 else 0.0,
        pump_hours=take((1.5, 5.0)),
        loss=take(r.inlet_loss_share) * drop / peak**2,
    )
    pilot = PilotCircuit(sense_lag_s=sense_lag_s)
    size = (kv / 120.0) ** 0.9
    pilot = replace(
        pilot, restriction=pilot.restriction * size, strainer=pilot.strainer * size, pilot=pilot.pilot * size
    )
    pilot = replace(pilot, band_kpa=take(r.lock_up_share) * set_kpa / pilot.working_opening(valve))
    design = StationDesign(
        set_kpa=set_kpa,
        valve=valve,
        pilot=pilot,
        district=district,
        inlet=inlet,
        small_valve=SmallValve(0.06 * kv, 0.02 * set_kpa, 0.03 * set_kpa) if small_valve else None,
        schedule=((5.0, set_kpa), (23.0, set_kpa * take((0.82, 0.93)))) if schedule else (),
    )
    wanted = take(r.liveliness) if lively else min(liveliness(design), 0.8)
    return commissioned(with_pilot_speed(design, wanted / liveliness(design)))


def with_pilot_speed(design: StationDesign, factor: float) -> StationDesign:
    """The design with all orifices of the pilot circuit scaled alike: quicker, with the same balance."""
    p = design.pilot
    scaled = replace(
        p, restriction=p.restriction * factor, strainer=p.strainer * factor, pilot=p.pilot * factor
    )
    return replace(design, pilot=scaled)


def night(rng: np.random.Generator) -> NightWithout:
    """Hours without demand that last four to five and a half hours."""
    begin = float(rng.uniform(0.0, 1.0))
    return NightWithout(begin, begin + float(rng.uniform(4.0, 5.5)), float(rng.uniform(0.1, 0.3)))


def next_station(rng: np.random.Generator, set_kpa: float, mean_demand_lps: float) -> Neighbour:
    """A neighbour that holds 4 to 8 % less, so that it rests unless ours fails."""
    return Neighbour(set_kpa * float(rng.uniform(0.92, 0.96)), 0.015 * set_kpa / mean_demand_lps)


def nominal_size_mm(kv_m3h: float) -> int:
    """Nominal size a globe valve of that Kv might have; common practice, no source."""
    for size_mm, kv in (
        (40, 20.0),
        (50, 40.0),
        (65, 60.0),
        (80, 95.0),
        (100, 160.0),
        (150, 360.0),
        (200, 640.0),
    ):
        if kv_m3h <= kv:
            return size_mm
    return 250
