"""Whether pressures and flow can be those of a pressure-reducing station, in the units declared for them.

The ranges are common practice, no source: they are wide enough for any street main, and narrow enough that a
number read in the wrong unit falls out of them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from steadyhead.config import Role, Station, declared_set_kpa
from steadyhead.feeds.check.findings import Finding, Kind
from steadyhead.readings.frame import Readings
from steadyhead.types import BoolArray, FloatArray
from steadyhead.units import UNITS, find_unit

OUTLET_KPA = (130.0, 1300.0)  # median
INLET_KPA = (200.0, 2500.0)  # median
TOLERANCE_KPA = 20.0  # two transmitters of 1 % of 1000 kPa may disagree by so much
ATMOSPHERE_KPA = (82.0, 106.0)  # from 1700 m above the sea to a high-pressure day at its shore
CLEAR_FALL_KPA = 50.0  # inlet less outlet of a station that has work to do
NEAR_DECLARED = 0.08  # of a declared set pressure
FASTEST_M_S = 9.0  # through the nominal bore; catalogues allow about 6 m/s for long and 7.5 for short
SLOWEST_SHARE = 0.012  # of the rated Kv at the 99th percentile of flow
FULLEST_SHARE = 1.25
_FEW = 100  # rows below which nothing is said


def judge_physics(rows: Readings, station: Station) -> tuple[list[Finding], list[str]]:
    """Findings on units, signs, swapped tags and absolute pressures; and what could not be judged."""
    judge = _Judge(rows, station)
    return list(judge.all()), judge.unjudged


class _Judge:
    """One station's rows looked at from all sides."""

    def __init__(self, rows: Readings, station: Station) -> None:
        self.station = station
        self.rows = rows
        self.inlet, self.outlet, self.flow = rows.inlet_kpa, rows.outlet_kpa, rows.flow_lps
        self.unjudged: list[str] = []

    def all(self) -> Iterator[Finding]:
        signs = list(self._signs())
        yield from signs
        mixed = list(self._mixed())
        yield from mixed
        if not mixed and not any(found.role in ("inlet", "outlet") for found in signs):
            yield from self._pressures()
        if not any(found.role == "flow" for found in signs):
            yield from self._flow()

    # ------------------------------------------------------------ signs and mixtures

    def _signs(self) -> Iterator[Finding]:
        for role, values in (("inlet", self.inlet), ("outlet", self.outlet), ("flow", self.flow)):
            known = values[~np.isnan(values)]
            moving = known[np.abs(known) > 0.02 * np.abs(known).max(initial=0.0)]
            if len(known) >= _FEW and len(moving) and np.mean(moving < 0) > 0.5:
                share = float(np.mean(moving < 0))
                yield self._finding(
                    "sign", role, f"{share:.0%} of the values are negative",  # type: ignore[arg-type]
                    f"turn the sign: scale: {-self.station.tags[role].scale:g}",  # type: ignore[index]
                )  # fmt: skip

    def _mixed(self) -> Iterator[Finding]:
        for role, values in (("inlet", self.inlet), ("outlet", self.outlet)):
            known = np.sort(values[values > 1.0])
            if len(known) < _FEW:
                continue
            jumps = np.diff(np.log(known))
            inner = slice(len(known) // 20, -(len(known) // 20))  # each kind is at least a twentieth
            at = int(np.argmax(jumps[inner])) + inner.start
            low, high = float(np.median(known[: at + 1])), float(np.median(known[at + 1 :]))
            if jumps[at] > math.log(1.9) and (pair := _two_units(high / low, self.station.tags[role].unit)):  # type: ignore[index]
                yield self._finding(
                    "mixed_units", role,  # type: ignore[arg-type]
                    f"values lie about {self._in_unit(role, low)} and about "
                    f"{self._in_unit(role, high)}, and none between: "
                    f"some are in {pair[0]}, others in {pair[1]}",
                    "make the sender use one unit, or split the tag where it changed",
                )  # fmt: skip

    # ------------------------------------------------------------ pressures

    def _pressures(self) -> Iterator[Finding]:
        outlet_kpa, inlet_kpa = _median(self.outlet), _median(self.inlet)
        if math.isnan(outlet_kpa):
            return
        set_kpa = _median(
            declared_set_kpa(self.station.set_pressure, self.rows.times_s, self.station.time_zone)
        )
        if math.isnan(set_kpa):
            self.unjudged.append(
                "gauge against absolute, and units that are less than a factor of 2 apart: there is no "
                "set_pressure to compare with"
            )
        if math.isnan(inlet_kpa):
            self.unjudged.append("swapped tags: there is no inlet to compare with")
        above = self._above()
        if above > 0.5 and self._is_swapped(inlet_kpa, outlet_kpa):
            yield Finding(
                "swapped", self.station.name, None, "",
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
            yield self._finding(
                "absolute", "outlet",
                f"it holds {self._in_unit('outlet', outlet_kpa)}, an atmosphere above its set pressure of "
                f"{self._in_unit('outlet', set_kpa)}: absolute pressure read as gauge",
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
        over = self.outlet - self.inlet
        margin_kpa = _median(np.where(over > TOLERANCE_KPA, over, np.nan))
        margin = self._in_unit("outlet", margin_kpa)
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
        yield self._finding(kind, "outlet", met, do)

    def _above(self) -> float:
        both = ~np.isnan(self.inlet) & ~np.isnan(self.outlet)
        if both.sum() < _FEW:
            return 0.0
        return float(np.mean(self.outlet[both] > self.inlet[both] + TOLERANCE_KPA))

    def _is_swapped(self, inlet_kpa: float, outlet_kpa: float) -> bool:
        if not (OUTLET_KPA[0] <= inlet_kpa <= OUTLET_KPA[1] and INLET_KPA[0] <= outlet_kpa <= INLET_KPA[1]):
            return False
        return self._roughness(self.inlet) < self._roughness(self.outlet)

    def _roughness(self, values: FloatArray) -> float:
        """Usual change within the hour as a share of the value: a regulated pressure hardly moves."""
        per_hour = max(1, 3600 // self.rows.step_s)
        n = len(values) // per_hour * per_hour
        hours = values[:n].reshape(-1, per_hour)
        middle = np.array([_median(hour) for hour in hours])
        daily = np.array([_median(middle[k::24]) for k in range(24)])
        expected = np.tile(daily, len(middle) // 24 + 1)[: len(middle)]
        return _median(np.abs(middle - expected)) / max(_median(values), 1.0)

    # ------------------------------------------------------------ flow

    def _flow(self) -> Iterator[Finding]:
        known = self.flow[~np.isnan(self.flow)]
        if len(known) < _FEW:
            return
        high_lps = float(np.percentile(known, 99))
        if high_lps <= 0:
            self.unjudged.append("the unit of flow: all of it is zero")
            return
        valve = self.station.valve
        if valve.rated_kv_m3h is None and valve.size_mm is None:
            self.unjudged.append(
                "the unit of flow: neither size_mm nor rated_kv_m3h is declared for the valve"
            )
            return
        share = self._kv_share(high_lps)
        speed = math.nan if valve.size_mm is None else _speed_m_s(high_lps, valve.size_mm)
        is_much = share > FULLEST_SHARE or (math.isnan(share) and speed > FASTEST_M_S)
        is_little = share < SLOWEST_SHARE or (math.isnan(share) and speed < 0.03)
        if not is_much and not is_little:
            return
        tag = self.station.tags["flow"]
        number = high_lps / tag.factor
        fitting = [
            name for name, unit in UNITS.items()
            if unit.quantity == "flow" and name != tag.unit and self._flow_fits(number * unit.factor)
        ]  # fmt: skip
        what = "next to nothing for a valve of its size"
        if is_much:
            what = f"{speed:.0f} m/s through its bore"
            if not math.isnan(share):
                what = f"{share:.1f} times what the valve passes wide open"
        yield self._finding(
            "unit", "flow", f"its peaks of {number:.3g} {tag.unit} would be {what}",
            f"see in which unit it is sent ({_or(fitting)} would fit), or mend scale, size_mm or "
            f"rated_kv_m3h",
        )  # fmt: skip

    def _flow_fits(self, lps: float) -> bool:
        share = self._kv_share(lps)
        if not math.isnan(share):
            return SLOWEST_SHARE * 2 <= share <= FULLEST_SHARE
        size_mm = self.station.valve.size_mm
        return size_mm is not None and 0.1 <= _speed_m_s(lps, size_mm) <= FASTEST_M_S

    def _kv_share(self, lps: float) -> float:
        fall_kpa = _median(self.inlet - self.outlet)
        rated = self.station.valve.rated_kv_m3h
        if rated is None or not fall_kpa > TOLERANCE_KPA:
            return math.nan
        return 3.6 * lps / math.sqrt(fall_kpa / 100.0) / rated  # definition of Kv

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
            if unit.quantity != "pressure" or name == self.station.tags[role].unit:
                continue
            there = self._as(name, role, kpa)
            low = max(usual_kpa[0], least_kpa + CLEAR_FALL_KPA if least_kpa else 0.0)
            if low <= there <= min(usual_kpa[1], most_kpa - TOLERANCE_KPA):
                found.append(name)
        return found

    def _as(self, unit: str, role: Role, kpa: float) -> float:
        return kpa / self.station.tags[role].factor * find_unit(unit).factor

    def _unit_finding(self, role: Role, kpa: float, fitting: list[str]) -> Finding:
        usual = INLET_KPA if role == "inlet" else OUTLET_KPA
        side = (
            "below the outlet"
            if usual[0] <= kpa <= usual[1] and role == "inlet"
            else "no usual pressure of a main"
        )
        if usual[0] <= kpa <= usual[1] and role == "outlet":
            side = "not what set_pressure declares"
        return self._finding(
            "unit", role, f"its middle is {self._in_unit(role, kpa)}, {side}",
            f"see in which unit it is sent ({_or(fitting)} would fit) and mend unit or scale",
        )  # fmt: skip

    def _in_unit(self, role: str, kpa: float) -> str:
        tag = self.station.tags[role]  # type: ignore[index]
        return f"{kpa / tag.factor:.4g} {tag.unit}"

    def _offset(self, role: Role) -> str:
        tag = self.station.tags[role]
        return f"{tag.offset - 101.325 / tag.factor:.4g}"

    def _finding(self, kind: Kind, role: Role, met: str, do: str) -> Finding:
        return Finding(kind, self.station.name, role, self.station.tags[role].tag, met, do)


def _two_units(ratio: float, declared: str) -> tuple[str, str] | None:
    """The declared unit and another that are so far apart, the one of the larger numbers last."""
    own = UNITS[declared].factor
    for name, unit in UNITS.items():
        if unit.quantity != UNITS[declared].quantity or name == declared:
            continue
        apart = max(own / unit.factor, unit.factor / own)
        if apart > 1.5 and abs(math.log(ratio / apart)) < math.log(1.2):
            return (declared, name) if unit.factor < own else (name, declared)
    return None


def _speed_m_s(lps: float, size_mm: float) -> float:
    return lps / 1000.0 / (math.pi / 4.0 * (size_mm / 1000.0) ** 2)


def _median(values: FloatArray) -> float:
    known: BoolArray = ~np.isnan(values)
    return float(np.median(values[known])) if known.any() else math.nan


def _or(names: list[str]) -> str:
    return " or ".join(names) if names else "none that is known"
