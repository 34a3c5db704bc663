"""The sample stations in Adelaide: metres of water and ML/d, and one that logs in kPa."""

from __future__ import annotations

from dataclasses import replace

from steadyhead.proving_plant.district import District, NightWithout
from steadyhead.proving_plant.events import Event
from steadyhead.proving_plant.faults import Fault
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.instruments import DAY_S, Instruments
from steadyhead.proving_plant.log_files import Blemishes, Dialect
from steadyhead.proving_plant.sample_london import BRITISH
from steadyhead.proving_plant.sample_span import ADELAIDE, METRE, SampleStation, at_day, sample_scenario
from steadyhead.proving_plant.scenario import StationDesign

SOUTHERN = Dialect(
    tags={"inlet": "US head (m)", "outlet": "DS head (m)", "flow": "Flow (ML/d)"},
    units={"inlet": "m", "outlet": "m", "flow": "ML/d"},
    decimals={"inlet": 2, "outlet": 2, "flow": 4},
    time_zone=ADELAIDE,
    time_form="%d/%m/%Y %H:%M",
    time_heading="Timestamp",
)


def gorge_road() -> SampleStation:
    """Creep."""
    design = StationDesign(
        set_kpa=45 * METRE,
        inlet=Inlet(base_kpa=80 * METRE),
        district=District(mean_demand_lps=5.0, night_without=NightWithout(0.5, 4.75), leakage_lps=0.0),
    )
    return SampleStation(
        sample_scenario(
            "gorge_road",
            111,
            ADELAIDE,
            design,
            Instruments(interval_s=300),
            faults=(Fault("seat_worn", at_day(27.0), 2 * DAY_S, 0.5),),
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


def saltbush_flat() -> SampleStation:
    """A starved inlet."""
    design = StationDesign(
        set_kpa=38 * METRE, inlet=Inlet(base_kpa=58 * METRE), district=District(mean_demand_lps=6.0)
    )
    return SampleStation(
        sample_scenario(
            "saltbush_flat",
            112,
            ADELAIDE,
            design,
            Instruments(interval_s=900, averaged=True),
            events=(Event("inlet_short", at_day(28.8), at_day(29.25), 25.0),),
        ),
        replace(SOUTHERN, days_per_file=18),
        "wide CSV, 15 min means, two files",
        "inlet starved: the supply falls below the set pressure for 11 hours",
        Blemishes(marks=(("-999", 24),)),
    )
