"""How much of the time the inlet was high enough for the station to do its work."""

from __future__ import annotations

import numpy as np

from steadyhead.weekly.look import NO_PROFILE, Look
from steadyhead.weekly.model import Value


def inlet(look: Look) -> dict[str, Value]:
    """Share of minutes with an adequate inlet."""
    return {"inlet_share": _share(look)}


def _share(look: Look) -> Value:
    if look.profile is None:
        return Value(None, NO_PROFILE)
    if not look.has_inlet:
        return Value(None, "no inlet is measured")
    known = np.isfinite(look.inlet_kpa) & np.isfinite(look.expected_kpa)
    if not known.any():
        return Value(None, "there are no readings of the inlet")
    return Value(1.0 - float(look.starved[known].mean()))
