"""Run a scenario day by day and keep what was true beside what was logged."""

from __future__ import annotations

import copy
import datetime as dt
import math
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo

import numpy as np

from steadyhead.proving_plant import changing as col
from steadyhead.proving_plant import kernel
from steadyhead.proving_plant.changing import Day
from steadyhead.proving_plant.district import DemandMaker
from steadyhead.proving_plant.events import apply_event, tamper_with
from steadyhead.proving_plant.faults import apply_fault
from steadyhead.proving_plant.inlet import SourceMaker
from steadyhead.proving_plant.instruments import (
    DAY_S,
    Bench,
    held_on_change,
    read_flow,
    read_pressure,
    rounded,
    short_gaps,
)
from steadyhead.proving_plant.noise import Wander, stream
from steadyhead.proving_plant.scenario import Scenario, StationDesign, healthy_twin
from steadyhead.readings.frame import Readings, regular
from steadyhead.types import FloatArray, IntArray

MINUTES_OF_DAY = DAY_S // 60
NEIGHBOUR_WANDER_KPA = 1.5
BLOCK_S = 600


@dataclass(frozen=True, slots=True)
class MinuteTruth:
    """What really was, minute by minute; every array has shape (n_minutes,).

    times_s : start of each minute, seconds since 1970-01-01 UTC
    outlet_mean_kpa, outlet_min_kpa, outlet_max_kpa, inlet_mean_kpa, district_kpa, chamber_mean_kpa [kPa]
    flow_mean_lps : through the meter; demand_lps : nominal demand; supplied_lps : water taken from it
    opening_mean : lift in [0, 1]
    swing_kpa : peak to peak of the outlet, trend taken off, in the 10 minutes the minute lies in [kPa]
    beat_s, beat_share : period of the strongest line in those 10 minutes (up to 300 s), its share of power
    set_kpa : what the station was meant to hold; neighbour_kpa : the neighbour's outlet, NaN without one
    """

    times_s: IntArray
    outlet_mean_kpa: FloatArray
    outlet_min_kpa: FloatArray
    outlet_max_kpa: FloatArray
    inlet_mean_kpa: FloatArray
    district_kpa: FloatArray
    chamber_mean_kpa: FloatArray
    flow_mean_lps: FloatArray
    demand_lps: FloatArray
    supplied_lps: FloatArray
    opening_mean: FloatArray
    swing_kpa: FloatArray
    beat_s: FloatArray
    beat_share: FloatArray
    set_kpa: FloatArray
    neighbour_kpa: FloatArray


@dataclass(frozen=True, slots=True)
class PlantRun:
    """A finished run: what was logged, what was true, and on request the truth each second.

    seconds : shape (n_seconds, len(kernel.SECONDS)) when asked for, else None
    """

    scenario: Scenario
    readings: Readings
    minutes: MinuteTruth
    seconds: FloatArray | None = None


@dataclass(slots=True)
class Plant:
    """A plant in mid-run: copy it to let two futures grow from one past."""

    scenario: Scenario
    keep_seconds: bool = False
    day: int = 0
    state: FloatArray = field(default_factory=lambda: np.zeros(len(kernel.STATE)))
    rows: list[dict[str, FloatArray]] = field(default_factory=list)
    truths: list[dict[str, FloatArray]] = field(default_factory=list)
    kept: list[FloatArray] = field(default_factory=list)
    demand: DemandMaker = field(init=False)
    source: SourceMaker = field(init=False)
    bench: Bench = field(init=False)
    neighbour: Wander = field(default_factory=lambda: Wander(45.0))

    def __post_init__(self) -> None:
        s = self.scenario
        self.demand = DemandMaker(s.design.district, s.seed)
        self.source = SourceMaker(s.design.inlet, s.seed)
        self.bench = Bench(s.instruments)
        self.state = settled(s.design)

    def fork(self, scenario: Scenario) -> Plant:
        """The same plant at the same moment, going on under another scenario."""
        twin = copy.copy(self)
        twin.scenario = scenario
        twin.state = self.state.copy()
        twin.rows, twin.truths, twin.kept = list(self.rows), list(self.truths), list(self.kept)
        twin.demand, twin.source = copy.deepcopy(self.demand), copy.deepcopy(self.source)
        twin.bench, twin.neighbour = copy.deepcopy(self.bench), copy.deepcopy(self.neighbour)
        return twin

    def run_day(self) -> None:
        """Step through one more day."""
        s = self.scenario
        start_s = s.start_s + self.day * DAY_S
        local_s = local_clock(start_s, DAY_S, s.time_zone)
        today = Day(
            start_s=start_s,
            minutes=healthy_columns(s.design, MINUTES_OF_DAY),
            set_kpa=scheduled_set(s.design, local_s[::60]),
            demand_lps=self.demand.take(self.day, local_s),
            source_kpa=self.source.take(self.day, local_s),
        )
        today.minutes[:, col.SPRING_SET] = today.set_kpa + s.design.spring_above_kpa
        if s.design.small_valve is not None:
            today.minutes[:, col.BYPASS_SET] = today.set_kpa + s.design.small_valve.above_kpa
        if s.design.district.neighbour is not None:
            wander = self.neighbour.take(stream(s.seed, "neighbour", self.day), MINUTES_OF_DAY)
            today.minutes[:, col.NEIGHBOUR] = (
                s.design.district.neighbour.outlet_kpa + NEIGHBOUR_WANDER_KPA * wander
            )
        for fault in s.faults:
            apply_fault(fault, today, s.design)
        for event in s.events:
            apply_event(event, today, s.design, local_s)
        seconds = kernel.run(
            fixed_of(s.design), today.minutes, today.demand_lps, today.source_kpa, self.state
        )
        self._log(today, seconds)
        self.day += 1

    def _log(self, today: Day, seconds: FloatArray) -> None:
        truth = minute_truth(today, seconds, self.scenario.design)
        self.truths.append(truth)
        rows = {
            "outlet": self.bench.take("outlet", seconds[:, 0]),
            "inlet": self.bench.take("inlet", seconds[:, 1]),
            "flow": self.bench.take("flow", seconds[:, 2]),
        }
        interval_s = self.scenario.instruments.interval_s
        at_minute = (np.arange(rows["outlet"].shape[0]) * interval_s) // 60
        rows["command"] = today.set_kpa[at_minute]
        rows["neighbour"] = truth["neighbour_kpa"][at_minute]
        self.rows.append(rows)
        if self.keep_seconds:
            self.kept.append(seconds.astype(np.float32))

    def finish(self) -> PlantRun:
        """What came of it."""
        s = self.scenario
        joined = {name: np.concatenate([t[name] for t in self.truths]) for name in self.truths[0]}
        minutes = MinuteTruth(
            times_s=s.start_s + 60 * np.arange(joined["set_kpa"].shape[0], dtype=np.int64), **joined
        )
        rows = {name: np.concatenate([r[name] for r in self.rows]) for name in self.rows[0]}
        seconds = np.concatenate(self.kept) if self.kept else None
        return PlantRun(s, logged(s, rows), minutes, seconds)


def simulate(scenario: Scenario, *, keep_seconds: bool = False) -> PlantRun:
    """Run a scenario from its start to its end.

    keep_seconds : also keep the truth of each second, 28 bytes a second
    """
    plant = Plant(scenario, keep_seconds)
    for _ in range(scenario.duration_s // DAY_S):
        plant.run_day()
    return plant.finish()


def simulate_with_twin(scenario: Scenario, *, keep_seconds: bool = False) -> tuple[PlantRun, PlantRun]:
    """The run and its healthy twin; the days before anything happens are stepped only once.

    Where the scenario has faults, the twin keeps the events, so that what differs is the faults' doing alone.
    """
    twin = replace(healthy_twin(scenario), events=scenario.events if scenario.faults else ())
    days = scenario.duration_s // DAY_S
    first = scenario.first_change_s
    shared = days if math.isinf(first) else min(days, max(0, int((first - scenario.start_s) // DAY_S)))
    plant = Plant(twin, keep_seconds)
    for _ in range(shared):
        plant.run_day()
    changed = plant.fork(scenario)
    for _ in range(shared, days):
        plant.run_day()
        changed.run_day()
    return changed.finish(), plant.finish()


def logged(scenario: Scenario, rows: dict[str, FloatArray]) -> Readings:
    """Readings as the telemetry gives them for the true rows of a run."""
    i, seed = scenario.instruments, scenario.seed
    n = rows["outlet"].shape[0]
    times_s = scenario.start_s + i.interval_s * np.arange(n, dtype=np.int64)
    channels = {
        "outlet": read_pressure(rows["outlet"], i, seed, "outlet"),
        "inlet": read_pressure(rows["inlet"], i, seed, "inlet"),
        "flow": read_flow(rows["flow"], i, seed),
        "command": rows["command"].copy(),
        "neighbour": read_pressure(rows["neighbour"], i, seed, "neighbour"),
    }
    for event in scenario.events:
        tamper_with(event, channels, times_s, seed)
    lost = short_gaps(i, seed, n)
    for name, values in channels.items():
        is_flow = name == "flow"
        resolution = i.flow_resolution_lps if is_flow else i.pressure_resolution_kpa
        values = rounded(values, resolution)
        values[lost] = np.nan
        if i.on_change:
            deadband = i.flow_deadband_lps if is_flow else i.pressure_deadband_kpa
            values = held_on_change(values, deadband, max(1, i.heartbeat_s // i.interval_s))
        channels[name] = values
    return regular(
        scenario.name,
        scenario.start_s,
        i.interval_s,
        channels["outlet"],
        inlet_kpa=channels["inlet"] if i.has_inlet else None,
        flow_lps=channels["flow"] if i.has_flow else None,
        command_kpa=channels["command"] if i.has_command else None,
        neighbour_kpa=channels["neighbour"],
    )


def minute_truth(today: Day, seconds: FloatArray, design: StationDesign) -> dict[str, FloatArray]:
    """Minute figures of one day."""
    by_minute = seconds.reshape(-1, 60, seconds.shape[1])
    mean = by_minute.mean(axis=1)
    neighbour = np.full(mean.shape[0], np.nan)
    if design.district.neighbour is not None:
        # A neighbour that is itself held shut reads the district.
        neighbour = np.maximum(today.minutes[:, col.NEIGHBOUR], mean[:, 5])
    swing, beat_s, beat_share = oscillation(seconds[:, 0])
    return {
        "swing_kpa": np.repeat(swing, BLOCK_S // 60),
        "beat_s": np.repeat(beat_s, BLOCK_S // 60),
        "beat_share": np.repeat(beat_share, BLOCK_S // 60),
        "outlet_mean_kpa": mean[:, 0],
        "outlet_min_kpa": by_minute[:, :, 0].min(axis=1),
        "outlet_max_kpa": by_minute[:, :, 0].max(axis=1),
        "inlet_mean_kpa": mean[:, 1],
        "district_kpa": mean[:, 5],
        "chamber_mean_kpa": mean[:, 4],
        "flow_mean_lps": mean[:, 2],
        "demand_lps": today.demand_lps.reshape(-1, 60).mean(axis=1),
        "supplied_lps": mean[:, 6],
        "opening_mean": mean[:, 3],
        "set_kpa": today.set_kpa.copy(),
        "neighbour_kpa": neighbour,
    }


def oscillation(outlet_kpa: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Swing [kPa], period [s] and share of power of the strongest line, per block of 10 minutes.

    outlet_kpa : shape (n_seconds,), whole blocks; results have shape (n_seconds / 600,)
    """
    blocks = outlet_kpa.reshape(-1, BLOCK_S)
    ramp = np.linspace(-1.0, 1.0, BLOCK_S)
    level = blocks - blocks.mean(axis=1, keepdims=True)
    level = level - np.outer(level @ ramp / (ramp @ ramp), ramp)
    power = np.abs(np.fft.rfft(level, axis=1)) ** 2
    power[:, :2] = 0.0  # fewer than two periods in a block are no line
    peak = np.argmax(power, axis=1)
    around = np.clip(peak[:, None] + np.arange(-1, 2), 0, power.shape[1] - 1)
    share = np.take_along_axis(power, around, axis=1).sum(axis=1) / (
        (level**2).sum(axis=1) * BLOCK_S / 2 + 1e-9
    )
    return np.ptp(level, axis=1), BLOCK_S / np.maximum(peak, 1), share


def healthy_columns(design: StationDesign, n_minutes: int) -> FloatArray:
    """Columns of a sound station, shape (n_minutes, n_columns); sets are filled in by the caller."""
    columns = np.zeros((n_minutes, len(col.COLUMNS)))
    pilot = design.pilot
    columns[:, col.FEED] = pilot.feed
    columns[:, col.PILOT] = pilot.pilot
    columns[:, col.PILOT_LEAK] = pilot.seat_leak
    columns[:, col.OPENING_NEEDLE] = pilot.opening_needle
    columns[:, col.CLOSING_NEEDLE] = pilot.closing_needle
    columns[:, col.LIFT_HIGH] = 1.0
    columns[:, col.SENSE_LAG] = pilot.sense_lag_s
    return columns


def scheduled_set(design: StationDesign, local_s: FloatArray) -> FloatArray:
    """Set pressure each minute [kPa]; changes take 5 minutes."""
    if not design.schedule:
        return np.full(local_s.shape[0], design.set_kpa)
    hour = np.mod(local_s / 3600.0, 24.0)
    ordered = sorted(design.schedule)
    at: list[float] = []
    sets: list[float] = []
    before = ordered[-1][1]
    for from_hour, kpa in [*ordered, (24.0 + ordered[0][0], ordered[0][1])]:
        at += [from_hour, from_hour + 5.0 / 60.0]
        sets += [before, kpa]
        before = kpa
    shifted = np.where(hour < at[0], hour + 24.0, hour)
    return np.asarray(np.interp(shifted, at, sets), dtype=np.float64)


def fixed_of(design: StationDesign) -> kernel.Fixed:
    """The parts that do not change, as the kernel wants them."""
    v, d, small, n = design.valve, design.district, design.small_valve, design.district.neighbour
    return kernel.Fixed(
        kv_m3h=float(v.kv_m3h),
        trim_bend=float(v.trim_bend),
        seat_share=float(v.seat_share),
        lifted_share=float(v.lifted_share),
        lift_off=float(v.lift_off),
        spring_kpa=float(v.spring_kpa),
        spring_rate_kpa=float(v.spring_rate_kpa),
        stroke_l=float(v.stroke_l),
        band_kpa=float(design.pilot.band_kpa),
        upstream_loss=float(design.inlet.loss),
        main_compliance=float(d.main_compliance),
        compliance=float(d.compliance),
        surge_impedance=float(d.surge_impedance),
        line_inertia=float(d.surge_impedance * d.line_s),
        line_loss=float(d.line_loss),
        leakage_lps=float(d.leakage_lps),
        leakage_power=float(d.leakage_power),
        reference_kpa=float(design.set_kpa),
        pressure_share=float(d.pressure_share),
        bypass_kv_m3h=float(small.kv_m3h) if small is not None else 0.0,
        bypass_band_kpa=float(small.band_kpa) if small is not None else 1.0,
        neighbour_resistance=float(n.resistance) if n is not None else 0.0,
    )


def settled(design: StationDesign) -> FloatArray:
    """A state near the working point at mean demand; the first minutes of a run settle the rest."""
    v, d = design.valve, design.district
    inlet_kpa = design.inlet.base_kpa
    flow = max(d.mean_demand_lps * d.night + d.leakage_lps, 0.1)
    drop = max(inlet_kpa - design.set_kpa, 20.0)
    kv = flow * 36.0 / math.sqrt(drop)
    share = min(kv / v.kv_m3h, 0.95)
    lift = share / (1.0 + v.trim_bend * (1.0 - share))
    chamber = design.set_kpa + v.lifted_share * drop
    state = dict.fromkeys(kernel.STATE, 0.0)
    state |= {
        "outlet_kpa": design.set_kpa,
        "district_kpa": design.set_kpa,
        "line_lps": flow,
        "sensed_kpa": design.set_kpa,
        "junction_kpa": chamber,
        "chamber_kpa": chamber,
        "drained": lift,
        "lift": lift,
        "inlet_kpa": inlet_kpa,
        "valve_inlet_kpa": inlet_kpa,
        "metered_lps": flow,
    }
    return np.array(list(state.values()))


def local_clock(start_s: int, n_seconds: int, time_zone: str) -> FloatArray:
    """Local wall clock of each second, as seconds since 1970-01-01; jumps where the zone's clocks do."""
    zone = ZoneInfo(time_zone)
    quarter = 900  # clocks change on quarter hours
    offsets = []
    for at in range(start_s, start_s + n_seconds, quarter):
        offset = dt.datetime.fromtimestamp(at, tz=zone).utcoffset()
        offsets.append(offset.total_seconds() if offset is not None else 0.0)
    local_s = start_s + np.arange(n_seconds) + np.repeat(offsets, quarter)[:n_seconds]
    return np.asarray(local_s, dtype=np.float64)
