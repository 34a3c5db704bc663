"""The twelve stations of the sample logs: an invented utility, so that the demo has something to find."""

from __future__ import annotations

from steadyhead.proving_plant.sample_adelaide import gorge_road, saltbush_flat
from steadyhead.proving_plant.sample_chicago import alder_row, cannery_road, larch_street, quarry_hill
from steadyhead.proving_plant.sample_london import chapel_green, mill_weir
from steadyhead.proving_plant.sample_oslo import ferry_landing, harbour_east, harbour_west, tannery_lane
from steadyhead.proving_plant.sample_span import SampleStation


def sample_stations() -> list[SampleStation]:
    """All stations of the sample utility, in the order of its table."""
    return [
        alder_row(),
        cannery_road(),
        quarry_hill(),
        larch_street(),
        harbour_east(),
        harbour_west(),
        ferry_landing(),
        tannery_lane(),
        mill_weir(),
        chapel_green(),
        gorge_road(),
        saltbush_flat(),
    ]
