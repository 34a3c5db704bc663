"""A physical simulator of station and district; it never reads a profile."""

from steadyhead.proving_plant.district import District, Neighbour, NightWithout
from steadyhead.proving_plant.draw import Ranges, draw_design
from steadyhead.proving_plant.events import EVENTS, Event
from steadyhead.proving_plant.faults import FAULTS, Fault
from steadyhead.proving_plant.inlet import Inlet
from steadyhead.proving_plant.instruments import Instruments
from steadyhead.proving_plant.pilot import PilotCircuit
from steadyhead.proving_plant.scenario import (
    Scenario,
    SmallValve,
    StationDesign,
    commissioned,
    healthy_twin,
    liveliness,
)
from steadyhead.proving_plant.simulate import MinuteTruth, PlantRun, simulate, simulate_with_twin
from steadyhead.proving_plant.truth import Truth, measure_truth
from steadyhead.proving_plant.valve import MainValve

__all__ = [
    "EVENTS",
    "FAULTS",
    "District",
    "Event",
    "Fault",
    "Inlet",
    "Instruments",
    "MainValve",
    "MinuteTruth",
    "Neighbour",
    "NightWithout",
    "PilotCircuit",
    "PlantRun",
    "Ranges",
    "Scenario",
    "SmallValve",
    "StationDesign",
    "Truth",
    "commissioned",
    "draw_design",
    "healthy_twin",
    "liveliness",
    "measure_truth",
    "simulate",
    "simulate_with_twin",
]
