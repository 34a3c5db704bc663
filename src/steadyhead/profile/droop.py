"""Learn how the outlet answers to flow and inlet while regulating."""

from __future__ import annotations

import numpy as np
import statsmodels.api as sm

from steadyhead.profile.model import Droop
from steadyhead.profile.setpoint import group_quantile
from steadyhead.profile.span import Span, block_means, thinned
from steadyhead.types import BoolArray, FloatArray

BINS = 14
LEAST_PER_BIN = 20
CURVE_POINTS = 60_000
MOST_INLET_RATIO = 0.15  # a regulating valve passes on a few percent of an inlet change at most


def learn_droop(
    span: Span, regulating: BoolArray, set_now: FloatArray, has_inlet: bool, has_flow: bool
) -> Droop:
    """Droop line and curve; flat where there is no meter."""
    residual = np.where(regulating, span.outlet_kpa - set_now, np.nan)
    inlet_ref = float(np.nanmedian(thinned(span.inlet_kpa))) if has_inlet else 0.0
    slope, inlet_ratio = _robust_line(span, residual, inlet_ref, has_inlet, has_flow)
    if not has_flow:
        return Droop((), (), 0.0, inlet_ratio, inlet_ref)
    rows = np.flatnonzero(np.isfinite(residual) & np.isfinite(span.flow_lps))
    rows = rows[:: max(1, len(rows) // CURVE_POINTS)]
    flow, offset = span.flow_lps[rows], residual[rows]
    if has_inlet:
        inlet = span.inlet_kpa[rows]
        offset = offset - inlet_ratio * np.where(np.isnan(inlet), 0.0, inlet - inlet_ref)
    knots, offsets = _curve(flow, offset)
    return Droop(knots, offsets, slope, inlet_ratio, inlet_ref)


def _robust_line(
    span: Span, residual: FloatArray, inlet_ref: float, has_inlet: bool, has_flow: bool
) -> tuple[float, float]:
    """Slope over flow and share of the inlet passed on, by robust regression on means of about 30 min."""
    size = max(1, 1800 // span.tick_s)
    y = block_means(residual, size)
    columns = []
    if has_flow:
        columns.append(block_means(span.flow_lps, size))
    if has_inlet:
        columns.append(block_means(span.inlet_kpa, size) - inlet_ref)
    if not columns:
        return 0.0, 0.0
    x = np.column_stack([np.ones_like(y), *columns])
    good = np.isfinite(x).all(axis=1) & np.isfinite(y)
    step = max(1, int(good.sum()) // 4000)
    x, y = x[good][::step], y[good][::step]
    if len(y) < 24 or np.linalg.matrix_rank(x) < x.shape[1]:
        return 0.0, 0.0
    fit = sm.RLM(y, x, M=sm.robust.norms.HuberT()).fit(maxiter=20)
    slope = float(fit.params[1]) if has_flow else 0.0
    ratio = float(fit.params[-1]) if has_inlet else 0.0
    return min(slope, 0.0) if slope < 0 else slope, float(np.clip(ratio, -MOST_INLET_RATIO, MOST_INLET_RATIO))


def _curve(flow: FloatArray, residual: FloatArray) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Medians in bins of equal count, as knots."""
    if len(flow) < 3 * LEAST_PER_BIN:
        return (float(np.median(flow)),) if len(flow) else (0.0,), (float(np.median(residual)),) if len(
            residual
        ) else (0.0,)
    bins = int(min(BINS, len(flow) // LEAST_PER_BIN))
    edges = np.quantile(flow, np.linspace(0, 1, bins + 1))
    group = np.clip(np.searchsorted(edges, flow, side="right") - 1, 0, bins - 1)
    at = group_quantile(flow, group, bins, 0.5)
    offset = group_quantile(residual, group, bins, 0.5)
    good = np.isfinite(at)
    at, offset = at[good], offset[good]
    keep = np.concatenate([[True], np.diff(at) > 1e-9])
    return tuple(float(v) for v in at[keep]), tuple(float(v) for v in offset[keep])
