"""Arrays as JSON numbers: rounded to what instruments can tell, null where there is nothing."""

from __future__ import annotations

import numpy as np

from steadyhead.types import FloatArray

DECIMALS = 4  # 0.1 Pa and 0.1 mL/s, far below what any instrument of a station resolves


def plain(values: FloatArray) -> list[float | None]:
    """Values in order; None for NaN and infinities, which JSON has no word for."""
    rounded = np.round(values, DECIMALS)
    return [
        value if good else None for value, good in zip(rounded.tolist(), np.isfinite(rounded), strict=True)
    ]


def plain_or_none(value: float | None) -> float | None:
    """One number, or None where it is missing or not finite."""
    return None if value is None or not np.isfinite(value) else round(float(value), DECIMALS)
