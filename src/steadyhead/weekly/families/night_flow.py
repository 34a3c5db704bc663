"""The flow in the small hours."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.model import Profile
from steadyhead.weekly.look import Look
from steadyhead.weekly.model import Value

FROM_H, TO_H = 2.0, 4.0  # minimum night flow is usually taken here (common practice, no source)
LEAST_S = 3600  # of the two hours, with flow known; also in the night in which one of them is skipped
HALF_DAY_S = 43_200


def learned_night_flow_lps(profile: Profile) -> float | None:
    """Median of the learned usual flow of those hours of the seven days."""
    if not profile.has_flow:
        return None
    usual = np.asarray(profile.rhythm.usual_lps)
    hours = np.arange(len(usual)) % 24
    return float(np.median(usual[(hours >= FROM_H) & (hours < TO_H)]))


def night_flow(look: Look) -> dict[str, Value]:
    """Median over the nights of the mean flow from 02:00 to 04:00."""
    if not look.has_flow:
        return {"night_flow": Value(None, "no flow is measured")}
    is_night = (look.hour >= FROM_H) & (look.hour < TO_H) & np.isfinite(look.flow_lps)
    rows = np.flatnonzero(is_night)
    if not rows.size:
        return {"night_flow": Value(None, "no night has its flow")}
    # hours of one night lie together; half a day parts them, whatever the clock does
    cuts = np.flatnonzero(np.diff(look.times_s[rows]) > HALF_DAY_S) + 1
    nights = [night for night in np.split(rows, cuts) if night.size * look.tick_s >= LEAST_S]
    if not nights:
        return {"night_flow": Value(None, "no night has an hour of flow between 02:00 and 04:00")}
    n = len(nights)
    flow = float(np.median([look.flow_lps[night].mean() for night in nights]))
    return {"night_flow": Value(flow, note=f"from {n} night{'' if n == 1 else 's'}")}
