"""How far the outlet falls over the usual range of flow."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.model import Profile
from steadyhead.profile.span import block_means
from steadyhead.types import FloatArray
from steadyhead.weekly.families.regulation import too_few
from steadyhead.weekly.look import Look
from steadyhead.weekly.model import Value

MEAN_S = 1800  # the outlet answers a change of flow within minutes; a week has 336 of them
LEAST_MEANS = 24
LEAST_OF_RANGE = 0.25  # of the learned range of flow; a line over less says nothing of the rest (our own)


def usual_range_lps(profile: Profile) -> float:
    """Learned flow of the busiest hour of the week minus that of the quietest."""
    return max(profile.rhythm.usual_lps) - min(profile.rhythm.usual_lps) if profile.rhythm.usual_lps else 0.0


def learned_droop_kpa(profile: Profile) -> float | None:
    """The same figure as it was learned."""
    return -profile.droop.slope_kpa_per_lps * usual_range_lps(profile) if profile.has_flow else None


def droop(look: Look) -> dict[str, Value]:
    """Droop of the span."""
    return {"droop": _droop(look)}


def _droop(look: Look) -> Value:
    why_not = too_few(look)
    if why_not is not None:
        return Value(None, why_not)
    profile = look.profile
    assert profile is not None
    if not look.has_flow or not profile.has_flow:
        return Value(None, "no flow is measured")
    flow_lps, offset_kpa = means(look, profile)
    both = np.isfinite(flow_lps) & np.isfinite(offset_kpa)
    if both.sum() < LEAST_MEANS:
        return Value(None, "outlet and flow are known together too seldom")
    wanted = usual_range_lps(profile)
    seen = float(np.subtract(*np.quantile(flow_lps[both], (0.95, 0.05))))
    if wanted <= 0.0 or seen < LEAST_OF_RANGE * wanted:
        return Value(None, "the flow moved too little for a line")
    return Value(-median_slope(flow_lps[both], offset_kpa[both]) * wanted)


def median_slope(x: FloatArray, y: FloatArray) -> float:
    """Median of the slopes between all pairs with different x (Theil-Sen), which must exist.

    As scipy.stats.theilslopes, without the interval, of which ties make nonsense.
    """
    rise, run = y[:, None] - y[None, :], x[:, None] - x[None, :]
    there = run > 0.0
    return float(np.median(rise[there] / run[there]))


def means(look: Look, profile: Profile) -> tuple[FloatArray, FloatArray]:
    """30-minute means of flow, and of outlet less set and inlet effect, while regulating."""
    size = max(1, MEAN_S // look.tick_s)
    offset = look.outlet_kpa - look.set_kpa
    if profile.has_inlet:
        effect = profile.droop.inlet_ratio * (look.inlet_kpa - profile.droop.inlet_kpa)
        offset = offset - np.nan_to_num(effect)
    return (
        block_means(np.where(look.works, look.flow_lps, np.nan), size),
        block_means(np.where(look.works, offset, np.nan), size),
    )
