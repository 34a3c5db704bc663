"""How far the outlet is from its learned set, and where its level lies."""

from __future__ import annotations

import numpy as np

from steadyhead.weekly.look import NO_PROFILE, Look
from steadyhead.weekly.model import Value

LEAST_HOURS = 12.0  # regulating; less than half a day of a week stands for nothing (our own)


def too_few(look: Look) -> str | None:
    """Why the span cannot be judged, or None."""
    if look.profile is None:
        return NO_PROFILE
    hours = float(look.works.sum()) * look.hours
    if hours >= LEAST_HOURS:
        return None
    if not np.isfinite(look.outlet_kpa).any():
        return "there are no readings of the outlet"
    return f"the station regulated for less than {LEAST_HOURS:.0f} h"


def regulation(look: Look) -> dict[str, Value]:
    """Mean and 95th percentile of the departure from the learned set; median level."""
    why_not = too_few(look)
    if why_not is not None:
        return dict.fromkeys(("departure_mean", "departure_p95", "level"), Value(None, why_not))
    outlet = look.outlet_kpa[look.works]
    from_set = np.abs(outlet - look.set_kpa[look.works])
    level = outlet - look.expected_kpa[look.works]
    return {
        "departure_mean": Value(float(from_set.mean())),
        "departure_p95": Value(float(np.quantile(from_set, 0.95))),
        "level": Value(float(np.median(level))),
    }
