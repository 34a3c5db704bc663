"""What the sample stations of all places share: the span, the record of one station, and short cuts.

Lanternmoor Water does not exist. It is said to run districts in four places with four sets of units, clocks
and habits of export, because one demo should meet them all.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import UTC, datetime

from steadyhead.proving_plant.events import Event
from steadyhead.proving_plant.faults import Fault
from steadyhead.proving_plant.instruments import DAY_S, Instruments
from steadyhead.proving_plant.log_files import Blemishes, Channel, Dialect
from steadyhead.proving_plant.scenario import Scenario, StationDesign, commissioned

START_S = int(datetime(2025, 9, 29, tzinfo=UTC).timestamp())  # a Monday
DAYS = 35  # clocks change on 5 October (Adelaide), 26 October (London, Oslo) and 2 November (Chicago)
EXCERPT_DAYS = 7

CHICAGO, LONDON, OSLO, ADELAIDE = "America/Chicago", "Europe/London", "Europe/Oslo", "Australia/Adelaide"
PSI, BAR, METRE = 6.894757, 100.0, 9.80665  # kPa, only to write set pressures as their people would


@dataclass(frozen=True, slots=True)
class SampleStation:
    """One station of the sample utility.

    written_as, what : for the table of the logs, in plain words
    """

    scenario: Scenario
    dialect: Dialect
    written_as: str
    what: str
    blemishes: Blemishes = field(default_factory=Blemishes)

    @property
    def name(self) -> str:
        """As in the registry."""
        return self.scenario.name


def at_day(day: float) -> float:
    """Seconds since 1970-01-01 UTC of a day of the sample span, counted from 0."""
    return START_S + day * DAY_S


def sample_scenario(
    name: str,
    seed: int,
    time_zone: str,
    design: StationDesign,
    instruments: Instruments,
    *,
    faults: tuple[Fault, ...] = (),
    events: tuple[Event, ...] = (),
) -> Scenario:
    """A station over the whole span, with its valve commissioned."""
    return Scenario(
        name=name,
        design=commissioned(design),
        instruments=instruments,
        start_s=START_S,
        duration_s=DAYS * DAY_S,
        faults=faults,
        events=events,
        seed=seed,
        time_zone=time_zone,
    )


def long_tags(station: str) -> dict[Channel, str]:
    """Names of tags as a historian has them, with the station in front."""
    suffix: dict[Channel, str] = {"inlet": "PIN", "outlet": "POUT", "flow": "FLOW"}
    return {channel: f"{station.upper()}.{end}" for channel, end in suffix.items()}
