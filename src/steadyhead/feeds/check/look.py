"""One station's rows, what was declared of it, and the words that all checks of it share."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from steadyhead.config import Role, Station
from steadyhead.feeds.check.findings import Finding, Kind
from steadyhead.readings.frame import Readings
from steadyhead.types import BoolArray, FloatArray

FEW = 100  # rows below which nothing is said
TOLERANCE_KPA = 20.0  # two transmitters of 1 % of 1000 kPa may disagree by so much


@dataclass(frozen=True, slots=True)
class Look:
    """A look at one station. unjudged : what could not be judged, and what is missing for it."""

    rows: Readings
    station: Station
    unjudged: list[str] = field(default_factory=list)

    def of(self, role: Role) -> FloatArray:
        """Values of a role [kPa or L/s], shape (n_rows,); NaN where there is none."""
        return {"inlet": self.rows.inlet_kpa, "outlet": self.rows.outlet_kpa, "flow": self.rows.flow_lps}[
            role
        ]

    def in_unit(self, role: Role, kpa: float) -> str:
        """A pressure in the unit declared for a role, for people."""
        tag = self.station.tags[role]
        return f"{kpa / tag.factor:.4g} {tag.unit}"

    def finding(self, kind: Kind, role: Role, met: str, do: str) -> Finding:
        """A finding on the tag of a role."""
        return Finding(kind, self.station.name, role, self.station.tags[role].tag, met, do)


def median(values: FloatArray) -> float:
    """Middle of what is there; NaN where nothing is."""
    known: BoolArray = ~np.isnan(values)
    return float(np.median(values[known])) if known.any() else math.nan


def any_of(names: Sequence[str]) -> str:
    """Names of units that would fit, for people."""
    return " or ".join(names) if names else "none that is known"
