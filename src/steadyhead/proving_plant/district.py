"""The district: how much water it stores, how its demand runs over the day, what leaks."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from steadyhead.proving_plant.noise import Wander, stream
from steadyhead.types import FloatArray

LONGEST_DRAW_S = 3600
HOUR_S = 3600.0


@dataclass(frozen=True, slots=True)
class NightWithout:
    """Local hours in which demand is exactly zero, each night a little different."""

    from_hour: float = 0.5
    to_hour: float = 4.75
    jitter_hours: float = 0.25


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Another station feeding the same district, itself a regulator: it gives water, it takes none.

    outlet_kpa : what it holds, as felt at our outlet [kPa]
    resistance : fall of pressure per flow between it and the district [kPa per L/s]
    """

    outlet_kpa: float = 360.0
    resistance: float = 12.0


@dataclass(frozen=True, slots=True)
class District:
    """Pipes and people behind the valve.

    mean_demand_lps : mean of the demand pattern, leakage not counted [L/s]
    morning, evening, night : weights of the two peaks and of the night floor
    morning_hour, evening_hour : local hours of the peaks on weekdays; weekends are 1.5 h later in the morning
    hours_noise, minutes_noise, seconds_noise : relative wander of demand with 2 h, 5 min and 12 s memory
    draws_per_hour, draw_lps : single large draw-offs and their mean size, a few minutes each
    night_without : hours of exactly zero demand, if the district has them
    leakage_lps, leakage_power : leakage at the reference pressure, and N1 in Q ~ P^N1
    pressure_share : share of demand that goes with the root of pressure
    compliance, main_compliance : water stored per pressure [L/kPa], in the district and close to the outlet
    surge_impedance : pressure per flow that a sudden change meets in the outlet main [kPa per L/s]
    line_s : how long that lasts: reflections from the district relieve it
    line_loss : friction between outlet and district [kPa per (L/s)^2]
    """

    mean_demand_lps: float = 8.0
    morning: float = 1.0
    evening: float = 0.8
    night: float = 0.35
    morning_hour: float = 7.5
    evening_hour: float = 19.0
    hours_noise: float = 0.05
    minutes_noise: float = 0.04
    seconds_noise: float = 0.025
    draws_per_hour: float = 4.0
    draw_lps: float = 0.5
    night_without: NightWithout | None = None
    leakage_lps: float = 1.2
    leakage_power: float = 1.1
    pressure_share: float = 0.4
    compliance: float = 2.0
    main_compliance: float = 0.3
    surge_impedance: float = 5.0
    line_s: float = 20.0
    line_loss: float = 0.02
    neighbour: Neighbour | None = None


@dataclass(slots=True)
class DemandMaker:
    """Makes the nominal demand second by second, carrying what spans a day's end."""

    district: District
    seed: int
    hours: Wander = field(default_factory=lambda: Wander(2.0 * HOUR_S))
    minutes: Wander = field(default_factory=lambda: Wander(300.0))
    seconds: Wander = field(default_factory=lambda: Wander(12.0))
    tail_lps: FloatArray = field(default_factory=lambda: np.zeros(LONGEST_DRAW_S))

    def take(self, stretch: int, local_s: FloatArray) -> FloatArray:
        """Nominal demand each second [L/s]; local_s : local wall clock as seconds since 1970-01-01."""
        n = local_s.shape[0]
        d = self.district
        base = pattern(d, local_s) * d.mean_demand_lps
        factor = (
            1.0
            + d.hours_noise * self.hours.take(stream(self.seed, "hours", stretch), n)
            + d.minutes_noise * self.minutes.take(stream(self.seed, "minutes", stretch), n)
            + d.seconds_noise * self.seconds.take(stream(self.seed, "seconds", stretch), n)
        )
        demand = base * np.maximum(factor, 0.05) + self._draws(stretch, local_s)
        if d.night_without is not None:
            demand *= self._awake(d.night_without, local_s)
        return np.asarray(demand, dtype=np.float64)

    def _draws(self, stretch: int, local_s: FloatArray) -> FloatArray:
        """Single draw-offs, more of them when the pattern is high; shape of ``local_s``."""
        rng = stream(self.seed, "draws", stretch)
        n = local_s.shape[0]
        d = self.district
        count = int(rng.poisson(2.0 * d.draws_per_hour * n / HOUR_S))
        begins = rng.integers(0, n, count)
        lengths = np.clip(rng.lognormal(np.log(150.0), 0.7, count), 15, LONGEST_DRAW_S - 1).astype(np.int64)
        sizes = d.draw_lps * rng.lognormal(-0.125, 0.5, count)
        # Thinned by the pattern, so that nights are quiet; twice as many are drawn as are kept on average.
        kept = rng.random(count) < 0.5 * pattern(d, local_s[begins]) if count else np.zeros(0, dtype=bool)
        change = np.zeros(n + LONGEST_DRAW_S)
        np.add.at(change, begins[kept], sizes[kept])
        np.add.at(change, begins[kept] + lengths[kept], -sizes[kept])
        flow = np.cumsum(change)
        over = min(n, LONGEST_DRAW_S)
        flow[:over] += self.tail_lps[:over]
        self.tail_lps = flow[n:].copy()
        return np.asarray(np.maximum(flow[:n], 0.0), dtype=np.float64)

    def _awake(self, night: NightWithout, local_s: FloatArray) -> FloatArray:
        """1 by day, exactly 0 in the hours without demand, with edges of a few minutes."""
        hour = np.mod(local_s / HOUR_S, 24.0)
        day = np.floor(local_s / (24 * HOUR_S)).astype(np.int64)
        share = np.ones_like(hour)
        for number in np.unique(day):
            rng = np.random.default_rng([self.seed, 77, int(number)])
            shift = rng.normal(0.0, night.jitter_hours, 2)
            here = day == number
            begin, end = night.from_hour + shift[0], night.to_hour + shift[1]
            edge = 0.15
            inside = np.minimum((hour[here] - begin) / edge, (end - hour[here]) / edge)
            share[here] = 1.0 - np.clip(inside, 0.0, 1.0)
        return share


def pattern(district: District, local_s: FloatArray) -> FloatArray:
    """Demand over its mean, by local time of day and day of week; shape of ``local_s``."""
    hour = np.mod(local_s / HOUR_S, 24.0)
    weekday = np.mod(np.floor(local_s / (24 * HOUR_S)) + 3, 7)  # 1970-01-01 was a Thursday
    weekend = weekday >= 5
    d = district
    morning_hour = d.morning_hour + 1.5 * weekend

    def bump(centre: FloatArray | float, width: float) -> FloatArray:
        away = np.abs(hour - centre)
        away = np.minimum(away, 24.0 - away)
        return np.asarray(np.exp(-0.5 * (away / width) ** 2), dtype=np.float64)

    shape = d.night + d.morning * bump(morning_hour, 1.8) + d.evening * bump(d.evening_hour, 2.5)
    shape = shape + 0.45 * (d.morning + d.evening) / 1.8 * bump(13.0, 4.0)
    # Areas of the bumps over 24 h: width * sqrt(2 pi).
    root = np.sqrt(2.0 * np.pi) / 24.0
    mean = d.night + root * (1.8 * d.morning + 2.5 * d.evening + 4.0 * 0.45 * (d.morning + d.evening) / 1.8)
    return np.asarray(shape * (1.0 + 0.06 * weekend) / mean, dtype=np.float64)
