"""Learn which flow coefficients the station has shown."""

from __future__ import annotations

import numpy as np

from steadyhead.profile.known import Known
from steadyhead.profile.model import Kv
from steadyhead.profile.span import Span, thinned
from steadyhead.types import BoolArray, FloatArray, IntArray

UNKNOWN_KV = 1e9  # no valve reaches it
LEAST_DROP_KPA = 1.0  # with less, the transmitters' errors are all there is
HELD_SHARE = 0.03  # of set
UNSEEN_RESERVE = 1.5  # full-open Kv over the highest seen, where nothing better is known


def learn_kv(
    span: Span, regulating: BoolArray, known: Known, set_kpa: float, least_kpa: float, has_both: bool
) -> Kv:
    """Effective-Kv envelope. Kv = Q sqrt(SG/dp), Q in m3/h, dp in bar (IEC 60534-2-1, liquid, turbulent).

    least_kpa : from ``least_differential``; has_both : inlet and flow are measured
    """
    full, source = (known.rated_kv_m3h, "rated") if known.rated_kv_m3h else (UNKNOWN_KV, "estimated")
    if not has_both:
        return Kv(0.0, 0.0, full, source, least_kpa)
    with np.errstate(invalid="ignore"):
        clear = np.isfinite(span.flow_lps) & (span.inlet_kpa - span.outlet_kpa > LEAST_DROP_KPA)
    seen = _kv(span, thinned(np.flatnonzero(regulating & clear)))
    if not len(seen):
        return Kv(0.0, 0.0, full, source, least_kpa)
    typical, reached = (float(v) for v in np.quantile(seen, (0.5, 0.999)))
    if known.rated_kv_m3h:
        return Kv(typical, reached, full, source, least_kpa)
    sagging = span.keep & (span.outlet_kpa < 0.95 * set_kpa) & (span.inlet_kpa < 1.1 * set_kpa)
    wide = _kv(span, np.flatnonzero(sagging & clear))
    if len(wide) >= 10:
        return Kv(typical, reached, max(float(np.median(wide)), reached), "wide open", least_kpa)
    return Kv(typical, reached, UNSEEN_RESERVE * reached, "estimated", least_kpa)


def least_differential(span: Span, regulating: BoolArray, set_now: FloatArray, known: Known) -> float:
    """What the registry declares [kPa], or less where the span shows the set pressure held with less."""
    if known.min_differential_kpa is None:
        return 0.0
    with np.errstate(invalid="ignore"):
        held = regulating & (np.abs(span.outlet_kpa - set_now) < HELD_SHARE * set_now)
    differential = (span.inlet_kpa - span.outlet_kpa)[held]
    differential = thinned(differential[np.isfinite(differential)])
    if not len(differential):
        return known.min_differential_kpa
    return max(0.0, min(known.min_differential_kpa, float(np.quantile(differential, 0.01))))


def _kv(span: Span, rows: IntArray) -> FloatArray:
    return 36.0 * span.flow_lps[rows] / np.sqrt(span.inlet_kpa[rows] - span.outlet_kpa[rows])
