"""The only unit conversions: psi, bar, m head, gpm, ML/d ... to kPa and L/s and back.

Pressures are gauge throughout; no conversion here adds an atmosphere. Heads are conventional water
columns (1000 kg/m3, standard gravity), as in NIST SP 811, Appendix B.8, and not at 62 F as in old
handbooks (2.309 ft per psi).
"""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import Literal, TypeVar

from steadyhead.errors import RegistryError
from steadyhead.types import FloatArray

Quantity = Literal["pressure", "flow"]
Values = TypeVar("Values", float, FloatArray)

# Exact by definition (NIST SP 811, Appendix B; 1959 yard-and-pound agreement, 3rd CGPM 1901).
STANDARD_GRAVITY_M_S2 = 9.80665
FOOT_M = 0.3048
INCH_M = 0.0254
POUND_KG = 0.45359237
US_GALLON_L = 231 * INCH_M**3 * 1000
IMPERIAL_GALLON_L = 4.54609
DAY_S = 86_400

PSI_KPA = POUND_KG * STANDARD_GRAVITY_M_S2 / INCH_M**2 / 1000
KV_PER_CV = (US_GALLON_L * 60 / 1000) / (PSI_KPA / 100) ** 0.5  # from the definitions of Kv and Cv
LOWEST_GAUGE_KPA = -101.325  # a gauge cannot read below vacuum; standard atmosphere, exact


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of pressure or flow.

    name : as written in a registry
    quantity : "pressure" or "flow"
    factor : kPa (pressure) or L/s (flow) in one of this unit
    """

    name: str
    quantity: Quantity
    factor: float


UNITS: dict[str, Unit] = {
    unit.name: unit
    for unit in (
        Unit("kPa", "pressure", 1.0),
        Unit("psi", "pressure", PSI_KPA),
        Unit("bar", "pressure", 100.0),
        Unit("MPa", "pressure", 1000.0),
        Unit("m", "pressure", STANDARD_GRAVITY_M_S2),
        Unit("ft", "pressure", STANDARD_GRAVITY_M_S2 * FOOT_M),
        Unit("kgf/cm2", "pressure", STANDARD_GRAVITY_M_S2 * 10),
        Unit("L/s", "flow", 1.0),
        Unit("L/min", "flow", 1 / 60),
        Unit("m3/h", "flow", 1 / 3.6),
        Unit("ML/d", "flow", 1e6 / DAY_S),
        Unit("gpm", "flow", US_GALLON_L / 60),
        Unit("imp gpm", "flow", IMPERIAL_GALLON_L / 60),
        Unit("MGD", "flow", US_GALLON_L * 1e6 / DAY_S),
        Unit("ft3/s", "flow", FOOT_M**3 * 1000),
    )
}

# Other spellings met in logs, compared without regard to case.
_SPELLINGS: dict[str, str] = {
    "kpa": "kPa",
    "psi": "psi",
    "bar": "bar",
    "m": "m",
    "m head": "m",
    "mh2o": "m",
    "m h2o": "m",
    "ft": "ft",
    "ft head": "ft",
    "fth2o": "ft",
    "ft h2o": "ft",
    "kgf/cm2": "kgf/cm2",
    "kgf/cm²": "kgf/cm2",
    "l/s": "L/s",
    "lps": "L/s",
    "l/min": "L/min",
    "lpm": "L/min",
    "m3/h": "m3/h",
    "m³/h": "m3/h",
    "m3/hr": "m3/h",
    "cmh": "m3/h",
    "gpm": "gpm",
    "us gpm": "gpm",
    "usgpm": "gpm",
    "gpm (us)": "gpm",
    "imp gpm": "imp gpm",
    "gpm (imp)": "imp gpm",
    "igpm": "imp gpm",
    "mgd": "MGD",
    "ft3/s": "ft3/s",
    "ft³/s": "ft3/s",
    "cfs": "ft3/s",
    "mld": "ML/d",
}
# A small m would be milli, so these are only known as written.
_EXACT_SPELLINGS: dict[str, str] = {"MPa": "MPa", "MPA": "MPa", "ML/d": "ML/d", "ML/D": "ML/d"}


def find_unit(name: str, quantity: Quantity | None = None) -> Unit:
    """The unit of that name, spelled as in a log ("PSI", "m3/hr").

    quantity : if given, the unit must measure it
    Raises RegistryError if the unit is unknown or measures something else; the text lists the known ones.
    """
    text = " ".join(name.split())
    known = _EXACT_SPELLINGS.get(text) or _SPELLINGS.get(text.casefold())
    if known is None:
        raise RegistryError(f'"{name}" is not a known unit; {_hint(text, quantity)}')
    unit = UNITS[known]
    if quantity is not None and unit.quantity != quantity:
        raise RegistryError(f'"{name}" is a unit of {unit.quantity}, not of {quantity}; {_listed(quantity)}')
    return unit


def to_working(values: Values, unit: str) -> Values:
    """Values in ``unit`` as kPa (pressure) or L/s (flow).

    values : a float, or an array of any shape; NaN stays NaN
    Raises RegistryError if the unit is unknown.
    Source: exact definitions, as tabulated in NIST SP 811, Appendix B.8. 1 psi gives 6.894757 kPa.
    """
    return values * find_unit(unit).factor


def from_working(values: Values, unit: str) -> Values:
    """Values in kPa (pressure) or L/s (flow) as ``unit``; the inverse of ``to_working``."""
    return values / find_unit(unit).factor


def names(quantity: Quantity | None = None) -> list[str]:
    """Names of the known units, of one quantity or of both."""
    return [unit.name for unit in UNITS.values() if quantity in (None, unit.quantity)]


def _listed(quantity: Quantity | None) -> str:
    return f"use one of {', '.join(names(quantity))}"


def _hint(text: str, quantity: Quantity | None) -> str:
    known = {name.casefold(): name for name in names(quantity)}
    known |= {spelling: name for spelling, name in _SPELLINGS.items() if name in names(quantity)}
    near = difflib.get_close_matches(text.casefold(), known, n=1, cutoff=0.6)
    return _listed(quantity) + (f"; did you mean {known[near[0]]}?" if near else "")


@dataclass(frozen=True, slots=True)
class UnitSystem:
    """The units in which a person wants to see pressures and flows."""

    name: str
    pressure: str
    flow: str
    pressure_decimals: int
    flow_decimals: int

    def pressure_from_kpa(self, kpa: Values) -> Values:
        """Gauge pressure, or a pressure difference, in this system."""
        return from_working(kpa, self.pressure)

    def flow_from_lps(self, lps: Values) -> Values:
        """Flow in this system."""
        return from_working(lps, self.flow)

    def pressure_text(self, kpa: float) -> str:
        """Pressure with its unit, such as "58.2 psi"."""
        return f"{self.pressure_from_kpa(kpa):.{self.pressure_decimals}f} {self.pressure}"

    def flow_text(self, lps: float) -> str:
        """Flow with its unit, such as "412 gpm"."""
        return f"{self.flow_from_lps(lps):.{self.flow_decimals}f} {self.flow}"


UNIT_SYSTEMS: dict[str, UnitSystem] = {
    system.name: system
    for system in (
        UnitSystem("kpa_lps", "kPa", "L/s", 0, 1),
        UnitSystem("psi_gpm", "psi", "gpm", 1, 0),
        UnitSystem("bar_m3h", "bar", "m3/h", 2, 1),
        UnitSystem("m_lps", "m", "L/s", 1, 1),
    )
}
"""Display unit systems by the name a registry's settings use."""
