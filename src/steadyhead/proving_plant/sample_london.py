"""The sample stations in London: kPa and L/s."""

from __future__ import annotations

from dataclasses import replace

from steadyhead.proving_plant.district import District
from steadyhead.proving_plant.events import Event
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.instruments import Instruments
from steadyhead.proving_plant.log_files import Blemishes, Dialect
from steadyhead.proving_plant.sample_span import LONDON, SampleStation, at_day, sample_scenario
from steadyhead.proving_plant.scenario import StationDesign

BRITISH = Dialect(
    tags={"inlet": "inlet_kpa", "outlet": "outlet_kpa", "flow": "flow_lps"},
    units={"inlet": "kPa", "outlet": "kPa", "flow": "L/s"},
    decimals={"inlet": 1, "outlet": 1, "flow": 2},
)


def mill_weir() -> SampleStation:
    """Healthy, with waves from upstream."""
    design = StationDesign(set_kpa=380.0, inlet=Inlet(base_kpa=620.0), district=District(mean_demand_lps=8.0))
    return SampleStation(
        sample_scenario(
            "mill_weir",
            109,
            LONDON,
            design,
            Instruments(interval_s=15, pressure_resolution_kpa=0.5, flow_resolution_lps=0.05),
            events=(Event("inlet_waves", at_day(26.3), at_day(27.0), 35.0, period_s=120.0),),
        ),
        replace(BRITISH, kind="parquet", days_per_file=7, time_heading="time_utc"),
        "Parquet, one reading in 15 s, a file a week",
        "healthy; for 17 hours waves arrive from upstream, which must not be called hunting",
    )


def chapel_green() -> SampleStation:
    """Healthy, without a meter."""
    design = StationDesign(
        set_kpa=310.0, inlet=Inlet(base_kpa=540.0, pump_kpa=30.0), district=District(mean_demand_lps=5.0)
    )
    return SampleStation(
        sample_scenario("chapel_green", 110, LONDON, design, Instruments(interval_s=900, has_flow=False)),
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
