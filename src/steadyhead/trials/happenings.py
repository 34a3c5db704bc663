"""Draw what happens in a case: when a fault begins and how it grows, or which event with what size."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from zoneinfo import ZoneInfo

import numpy as np

from steadyhead.proving_plant import StationDesign
from steadyhead.proving_plant.district import pattern
from steadyhead.proving_plant.draw import PEAK_OVER_MEAN
from steadyhead.trials.cases import Happening
from steadyhead.trials.ranges import Ranges, Span

Rng = np.random.Generator
WORKING_HOURS = (8.0, 16.0)
SET_CHANGED_IN_WORKING_HOURS = 0.85  # the rest by whoever is called out
SUDDEN_SHARE = 0.4
SUDDEN_DRIFT_SHARE = 0.125
SPRINGS = ("spring_relaxed", "spring_creep_up")


def between(rng: Rng, span: Span) -> float:
    """Evenly between the two, to four digits."""
    return float(f"{rng.uniform(*span):.4g}")


def log_between(rng: Rng, span: Span) -> float:
    """Evenly in the logarithm, to three digits."""
    return float(f"{np.exp(rng.uniform(*np.log(span))):.3g}")


def begin_h(rng: Rng, test_days: int) -> float:
    """Hours into the judged span at which something begins: early enough to be seen out."""
    return round(float(rng.uniform(0.15, 0.35)) * test_days * 24.0, 2)


def draw_ramp_h(rng: Rng, ranges: Ranges, wanted: str, kind: str, left_h: float) -> float:
    """Hours a fault takes to grow, at most until 36 h (or half of what is left) before the end.

    Drift is slow by nature; a spring that jumps cannot be told from a hand on its screw.
    """
    sudden = SUDDEN_SHARE if wanted != "drift" else (0.0 if kind in SPRINGS else SUDDEN_DRIFT_SHARE)
    if rng.random() < sudden:
        return 0.0
    most = max(0.5 * left_h, left_h - 36.0)
    return min(log_between(rng, ranges.ramp_h), round(most, 1))


def draw_event(rng: Rng, kind: str, at: Place) -> tuple[Happening, ...]:
    """The events of a kind; none for kinds that are a trait of the station."""
    return DRAWS[kind](rng, at)


class Place:
    """Where an event is drawn for: the set's ranges, the station, and the judged span."""

    def __init__(self, ranges: Ranges, design: StationDesign, test_s: int, test_days: int, zone: str) -> None:
        self.ranges, self.design = ranges, design
        self.test_s, self.test_days, self.zone = test_s, test_days, ZoneInfo(zone)

    def lasting(self, rng: Rng, hours: Span) -> tuple[float, float]:
        """Begin and end, in hours; ends at the latest half a day before the span does."""
        begin = begin_h(rng, self.test_days)
        longest = self.test_days * 24.0 - 12.0 - begin
        return begin, round(begin + min(between(rng, hours), longest), 2)

    def working_h(self, rng: Rng) -> float:
        """A begin in local working hours of a weekday."""
        begin = begin_h(rng, self.test_days)
        for later in range(7):
            at = dt.datetime.fromtimestamp(self.test_s + 3600.0 * (begin + 24.0 * later), tz=self.zone)
            if at.weekday() < 5:
                hour = at.hour + at.minute / 60.0
                return round(begin + 24.0 * later + between(rng, WORKING_HOURS) - hour, 2)
        return begin


Draw = Callable[[Rng, Place], tuple[Happening, ...]]


def _set_readjusted(rng: Rng, at: Place) -> tuple[Happening, ...]:
    working = rng.random() < SET_CHANGED_IN_WORKING_HOURS
    begin = at.working_h(rng) if working else begin_h(rng, at.test_days)
    size = between(rng, at.ranges.set_move) * (1.0 if rng.random() < 0.5 else -1.0)
    return (Happening("set_readjusted", max(begin, 6.0), size=size),)


def _schedule_added(rng: Rng, at: Place) -> tuple[Happening, ...]:
    low, high = at.ranges.set_move
    return (Happening("schedule_added", begin_h(rng, at.test_days), size=between(rng, (low + 1.0, high))),)


def _lasting(kind: str, hours: Span, size: Callable[[Rng, Place], float], period: Span | None = None) -> Draw:
    def draw(rng: Rng, at: Place) -> tuple[Happening, ...]:
        begin, end = at.lasting(rng, hours)
        period_s = None if period is None else float(round(rng.uniform(*period)))
        return (Happening(kind, begin, end, size=float(f"{size(rng, at):.4g}"), period_s=period_s),)

    return draw


def _inlet_waves(rng: Rng, at: Place) -> tuple[Happening, ...]:
    size = between(rng, at.ranges.wave_share)
    return _lasting(
        "inlet_waves", (2.0, 72.0), lambda _, p: size * p.design.set_kpa, at.ranges.wave_s
    )(rng, at)  # fmt: skip


def _of_mean(span: Span) -> Callable[[Rng, Place], float]:
    return lambda rng, at: rng.uniform(*span) * at.design.district.mean_demand_lps


def _of_peak(span: Span) -> Callable[[Rng, Place], float]:
    return lambda rng, at: rng.uniform(*span) * at.design.district.mean_demand_lps * PEAK_OVER_MEAN


def _of_set(span: Span) -> Callable[[Rng, Place], float]:
    return lambda rng, at: rng.uniform(*span) * at.design.set_kpa


def _plain(span: Span) -> Callable[[Rng, Place], float]:
    return lambda rng, _: rng.uniform(*span)


def _on_channel(kind: str, hours: Span, channels: tuple[str, ...], share_of_set: Span = (0, 0),
                fixed: tuple[float, ...] = (0.0,)) -> Draw:  # fmt: skip
    def draw(rng: Rng, at: Place) -> tuple[Happening, ...]:
        begin, end = at.lasting(rng, hours)
        channel = channels[int(rng.integers(len(channels)))]
        sign = 1.0 if rng.random() < 0.5 else -1.0
        size = sign * rng.uniform(*share_of_set) * at.design.set_kpa if share_of_set[1] else 0.0
        size = size or fixed[int(rng.integers(len(fixed)))]
        return (Happening(kind, begin, end, size=float(f"{size:.4g}"), channel=channel),)

    return draw


PRESSURES = ("outlet", "outlet", "inlet")
DRAWS: dict[str, Draw] = {
    "healthy": lambda _rng, _at: (),
    "high_cutoff": lambda _rng, _at: (),
    "set_readjusted": _set_readjusted,
    "schedule_added": _schedule_added,
    "demand_grown": _lasting("demand_grown", (48.0, 120.0), _plain((25.0, 70.0))),
    "main_break": _lasting("main_break", (4.0, 48.0), _of_peak((0.5, 2.5))),
    "hydrant": _lasting("hydrant", (0.75, 3.0), _of_peak((0.5, 1.6))),
    "inlet_short": _lasting("inlet_short", (1.5, 12.0), _plain((3.0, 20.0))),
    "neighbour_raised": _lasting("neighbour_raised", (8.0, 72.0), _plain((5.0, 15.0))),
    "inlet_waves": _inlet_waves,
    "pump_cycles": _lasting("pump_cycles", (6.0, 96.0), _of_set((0.04, 0.12)), (600.0, 2400.0)),
    "batch_demand": _lasting("batch_demand", (3.0, 72.0), _of_mean((0.2, 0.7)), (120.0, 900.0)),
    "dead_end_warming": _lasting("dead_end_warming", (24.0, 96.0), _plain((10.0, 60.0)), (1500.0, 5400.0)),
    "bypass_opened": _lasting("bypass_opened", (24.0, 96.0), _plain((3.0, 15.0))),
    "transmitter_drift": _on_channel("transmitter_drift", (48.0, 144.0), ("outlet",), (0.04, 0.1)),
    "transmitter_stuck": _on_channel("transmitter_stuck", (12.0, 72.0), PRESSURES),
    "transmitter_spikes": _lasting("transmitter_spikes", (72.0, 168.0), _plain((8.0, 40.0))),
    "transmitter_out_of_range": _on_channel(
        "transmitter_out_of_range", (3.0, 48.0), PRESSURES, fixed=(-250.0, 2500.0)
    ),
    # Smaller offsets look like a set change and cannot be told from one; no screw makes a step like these.
    "transmitter_offset": _on_channel("transmitter_offset", (12.0, 96.0), ("outlet",), (0.25, 0.6)),
    "transmitter_scaled": _on_channel("transmitter_scaled", (12.0, 96.0), PRESSURES, fixed=(0.145,)),
    "tags_swapped": _on_channel("tags_swapped", (12.0, 96.0), ("outlet",)),
    "flow_meter_dead": _on_channel("flow_meter_dead", (24.0, 96.0), ("flow",)),
    "data_gap": _lasting("data_gap", (3.0, 30.0), _plain((0.0, 0.0))),
}


def draw_before(rng: Rng, at: Place, learn_days: int) -> tuple[Happening, ...]:
    """Something that happened while learning, on one station in eight: learning has to cope."""
    if rng.random() > 0.125:
        return ()
    kind = ("hydrant", "inlet_short", "data_gap")[int(rng.integers(3))]
    size = {"hydrant": 0.8 * at.design.district.mean_demand_lps * PEAK_OVER_MEAN, "inlet_short": 8.0}.get(
        kind, 0.0
    )
    begin = -round(float(rng.uniform(0.15, 0.85)) * learn_days * 24.0, 2)
    return (Happening(kind, begin, round(begin + between(rng, (1.0, 5.0)), 2), size=float(f"{size:.4g}")),)


def night_flow_lps(design: StationDesign) -> float:
    """Usual lowest flow of a weekday night [L/s], leakage counted."""
    day = 4 * 86400.0 + np.arange(0.0, 86400.0, 900.0)  # 1970-01-05 was a Monday
    district = design.district
    return float(pattern(district, day).min() * district.mean_demand_lps + district.leakage_lps)
