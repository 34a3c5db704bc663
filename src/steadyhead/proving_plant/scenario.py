"""What to simulate: the parts of a station, its instruments, and what happens to them."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from steadyhead.errors import PlantError
from steadyhead.proving_plant.district import District
from steadyhead.proving_plant.events import EVENTS, Event
from steadyhead.proving_plant.faults import FAULTS, Fault
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.instruments import DAY_S, Instruments
from steadyhead.proving_plant.pilot import NEEDLE_LAMINAR_KPA, PilotCircuit
from steadyhead.proving_plant.valve import MainValve


@dataclass(frozen=True, slots=True)
class SmallValve:
    """A low-flow valve beside the main one, set a little higher so that it works first.

    kv_m3h : full-open [m3/h]; above_kpa : its set above the main valve's [kPa]; band_kpa : shut to open [kPa]
    """

    kv_m3h: float = 8.0
    above_kpa: float = 8.0
    band_kpa: float = 14.0


@dataclass(frozen=True, slots=True)
class StationDesign:
    """A station as built and commissioned.

    set_kpa : outlet it is to hold at middling flow [kPa]
    schedule : (local hour from which, set [kPa]) pairs for time-modulated stations; empty if the set is fixed
    """

    set_kpa: float = 400.0
    valve: MainValve = field(default_factory=MainValve)
    pilot: PilotCircuit = field(default_factory=PilotCircuit)
    district: District = field(default_factory=District)
    inlet: Inlet = field(default_factory=Inlet)
    small_valve: SmallValve | None = None
    schedule: tuple[tuple[float, float], ...] = ()

    @property
    def spring_above_kpa(self) -> float:
        """Where the pilot shuts, above the set held at middling flow [kPa]: the lock-up rise to expect."""
        return self.pilot.band_kpa * self.pilot.working_opening(self.valve)


@dataclass(frozen=True, slots=True)
class Scenario:
    """One station, one span of time, and what goes wrong in it.

    start_s : seconds since 1970-01-01 UTC, on a whole day (UTC)
    duration_s : whole days in seconds
    time_zone : IANA name; demand, schedules and swings follow the local clock
    """

    name: str
    design: StationDesign = field(default_factory=StationDesign)
    instruments: Instruments = field(default_factory=Instruments)
    start_s: int = 1_741_564_800  # 2025-03-10 00:00 UTC, a Monday
    duration_s: int = 7 * DAY_S
    faults: tuple[Fault, ...] = ()
    events: tuple[Event, ...] = ()
    seed: int = 1
    time_zone: str = "UTC"

    def __post_init__(self) -> None:
        mistakes = []
        if self.start_s % DAY_S or self.duration_s % DAY_S or self.duration_s <= 0:
            mistakes.append(
                f"start_s {self.start_s} and duration_s {self.duration_s} have to be whole days (86400 s)"
            )
        try:
            ZoneInfo(self.time_zone)
        except (ZoneInfoNotFoundError, ValueError):
            mistakes.append(f"time_zone {self.time_zone!r} is not an IANA name such as Europe/Oslo")
        mistakes += [
            f"fault {f.kind!r} is not known; known are {', '.join(sorted(FAULTS))}"
            for f in self.faults
            if f.kind not in FAULTS
        ]
        for event in self.events:
            if event.kind not in EVENTS:
                mistakes.append(f"event {event.kind!r} is not known; known are {', '.join(sorted(EVENTS))}")
            elif event.kind == "neighbour_raised" and self.design.district.neighbour is None:
                mistakes.append("event neighbour_raised needs a district with a neighbour")
        if mistakes:
            raise PlantError(f"scenario {self.name}: " + "; ".join(mistakes))

    @property
    def end_s(self) -> int:
        """Just after the last row, seconds since 1970-01-01 UTC."""
        return self.start_s + self.duration_s

    @property
    def first_change_s(self) -> float:
        """When the first fault or event begins; infinity if there is none."""
        begins = [f.begins_s for f in self.faults] + [e.begins_s for e in self.events]
        return min(begins, default=math.inf)


def healthy_twin(scenario: Scenario) -> Scenario:
    """The same station, weather of demand and instruments, with nothing wrong and nothing happening."""
    return replace(scenario, name=f"{scenario.name} (twin)", faults=(), events=())


def loop_speed_per_s(design: StationDesign, needle_share: float = 1.0) -> float:
    """How fast the loop answers near the seat, where it is liveliest [1/s].

    Small-signal gain of valve travel per outlet error, times flow per travel, times the surge impedance that
    turns flow into outlet pressure. ``needle_share`` is what the needles leave of the circuit's own speed.
    """
    valve, pilot = design.valve, design.pilot
    drop = max(design.inlet.base_kpa - design.set_kpa, 20.0)
    through = pilot.feed * math.sqrt((1.0 - valve.inlet_share(0.0)) * drop)
    travel = through / (design.spring_above_kpa * valve.stroke_l)
    flow = valve.kv_m3h * (1.0 + valve.trim_bend) / 36.0 * math.sqrt(drop)
    return needle_share * travel * flow * design.district.surge_impedance


def hunting_limit_per_s(design: StationDesign) -> float:
    """Loop speed from which the station would hunt near its seat [1/s].

    An integrator behind two lags T1 and T2 is stable below (T1 + T2)/(T1 T2) and swings there with the period
    2 pi sqrt(T1 T2) (Routh). T1 is the sense line, T2 the outlet main filling against its surge impedance.
    """
    first_s = design.pilot.sense_lag_s
    second_s = design.district.main_compliance * design.district.surge_impedance
    return (first_s + second_s) / (first_s * second_s)


def liveliness(design: StationDesign) -> float:
    """Loop speed without needles over the hunting limit; above 1 bad needles can make it hunt."""
    return loop_speed_per_s(design) / hunting_limit_per_s(design)


def commissioned(design: StationDesign, margin: float = 6.0) -> StationDesign:
    """The design with its needles set as a careful technician would: ``margin`` times away from hunting."""
    valve, pilot = design.valve, design.pilot
    share = min(0.6, 1.0 / (margin * liveliness(design)))
    drop = max(design.inlet.base_kpa - design.set_kpa, 20.0)
    at_seat = valve.inlet_share(0.0)
    through = pilot.feed * math.sqrt((1.0 - at_seat) * drop)
    junction = through / (2.0 * drop * at_seat * (1.0 - at_seat))
    needle = junction * share / (1.0 - share) * math.sqrt(NEEDLE_LAMINAR_KPA)
    return replace(design, pilot=replace(pilot, opening_needle=needle, closing_needle=needle))
