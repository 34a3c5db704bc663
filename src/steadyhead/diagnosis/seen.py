"""What a sentence is made from: the moment a condition was raised, the profile, and the reader's units."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import isfinite

from steadyhead.diagnosis.phrases import percent
from steadyhead.engine import Change
from steadyhead.profile.model import Profile
from steadyhead.units import UnitSystem


@dataclass(frozen=True, slots=True)
class Telling:
    """What a condition says of itself at the moment it is raised.

    magnitude : how large, most telling figure first; the unit is the last part of each name
    evidence : sentences with numbers, most telling first
    traits : words that choose causes, checks, hints and plots, see ``diagnosis.causes.TRAITS``
    """

    magnitude: dict[str, float]
    evidence: tuple[str, ...]
    traits: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Seen:
    """A raised change with what its sentences need."""

    change: Change
    profile: Profile
    units: UnitSystem

    def number(self, name: str) -> float:
        """A number of the scene record; NaN where it was not logged."""
        return float(self.change.scene[name])

    def has(self, *names: str) -> bool:
        """Whether all these numbers are known."""
        return all(isfinite(self.number(name)) for name in names)

    def kpa(self, value: float) -> str:
        """Pressure in the reader's unit."""
        return self.units.pressure_text(value)

    def lps(self, value: float) -> str:
        """Flow in the reader's unit."""
        return self.units.flow_text(value)

    def of_set(self, kpa: float) -> str:
        """Size of a pressure difference with its share of set: "0.07 bar (1.4 % of set)"."""
        return f"{self.kpa(abs(kpa))} ({percent(abs(kpa) / self.set_kpa)} of set)"

    @property
    def set_kpa(self) -> float:
        """Typical set pressure."""
        return self.profile.set_pressure.typical_kpa

    @property
    def is_shut(self) -> bool:
        """Whether the meter reads no flow."""
        return self.number("near_zero") > 0

    def departure(self) -> str:
        """Outlet against expectation, as a sentence."""
        gap_kpa = self.number("departure_kpa")
        return (
            f"Outlet {self.kpa(self.number('outlet_kpa'))} is {self.of_set(gap_kpa)} "
            f"{'above' if gap_kpa > 0 else 'below'} the {self.kpa(self.number('expected_kpa'))} learned for "
            "this flow, hour and inlet."
        )
