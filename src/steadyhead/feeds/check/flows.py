"""Whether a flow can be that of the valve it passes, in the unit declared for it.

The limits are common practice, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from steadyhead.feeds.check.findings import Finding
from steadyhead.feeds.check.look import FEW, TOLERANCE_KPA, Look, any_of, median
from steadyhead.units import UNITS

FASTEST_M_S = 9.0  # through the nominal bore; catalogues allow about 6 m/s for long and 7.5 for short
SLOWEST_SHARE = 0.012  # of the rated Kv at the 99th percentile of flow
FULLEST_SHARE = 1.25


def flow_unit(look: Look) -> Iterator[Finding]:
    """The flow, if its peaks are more than the valve passes, or next to nothing."""
    known = look.of("flow")[~np.isnan(look.of("flow"))]
    if len(known) < FEW:
        return
    high_lps = float(np.percentile(known, 99))
    if high_lps <= 0:
        look.unjudged.append("the unit of flow: all of it is zero")
        return
    valve = look.station.valve
    if valve.rated_kv_m3h is None and valve.size_mm is None:
        look.unjudged.append("the unit of flow: neither size_mm nor rated_kv_m3h is declared for the valve")
        return
    share = _kv_share(look, high_lps)
    speed = math.nan if valve.size_mm is None else _speed_m_s(high_lps, valve.size_mm)
    is_much = share > FULLEST_SHARE or (math.isnan(share) and speed > FASTEST_M_S)
    is_little = share < SLOWEST_SHARE or (math.isnan(share) and speed < 0.03)
    if not is_much and not is_little:
        return
    tag = look.station.tags["flow"]
    number = high_lps / tag.factor
    fitting = [
        name for name, unit in UNITS.items()
        if unit.quantity == "flow" and name != tag.unit and _fits(look, number * unit.factor)
    ]  # fmt: skip
    what = "next to nothing for a valve of its size"
    if is_much:
        what = f"{speed:.0f} m/s through its bore"
        if not math.isnan(share):
            what = f"{share:.1f} times what the valve passes wide open"
    yield look.finding(
        "unit", "flow", f"its peaks of {number:.3g} {tag.unit} would be {what}",
        f"see in which unit it is sent ({any_of(fitting)} would fit), or mend scale, size_mm or "
        f"rated_kv_m3h",
    )  # fmt: skip


def _fits(look: Look, lps: float) -> bool:
    share = _kv_share(look, lps)
    if not math.isnan(share):
        return SLOWEST_SHARE * 2 <= share <= FULLEST_SHARE
    size_mm = look.station.valve.size_mm
    return size_mm is not None and 0.1 <= _speed_m_s(lps, size_mm) <= FASTEST_M_S


def _kv_share(look: Look, lps: float) -> float:
    fall_kpa = median(look.of("inlet") - look.of("outlet"))
    rated = look.station.valve.rated_kv_m3h
    if rated is None or not fall_kpa > TOLERANCE_KPA:
        return math.nan
    return 3.6 * lps / math.sqrt(fall_kpa / 100.0) / rated  # definition of Kv


def _speed_m_s(lps: float, size_mm: float) -> float:
    return lps / 1000.0 / (math.pi / 4.0 * (size_mm / 1000.0) ** 2)
