"""How far the outlet strays about the mean of its hour."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.span import block_means, robust_spread
from steadyhead.types import FloatArray
from steadyhead.weekly.families.regulation import too_few
from steadyhead.weekly.look import Look
from steadyhead.weekly.model import Value

LEAST_IN_HOUR = 1 / 3  # of an hour's ticks, as ``desk.measures`` asks
LEAST_PER_HOUR = 3


def scatter(look: Look) -> dict[str, Value]:
    """Robust spread about the hour's mean."""
    why_not = too_few(look)
    per_hour = 3600 // look.tick_s
    if why_not is None and per_hour < LEAST_PER_HOUR:
        why_not = "readings are too far apart to see movement within the hour"
    if why_not is not None:
        return {"scatter": Value(None, why_not)}
    strayed = about_the_hour(np.where(look.works, look.outlet_kpa - look.expected_kpa, np.nan), per_hour)
    known = strayed[np.isfinite(strayed)]
    if not known.size:
        return {"scatter": Value(None, "no hour has enough readings")}
    return {"scatter": Value(robust_spread(known))}


def about_the_hour(values: FloatArray, per_hour: int) -> FloatArray:
    """Values of whole hours less the mean of their hour; NaN where too little of the hour is known."""
    whole = len(values) // per_hour * per_hour
    known = block_means(np.isfinite(values[:whole]).astype(np.float64), per_hour)
    mean = np.where(known >= LEAST_IN_HOUR, block_means(values[:whole], per_hour), np.nan)
    return np.asarray(values[:whole] - np.repeat(mean, per_hour))
