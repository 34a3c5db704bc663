"""Hours in which the cavitation index lies below a stated limit."""

from __future__ import annotations

import numpy as np

from steadyhead.hydraulics import cavitation_index
from steadyhead.weekly.look import Look
from steadyhead.weekly.model import Value

LEAST_GAUGE_KPA = -90.0  # an inlet below is a broken transmitter, and sigma of it means nothing


def cavitation(look: Look, sigma_limit: float) -> dict[str, Value]:
    """Hours with flow and sigma below the limit."""
    if not look.has_inlet:
        return {"sigma_hours": Value(None, "no inlet is measured")}
    known = np.isfinite(look.inlet_kpa) & np.isfinite(look.outlet_kpa) & (look.inlet_kpa > LEAST_GAUGE_KPA)
    if not known.any():
        return {"sigma_hours": Value(None, "inlet and outlet are never known together")}
    sigma = cavitation_index(look.inlet_kpa, look.outlet_kpa)
    low = known & (sigma < sigma_limit)  # NaN, where the inlet is not above the outlet, compares false
    note = f"below sigma {sigma_limit:g}"
    if look.has_flow:
        low &= look.flow_lps > look.cutoff_lps
    else:
        note += "; no meter: hours without flow are counted too"
    return {"sigma_hours": Value(float(low.sum()) * look.hours, note=note)}
