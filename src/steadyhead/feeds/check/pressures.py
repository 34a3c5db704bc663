"""Whether pressures can be those of a pressure-reducing station, in the units declared for them.

The ranges are common practice, no source: they are wide enough for any street main, and narrow enough that a
number read in the wrong unit falls out of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from steadyhead.config import Role, declared_set_kpa
from steadyhead.feeds.check.findings import Finding, Kind
from steadyhead.feeds.check.look import FEW, TOLERANCE_KPA, Look, any_of, median
from steadyhead.types import FloatArray
from steadyhead.units import UNITS, find_unit

OUTLET_KPA = (130.0, 1300.0)  # median
INLET_KPA = (200.0, 2500.0)  # median
ATMOSPHERE_KPA = (82.0, 106.0)  # from 1700 m above the sea to a high-pressure day at its shore
CLEAR_FALL_KPA = 50.0  # inlet less outlet of a station that has work to do
NEAR_DECLARED = 0.08  # of a declared set pressure


class Pressures:
    """Inlet and outlet of one station, held against each other and against what is declared."""

    def __init__(self, look: Look) -> None:
        self._look, self._station = look, look.station
        self._inlet, self._outlet = look.of("inlet"), look.of("outlet")

    def all(self) -> Iterator[Finding]:
        """Swapped tags, units, absolute pressures, an outlet above its inlet."""
        outlet_kpa, inlet_kpa = median(self._outlet), median(self._inlet)
        if math.isnan(outlet_kpa):
            return
        set_kpa = median(
            declared_set_kpa(self._station.set_pressure, self._look.rows.times_s, self._station.time_zone)
        )
        if math.isnan(set_kpa):
            self._look.unjudged.append(
                "gauge against absolute, and units that are less than a factor of 2 apart: there is no "
                "set_pressure to compare with"
            )
        if math.isnan(inlet_kpa):
            self._look.unjudged.append("swapped tags: there is no inlet to compare with")
        above = self._above()
        if above > 0.5 and self._is_swapped(inlet_kpa, outlet_kpa):
            yield Finding(
                "swapped", self._station.name, None, "",
                f"the outlet is above the inlet in {above:.0%} of the rows, and what is called inlet "
                f"is the steadier one",
                "swap the tags of inlet and outlet",
            )  # fmt: skip
            return
        is_outlet_wrong = False
        for found in self._outlet_unit(outlet_kpa, inlet_kpa, set_kpa):
            is_outlet_wrong = True
            yield found
        if math.isnan(inlet_kpa):
            return
        fitting = self._fitting(
            "inlet", inlet_kpa, INLET_KPA, least_kpa=0.0 if is_outlet_wrong else outlet_kpa
        )
        is_inlet_wrong = not INLET_KPA[0] <= inlet_kpa <= INLET_KPA[1] or (
            above > 0.5 and not is_outlet_wrong and fitting
        )
        if is_inlet_wrong:
            yield self._unit_finding("inlet", inlet_kpa, fitting)
        if above > 0.02 and not is_inlet_wrong and not is_outlet_wrong:
            yield from self._often_above(above)

    def _outlet_unit(self, outlet_kpa: float, inlet_kpa: float, set_kpa: float) -> Iterator[Finding]:
        most_kpa = inlet_kpa if INLET_KPA[0] <= inlet_kpa <= INLET_KPA[1] else math.inf
        fitting = self._fitting("outlet", outlet_kpa, OUTLET_KPA, most_kpa=most_kpa)
        if not OUTLET_KPA[0] <= outlet_kpa <= OUTLET_KPA[1]:
            yield self._unit_finding("outlet", outlet_kpa, fitting)
            return
        if math.isnan(set_kpa) or abs(outlet_kpa / set_kpa - 1.0) <= NEAR_DECLARED:
            return
        if ATMOSPHERE_KPA[0] <= outlet_kpa - set_kpa <= ATMOSPHERE_KPA[1]:
            yield self._look.finding(
                "absolute", "outlet",
                f"it holds {self._look.in_unit('outlet', outlet_kpa)}, an atmosphere above its set pressure "
                f"of {self._look.in_unit('outlet', set_kpa)}: absolute pressure read as gauge",
                f"take the atmosphere off: offset: {self._offset('outlet')}; look at the inlet's "
                f"transmitter too",
            )  # fmt: skip
            return
        near = [
            name
            for name in fitting
            if abs(self._as(name, "outlet", outlet_kpa) / set_kpa - 1) <= NEAR_DECLARED
        ]
        if near:
            yield self._unit_finding("outlet", outlet_kpa, near)

    def _often_above(self, above: float) -> Iterator[Finding]:
        over = self._outlet - self._inlet
        margin_kpa = median(np.where(over > TOLERANCE_KPA, over, np.nan))
        margin = self._look.in_unit("outlet", margin_kpa)
        met = f"the outlet is above the inlet in {above:.0%} of the rows, by {margin}"
        kind: Kind = "outlet_above_inlet"
        do = "compare both transmitters with a gauge; look for a zero that has moved, or clocks that differ"
        highest_kpa = float(np.nanpercentile(over, 99.5))
        if 40.0 <= highest_kpa <= ATMOSPHERE_KPA[1] + TOLERANCE_KPA:
            kind = "absolute"
            do = (
                f"if the outlet's transmitter reads absolute pressure, set offset: {self._offset('outlet')}; "
                + do
            )
        yield self._look.finding(kind, "outlet", met, do)

    def _above(self) -> float:
        both = ~np.isnan(self._inlet) & ~np.isnan(self._outlet)
        if both.sum() < FEW:
            return 0.0
        return float(np.mean(self._outlet[both] > self._inlet[both] + TOLERANCE_KPA))

    def _is_swapped(self, inlet_kpa: float, outlet_kpa: float) -> bool:
        if not (OUTLET_KPA[0] <= inlet_kpa <= OUTLET_KPA[1] and INLET_KPA[0] <= outlet_kpa <= INLET_KPA[1]):
            return False
        return self._roughness(self._inlet) < self._roughness(self._outlet)

    def _roughness(self, values: FloatArray) -> float:
        """Usual change within the hour as a share of the value: a regulated pressure hardly moves."""
        per_hour = max(1, 3600 // self._look.rows.step_s)
        n = len(values) // per_hour * per_hour
        hours = values[:n].reshape(-1, per_hour)
        middle = np.array([median(hour) for hour in hours])
        daily = np.array([median(middle[k::24]) for k in range(24)])
        expected = np.tile(daily, len(middle) // 24 + 1)[: len(middle)]
        return median(np.abs(middle - expected)) / max(median(values), 1.0)

    # ------------------------------------------------------------ words

    def _fitting(
        self,
        role: Role,
        kpa: float,
        usual_kpa: tuple[float, float],
        least_kpa: float = 0.0,
        most_kpa: float = math.inf,
    ) -> list[str]:
        """Other units in which the number would be usual, and on the right side of the other pressure."""
        found = []
        for name, unit in UNITS.items():
            if unit.quantity != "pressure" or name == self._station.tags[role].unit:
                continue
            there = self._as(name, role, kpa)
            low = max(usual_kpa[0], least_kpa + CLEAR_FALL_KPA if least_kpa else 0.0)
            if low <= there <= min(usual_kpa[1], most_kpa - TOLERANCE_KPA):
                found.append(name)
        return found

    def _as(self, unit: str, role: Role, kpa: float) -> float:
        return kpa / self._station.tags[role].factor * find_unit(unit).factor

    def _unit_finding(self, role: Role, kpa: float, fitting: list[str]) -> Finding:
        usual = INLET_KPA if role == "inlet" else OUTLET_KPA
        side = (
            "below the outlet"
            if usual[0] <= kpa <= usual[1] and role == "inlet"
            else "no usual pressure of a main"
        )
        if usual[0] <= kpa <= usual[1] and role == "outlet":
            side = "not what set_pressure declares"
        return self._look.finding(
            "unit", role, f"its middle is {self._look.in_unit(role, kpa)}, {side}",
            f"see in which unit it is sent ({any_of(fitting)} would fit) and mend unit or scale",
        )  # fmt: skip

    def _offset(self, role: Role) -> str:
        tag = self._station.tags[role]
        return f"{tag.offset - 101.325 / tag.factor:.4g}"
