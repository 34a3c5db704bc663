"""The twelve stations of the sample logs: an invented utility, so that the demo has something to find.

Lanternmoor Water does not exist. It is said to run districts in four places with four sets of units, clocks
and habits of export, because one demo should meet them all.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import UTC, datetime

from steadyhead.proving_plant.district import District, Neighbour, NightWithout
from steadyhead.proving_plant.events import Event
from steadyhead.proving_plant.faults import Fault
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.instruments import DAY_S, Instruments
from steadyhead.proving_plant.log_files import Blemishes, Channel, Dialect
from steadyhead.proving_plant.scenario import Scenario, StationDesign, commissioned

START_S = int(datetime(2025, 9, 29, tzinfo=UTC).timestamp())  # a Monday
DAYS = 35  # clocks change on 5 October (Adelaide), 26 October (London, Oslo) and 2 November (Chicago)
LEARN_DAYS = 24
EXCERPT_DAYS = 7
EXCERPT_LEARN_DAYS = 4

CHICAGO, LONDON, OSLO, ADELAIDE = "America/Chicago", "Europe/London", "Europe/Oslo", "Australia/Adelaide"
PSI, BAR, METRE = 6.894757, 100.0, 9.80665  # kPa, only to write set pressures as their people would


@dataclass(frozen=True, slots=True)
class SampleStation:
    """One station of the sample utility.

    files, written_as, what : for the table of the logs, in plain words
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


def _at(day: float) -> float:
    """Seconds since 1970-01-01 UTC of a day of the sample span, counted from 0."""
    return START_S + day * DAY_S


def _scenario(
    name: str,
    seed: int,
    time_zone: str,
    design: StationDesign,
    instruments: Instruments,
    *,
    faults: tuple[Fault, ...] = (),
    events: tuple[Event, ...] = (),
) -> Scenario:
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


def _tags(station: str, *channels: Channel) -> dict[Channel, str]:
    suffix = {"inlet": "PIN", "outlet": "POUT", "flow": "FLOW"}
    return {channel: f"{station.upper()}.{suffix[channel]}" for channel in channels}


US = Dialect(
    tags={"inlet": "Inlet psi", "outlet": "Outlet psi", "flow": "Flow gpm"},
    units={"inlet": "psi", "outlet": "psi", "flow": "gpm"},
    decimals={"inlet": 2, "outlet": 2, "flow": 1},
    time_zone=CHICAGO,
)
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
BRITISH = Dialect(
    tags={"inlet": "inlet_kpa", "outlet": "outlet_kpa", "flow": "flow_lps"},
    units={"inlet": "kPa", "outlet": "kPa", "flow": "L/s"},
    decimals={"inlet": 1, "outlet": 1, "flow": 2},
)
SOUTHERN = Dialect(
    tags={"inlet": "US head (m)", "outlet": "DS head (m)", "flow": "Flow (ML/d)"},
    units={"inlet": "m", "outlet": "m", "flow": "ML/d"},
    decimals={"inlet": 2, "outlet": 2, "flow": 4},
    time_zone=ADELAIDE,
    time_form="%d/%m/%Y %H:%M",
    time_heading="Timestamp",
)


def _alder_row() -> SampleStation:
    design = StationDesign(
        set_kpa=62 * PSI,
        inlet=Inlet(base_kpa=112 * PSI),
        district=District(mean_demand_lps=9.0),
        schedule=((5.0, 62 * PSI), (22.5, 52 * PSI)),
    )
    return SampleStation(
        _scenario("alder_row", 101, CHICAGO, design, Instruments(interval_s=60)),
        replace(US, kind="csv.gz", days_per_file=7, time_form="%m/%d/%Y %H:%M:%S", time_heading="Local time"),
        "wide CSV, gzip, a file a week, local times without an offset",
        "healthy, with a lower set pressure at night; its last file holds the hour that happens twice",
        Blemishes(marks=(("I/O Timeout", 14),), duplicates=6),
    )


def _cannery_road() -> SampleStation:
    design = StationDesign(
        set_kpa=75 * PSI, inlet=Inlet(base_kpa=125 * PSI), district=District(mean_demand_lps=11.0)
    )
    return SampleStation(
        _scenario(
            "cannery_road",
            102,
            CHICAGO,
            design,
            Instruments(interval_s=300),
            faults=(Fault("spring_relaxed", _at(25.5), 6 * DAY_S, 0.4),),
        ),
        replace(
            US,
            tags=_tags("cannery_road", "inlet", "outlet", "flow"),
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


def _quarry_hill() -> SampleStation:
    design = StationDesign(
        set_kpa=55 * PSI,
        inlet=Inlet(base_kpa=95 * PSI, loss=0.05),
        district=District(mean_demand_lps=14.0, compliance=2.5),
    )
    return SampleStation(
        _scenario(
            "quarry_hill",
            103,
            CHICAGO,
            design,
            Instruments(interval_s=60),
            faults=(Fault("stem_travel_limited", _at(26.4), 1.5 * DAY_S, 0.80),),
        ),
        replace(US, kind="csv.gz", time_form="%Y-%m-%dT%H:%M:%S%z"),
        "wide CSV, gzip, ISO times with an offset",
        "failure to open: the stem stops short of full travel, so peaks pull the outlet down",
    )


def _larch_street() -> SampleStation:
    design = StationDesign(
        set_kpa=68 * PSI, inlet=Inlet(base_kpa=105 * PSI), district=District(mean_demand_lps=6.0)
    )
    return SampleStation(
        _scenario(
            "larch_street",
            104,
            CHICAGO,
            design,
            Instruments(interval_s=300),
            events=(Event("transmitter_stuck", _at(28.6), _at(31.2)),),
        ),
        replace(US, tags=_tags("larch_street", "inlet", "outlet", "flow"), time_form="%m/%d/%Y %I:%M:%S %p"),
        "wide CSV, 12-hour local clock",
        "sensor fault: the outlet transmitter repeats one value for two and a half days",
        Blemishes(marks=(("Bad", 30),)),
    )


def _harbour_east() -> SampleStation:
    west_kpa = 3.55 * BAR
    design = StationDesign(
        set_kpa=3.60 * BAR,
        inlet=Inlet(base_kpa=6.2 * BAR),
        district=District(mean_demand_lps=7.0, neighbour=Neighbour(outlet_kpa=west_kpa, resistance=3.0)),
    )
    return SampleStation(
        _scenario(
            "harbour_east",
            105,
            OSLO,
            design,
            Instruments(interval_s=60),
            events=(Event("neighbour_raised", _at(RAISED_DAY), size=9.0),),
        ),
        replace(NORDIC, days_per_file=18, line_end="\r\n"),
        "wide CSV, semicolons, decimal commas, Windows line ends, two files",
        "held shut: harbour_west, which feeds the same district, was set above it",
        Blemishes(duplicates=10),
    )


RAISED_DAY = 27.45  # about noon, local time


def _harbour_west() -> SampleStation:
    design = StationDesign(
        set_kpa=3.55 * BAR,
        inlet=Inlet(base_kpa=6.4 * BAR),
        district=District(mean_demand_lps=12.0, compliance=2.5),
    )
    raised = 100.0 * (1.09 * 3.60 / 3.55 - 1.0)  # to 9 % above the set of harbour_east
    return SampleStation(
        _scenario(
            "harbour_west",
            106,
            OSLO,
            design,
            Instruments(interval_s=60),
            events=(Event("set_readjusted", _at(RAISED_DAY), size=raised),),
        ),
        replace(NORDIC, kind="csv.gz"),
        "wide CSV, gzip, semicolons, decimal commas",
        "set pressure changed: raised on purpose around noon, and left there",
    )


def _ferry_landing() -> SampleStation:
    design = StationDesign(
        set_kpa=4.2 * BAR, inlet=Inlet(base_kpa=7.0 * BAR, loss=0.03), district=District(mean_demand_lps=8.0)
    )
    instruments = Instruments(
        interval_s=60, on_change=True, heartbeat_s=3600, pressure_deadband_kpa=3.0, flow_deadband_lps=0.15
    )
    return SampleStation(
        _scenario(
            "ferry_landing",
            107,
            OSLO,
            design,
            instruments,
            events=(Event("main_break", _at(29.3), _at(29.9), 16.0),),
        ),
        replace(
            NORDIC,
            tags=_tags("ferry_landing", "inlet", "outlet", "flow"),
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


def _tannery_lane() -> SampleStation:
    design = StationDesign(
        set_kpa=4.0 * BAR,
        inlet=Inlet(base_kpa=8.0 * BAR),
        district=District(mean_demand_lps=3.0, night=0.25),
    )
    start_s = START_S + 21 * DAY_S  # 20 to 27 October, over the clock change of the 26th
    return SampleStation(
        replace(
            _scenario(
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


def _mill_weir() -> SampleStation:
    design = StationDesign(set_kpa=380.0, inlet=Inlet(base_kpa=620.0), district=District(mean_demand_lps=8.0))
    return SampleStation(
        _scenario(
            "mill_weir",
            109,
            LONDON,
            design,
            Instruments(interval_s=15, pressure_resolution_kpa=0.5, flow_resolution_lps=0.05),
            events=(Event("inlet_waves", _at(26.3), _at(27.0), 35.0, period_s=120.0),),
        ),
        replace(BRITISH, kind="parquet", days_per_file=7, time_heading="time_utc"),
        "Parquet, one reading in 15 s, a file a week",
        "healthy; for 17 hours waves arrive from upstream, which must not be called hunting",
    )


def _chapel_green() -> SampleStation:
    design = StationDesign(
        set_kpa=310.0, inlet=Inlet(base_kpa=540.0, pump_kpa=30.0), district=District(mean_demand_lps=5.0)
    )
    return SampleStation(
        _scenario("chapel_green", 110, LONDON, design, Instruments(interval_s=900, has_flow=False)),
        Dialect(
            tags={"inlet": "P1", "outlet": "P2"},
            units={"inlet": "kPa", "outlet": "kPa"},
            decimals={"inlet": 1, "outlet": 1},
            time_zone=LONDON,
            time_form="%d/%m/%Y %H:%M",
            time_heading="Date/Time",
            byte_order_mark=True,
        ),
        "wide CSV with a byte order mark, local times",
        "healthy, without a flow meter: some judgements are withheld",
        Blemishes(late=12),
    )


def _gorge_road() -> SampleStation:
    design = StationDesign(
        set_kpa=45 * METRE,
        inlet=Inlet(base_kpa=80 * METRE),
        district=District(mean_demand_lps=5.0, night_without=NightWithout(0.5, 4.75), leakage_lps=0.0),
    )
    return SampleStation(
        _scenario(
            "gorge_road",
            111,
            ADELAIDE,
            design,
            Instruments(interval_s=300),
            faults=(Fault("seat_worn", _at(27.0), 2 * DAY_S, 0.5),),
        ),
        replace(
            BRITISH,
            time_zone=ADELAIDE,
            time_form="%d/%m/%Y %H:%M",
            time_heading="Timestamp",
            byte_order_mark=True,
            line_end="\r\n",
            kind="csv.gz",
        ),
        "wide CSV, gzip, byte order mark, Windows line ends, local times",
        "creep when closed: the seat leaks, which shows in nights without demand",
    )


def _saltbush_flat() -> SampleStation:
    design = StationDesign(
        set_kpa=38 * METRE, inlet=Inlet(base_kpa=58 * METRE), district=District(mean_demand_lps=6.0)
    )
    return SampleStation(
        _scenario(
            "saltbush_flat",
            112,
            ADELAIDE,
            design,
            Instruments(interval_s=900, averaged=True),
            events=(Event("inlet_short", _at(28.8), _at(29.25), 25.0),),
        ),
        replace(SOUTHERN, days_per_file=18),
        "wide CSV, 15 min means, two files",
        "inlet starved: the supply falls below the set pressure for 11 hours",
        Blemishes(marks=(("-999", 24),)),
    )


def sample_stations() -> list[SampleStation]:
    """All stations of the sample utility, in the order of its table."""
    return [
        _alder_row(),
        _cannery_road(),
        _quarry_hill(),
        _larch_street(),
        _harbour_east(),
        _harbour_west(),
        _ferry_landing(),
        _tannery_lane(),
        _mill_weir(),
        _chapel_green(),
        _gorge_road(),
        _saltbush_flat(),
    ]
