"""The pilot circuit: strainer, fixed restriction, pilot, speed needles and sense line.

Water runs from the inlet through strainer and restriction to a junction, and from there through the pilot to
the outlet. The chamber hangs on the junction by the two needles, each with a check valve: the closing needle
passes water into the chamber, the opening needle out of it. So the needles set speeds and leave the balance
alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from steadyhead.proving_plant.valve import MainValve

NEEDLE_LAMINAR_KPA = 25.0
"""Below about this drop a nearly shut needle passes flow in proportion to drop, above it as its root."""
USUAL_LIFT = 0.12
"""Share of travel at which a station spends most of its day; the set is adjusted there."""
ORIFICE_SOFT_KPA = 0.3
"""Rounds the root of an orifice near zero drop, so that its slope stays finite."""


@dataclass(frozen=True, slots=True)
class PilotCircuit:
    """Flow coefficients are in L/s at 1 kPa: q = c * sqrt(drop[kPa]).

    restriction, strainer : orifices in series on the inlet side
    pilot : the pilot fully open
    band_kpa : fall of the sensed outlet that takes the pilot from shut to fully open
    opening_needle, closing_needle : speed needles
    sense_lag_s : first-order lag of the sense line and pilot
    seat_leak : share of full pilot opening that stays when the pilot is shut
    """

    restriction: float = 0.0045
    strainer: float = 0.03
    pilot: float = 0.0125
    band_kpa: float = 28.0
    opening_needle: float = 2.4e-4
    closing_needle: float = 2.4e-4
    sense_lag_s: float = 1.5
    seat_leak: float = 0.001

    @property
    def feed(self) -> float:
        """Strainer and restriction in series [L/s at 1 kPa]."""
        return in_series(self.restriction, self.strainer)

    def working_opening(self, valve: MainValve) -> float:
        """Pilot opening that holds the main valve still at a usual lift, in [0, 1]."""
        share = valve.inlet_share(USUAL_LIFT)
        return self.feed / self.pilot * math.sqrt((1.0 - share) / share)


def in_series(first: float, second: float) -> float:
    """Coefficient of two orifices in series; zero if either is shut."""
    if first <= 0.0 or second <= 0.0:
        return 0.0
    return 1.0 / math.sqrt(1.0 / first**2 + 1.0 / second**2)
