"""The sample stations in Oslo: bar and m3/h, decimal commas."""

from __future__ import annotations

from dataclasses import replace

from steadyhead.proving_plant.district import District, Neighbour
from steadyhead.proving_plant.events import Event
from steadyhead.proving_plant.faults import Fault
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.instruments import DAY_S, Instruments
from steadyhead.proving_plant.log_files import Blemishes, Dialect
from steadyhead.proving_plant.sample_span import (
    BAR,
    EXCERPT_DAYS,
    OSLO,
    START_S,
    SampleStation,
    at_day,
    long_tags,
    sample_scenario,
)
from steadyhead.proving_plant.scenario import StationDesign

NORDIC = Dialect(
    tags={"inlet": "Trykk inn", "outlet": "Trykk ut", "flow": "Mengde"},
    units={"inlet": "bar", "outlet": "bar", "flow": "m3/h"},
    decimals={"inlet": 3, "outlet": 3, "flow": 2},
    time_zone=OSLO,
    time_form="%d.%m.%Y %H:%M:%S",
    time_heading="Tid",
    delimiter=";",
    decimal=",",
)

RAISED_DAY = 27.45  # about noon, local time


def harbour_east() -> SampleStation:
    """Held shut by harbour_west."""
    west_kpa = 3.55 * BAR
    design = StationDesign(
        set_kpa=3.60 * BAR,
        inlet=Inlet(base_kpa=6.2 * BAR),
        district=District(mean_demand_lps=7.0, neighbour=Neighbour(outlet_kpa=west_kpa, resistance=3.0)),
    )
    return SampleStation(
        sample_scenario(
            "harbour_east",
            105,
            OSLO,
            design,
            Instruments(interval_s=60),
            events=(Event("neighbour_raised", at_day(RAISED_DAY), size=9.0),),
        ),
        replace(NORDIC, days_per_file=18, line_end="\r\n"),
        "wide CSV, semicolons, decimal commas, Windows line ends, two files",
        "held shut: harbour_west, which feeds the same district, was set above it",
        Blemishes(duplicates=10),
    )


def harbour_west() -> SampleStation:
    """Its set pressure is raised."""
    design = StationDesign(
        set_kpa=3.55 * BAR,
        inlet=Inlet(base_kpa=6.4 * BAR),
        district=District(mean_demand_lps=12.0, compliance=2.5),
    )
    raised = 100.0 * (1.09 * 3.60 / 3.55 - 1.0)  # to 9 % above the set of harbour_east
    return SampleStation(
        sample_scenario(
            "harbour_west",
            106,
            OSLO,
            design,
            Instruments(interval_s=60),
            events=(Event("set_readjusted", at_day(RAISED_DAY), size=raised),),
        ),
        replace(NORDIC, kind="csv.gz"),
        "wide CSV, gzip, semicolons, decimal commas",
        "set pressure changed: raised on purpose around noon, and left there",
    )


def ferry_landing() -> SampleStation:
    """A main break, logged on change."""
    design = StationDesign(
        set_kpa=4.2 * BAR, inlet=Inlet(base_kpa=7.0 * BAR, loss=0.03), district=District(mean_demand_lps=8.0)
    )
    instruments = Instruments(
        interval_s=60, on_change=True, heartbeat_s=3600, pressure_deadband_kpa=3.0, flow_deadband_lps=0.15
    )
    return SampleStation(
        sample_scenario(
            "ferry_landing",
            107,
            OSLO,
            design,
            instruments,
            events=(Event("main_break", at_day(29.3), at_day(29.9), 16.0),),
        ),
        replace(
            NORDIC,
            tags=long_tags("ferry_landing"),
            layout="long",
            kind="csv.gz",
            on_change=True,
            time_zone="UTC",
            time_form="%Y-%m-%d %H:%M:%S",
            time_heading="time",
        ),
        "long CSV, gzip, UTC, reported on change with a deadband and an hourly heartbeat",
        "excess demand: a main breaks downstream and runs for 14 hours",
        Blemishes(marks=(("-999", 20), ("9999", 10))),
    )


def tannery_lane() -> SampleStation:
    """Hunting, second by second."""
    design = StationDesign(
        set_kpa=4.0 * BAR,
        inlet=Inlet(base_kpa=8.0 * BAR),
        district=District(mean_demand_lps=3.0, night=0.25),
    )
    start_s = START_S + 21 * DAY_S  # 20 to 27 October, over the clock change of the 26th
    return SampleStation(
        replace(
            sample_scenario(
                "tannery_lane",
                108,
                OSLO,
                design,
                Instruments(interval_s=1, pressure_resolution_kpa=0.5, flow_resolution_lps=0.02),
                faults=(Fault("needles_out", start_s + 4.9 * DAY_S, 0.2 * DAY_S, 0.85),),
            ),
            start_s=start_s,
            duration_s=EXCERPT_DAYS * DAY_S,
        ),
        replace(NORDIC, kind="parquet", time_heading="ts", decimals={"inlet": 3, "outlet": 3, "flow": 1}),
        "Parquet, one reading a second, seven days only",
        "hunting: both speed needles stand too far open",
    )
