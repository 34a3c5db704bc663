"""How much of the week's data is there."""

from __future__ import annotations

import numpy as np

from steadyhead.weekly.look import Look
from steadyhead.weekly.model import Value

NOTED_BELOW = 0.02  # a channel that lacks this much more than the outlet is named


def completeness(look: Look) -> dict[str, Value]:
    """Rows with an outlet over the rows of the elapsed part of the span."""
    readings = look.readings
    wanted = (look.known_to_s - look.from_s) // readings.step_s
    if wanted <= 0:
        return {"completeness": Value(None, "none of the week has passed")}
    there = float(np.isfinite(readings.outlet_kpa).sum()) / wanted
    notes = []
    for name, values in (("inlet", readings.inlet_kpa), ("flow", readings.flow_lps)):
        share = float(np.isfinite(values).sum()) / wanted
        if name in look.station.tags and share < there - NOTED_BELOW:
            notes.append(f"{name} {100 * share:.0f} %")
    return {"completeness": Value(min(1.0, there), note=", ".join(notes) or None)}
