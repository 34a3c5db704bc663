"""The sample stations in Chicago: psi and gpm."""

from __future__ import annotations

from dataclasses import replace

from steadyhead.proving_plant.district import District
from steadyhead.proving_plant.events import Event
from steadyhead.proving_plant.faults import Fault
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.instruments import DAY_S, Instruments
from steadyhead.proving_plant.log_files import Blemishes, Dialect
from steadyhead.proving_plant.sample_span import (
    CHICAGO,
    PSI,
    SampleStation,
    at_day,
    long_tags,
    sample_scenario,
)
from steadyhead.proving_plant.scenario import StationDesign

US = Dialect(
    tags={"inlet": "Inlet psi", "outlet": "Outlet psi", "flow": "Flow gpm"},
    units={"inlet": "psi", "outlet": "psi", "flow": "gpm"},
    decimals={"inlet": 2, "outlet": 2, "flow": 1},
    time_zone=CHICAGO,
)


def alder_row() -> SampleStation:
    """Healthy, with a schedule."""
    design = StationDesign(
        set_kpa=62 * PSI,
        inlet=Inlet(base_kpa=112 * PSI),
        district=District(mean_demand_lps=9.0),
        schedule=((5.0, 62 * PSI), (22.5, 52 * PSI)),
    )
    return SampleStation(
        sample_scenario("alder_row", 101, CHICAGO, design, Instruments(interval_s=60)),
        replace(US, kind="csv.gz", days_per_file=7, time_form="%m/%d/%Y %H:%M:%S", time_heading="Local time"),
        "wide CSV, gzip, a file a week, local times without an offset",
        "healthy, with a lower set pressure at night; its last file holds the hour that happens twice",
        Blemishes(marks=(("I/O Timeout", 14),), duplicates=6),
    )


def cannery_road() -> SampleStation:
    """Drift."""
    design = StationDesign(
        set_kpa=75 * PSI, inlet=Inlet(base_kpa=125 * PSI), district=District(mean_demand_lps=11.0)
    )
    return SampleStation(
        sample_scenario(
            "cannery_road",
            102,
            CHICAGO,
            design,
            Instruments(interval_s=300),
            faults=(Fault("spring_relaxed", at_day(25.5), 6 * DAY_S, 0.4),),
        ),
        replace(
            US,
            tags=long_tags("cannery_road"),
            layout="long",
            kind="csv.gz",
            with_quality=True,
            time_zone="UTC",
            time_form="%Y-%m-%dT%H:%M:%SZ",
        ),
        "long CSV with OPC quality numbers, gzip, UTC",
        "drift: the pilot spring relaxes over six days",
        Blemishes(bad_quality=60, late=40, duplicates=25),
    )


def quarry_hill() -> SampleStation:
    """Failure to open."""
    design = StationDesign(
        set_kpa=55 * PSI,
        inlet=Inlet(base_kpa=95 * PSI, loss=0.05),
        district=District(mean_demand_lps=14.0, compliance=2.5),
    )
    return SampleStation(
        sample_scenario(
            "quarry_hill",
            103,
            CHICAGO,
            design,
            Instruments(interval_s=60),
            faults=(Fault("stem_travel_limited", at_day(26.4), 1.5 * DAY_S, 0.80),),
        ),
        replace(US, kind="csv.gz", time_form="%Y-%m-%dT%H:%M:%S%z"),
        "wide CSV, gzip, ISO times with an offset",
        "failure to open: the stem stops short of full travel, so peaks pull the outlet down",
    )


def larch_street() -> SampleStation:
    """A transmitter that sticks."""
    design = StationDesign(
        set_kpa=68 * PSI, inlet=Inlet(base_kpa=105 * PSI), district=District(mean_demand_lps=6.0)
    )
    return SampleStation(
        sample_scenario(
            "larch_street",
            104,
            CHICAGO,
            design,
            Instruments(interval_s=300),
            events=(Event("transmitter_stuck", at_day(28.6), at_day(31.2)),),
        ),
        replace(US, tags=long_tags("larch_street"), time_form="%m/%d/%Y %I:%M:%S %p"),
        "wide CSV, 12-hour local clock",
        "sensor fault: the outlet transmitter repeats one value for two and a half days",
        Blemishes(marks=(("Bad", 30),)),
    )
