"""Learn which flow coefficients the station has shown."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.known import Known
from steadyhead.profile.model import Kv
from steadyhead.profile.span import Span, thinned
from steadyhead.types import BoolArray

UNSEEN_RESERVE = 1.5  # full-open Kv over the highest seen, where nothing better is known


def learn_kv(span: Span, regulating: BoolArray, known: Known, set_kpa: float, has_both: bool) -> Kv:
    """Effective-Kv envelope. Kv = Q sqrt(SG/dp), Q in m3/h, dp in bar (IEC 60534-2-1, liquid, turbulent)."""
    least = known.min_differential_kpa if known.min_differential_kpa is not None else 0.0
    if not has_both:
        return Kv(0.0, 0.0, known.rated_kv_m3h or 1e9, "rated" if known.rated_kv_m3h else "estimated", least)
    dp = span.inlet_kpa - span.outlet_kpa
    with np.errstate(invalid="ignore", divide="ignore"):
        kv = np.where(dp > 1.0, 36.0 * span.flow_lps / np.sqrt(np.maximum(dp, 1.0)), np.nan)
    seen = thinned(kv[regulating & np.isfinite(kv)])
    if not len(seen):
        return Kv(0.0, 0.0, known.rated_kv_m3h or 1e9, "rated" if known.rated_kv_m3h else "estimated", least)
    typical, reached = (float(v) for v in np.quantile(seen, (0.5, 0.999)))
    if known.rated_kv_m3h:
        return Kv(typical, reached, known.rated_kv_m3h, "rated", least)
    sagging = span.keep & (span.outlet_kpa < 0.95 * set_kpa) & (span.inlet_kpa < 1.1 * set_kpa)
    wide = kv[sagging & np.isfinite(kv)]
    if len(wide) >= 10:
        return Kv(typical, reached, max(float(np.median(wide)), reached), "wide open", least)
    return Kv(typical, reached, UNSEEN_RESERVE * reached, "estimated", least)
