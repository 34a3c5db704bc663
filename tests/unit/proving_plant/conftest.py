"""A bench to hold the plant still: steady source, steady demand, no noise."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from steadyhead.proving_plant import (
    District,
    Inlet,
    Instruments,
    Scenario,
    StationDesign,
    commissioned,
    kernel,
)
from steadyhead.proving_plant import changing as col
from steadyhead.proving_plant.simulate import fixed_of, healthy_columns, settled
from steadyhead.types import FloatArray

Settle = Callable[..., FloatArray]


@pytest.fixture
def bench() -> StationDesign:
    """A sound station on a district that neither leaks nor answers to pressure."""
    return commissioned(
        StationDesign(
            district=District(leakage_lps=0.0, pressure_share=0.0, line_loss=0.0), inlet=Inlet(loss=0.0)
        )
    )


@pytest.fixture
def settle() -> Settle:
    """Run a design at given demand and source; give rows of kernel.SECONDS, one a second."""

    def run(
        design: StationDesign,
        demand_lps: float | FloatArray,
        source_kpa: float | None = None,
        minutes: int = 40,
        **columns: float,
    ) -> FloatArray:
        rows = healthy_columns(design, minutes)
        rows[:, col.SPRING_SET] = design.set_kpa + design.spring_above_kpa
        if design.small_valve is not None:
            rows[:, col.BYPASS_SET] = design.set_kpa + design.small_valve.above_kpa
        if design.district.neighbour is not None:
            rows[:, col.NEIGHBOUR] = design.district.neighbour.outlet_kpa
        for name, value in columns.items():
            rows[:, col.COLUMNS.index(name)] = value
        demand = np.zeros(60 * minutes) + demand_lps
        source = np.full(60 * minutes, design.inlet.base_kpa if source_kpa is None else source_kpa)
        return kernel.run(fixed_of(design), rows, demand, source, settled(design))

    return run


@pytest.fixture
def closed_nights() -> StationDesign:
    """A district whose demand is exactly zero for hours each night and which does not leak."""
    from steadyhead.proving_plant import NightWithout

    return commissioned(
        StationDesign(district=District(leakage_lps=0.0, mean_demand_lps=6.0, night_without=NightWithout()))
    )


@pytest.fixture
def two_days() -> Callable[..., Scenario]:
    """A two-day scenario with clean instruments."""

    def make(design: StationDesign, **changes: object) -> Scenario:
        quiet = Instruments(gaps_per_week=0.0, pressure_noise_kpa=0.0, flow_noise_share=0.0, cutoff_lps=0.0)
        scenario = Scenario("bench", design, quiet, duration_s=2 * 86400)
        return replace(scenario, **changes)

    return make
