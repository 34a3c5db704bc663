"""Is a stated confidence worth what it says? Reliability table, calibration error, Brier score."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from steadyhead.errors import ReadingsError
from steadyhead.types import BoolArray, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class ReliabilityTable:
    """What was said against what came true, by bins of confidence; empty bins are left out.

    low, high : shape (n_bins,), edges;  count : shape (n_bins,), answers in the bin
    said : shape (n_bins,), mean confidence;  right : shape (n_bins,), share that was right
    """

    low: FloatArray
    high: FloatArray
    count: IntArray
    said: FloatArray
    right: FloatArray


def reliability_table(
    confidence: FloatArray,
    is_right: BoolArray,
    bins: int = 10,
    strategy: Literal["uniform", "quantile"] = "uniform",
) -> ReliabilityTable:
    """Confidence against share right, in bins of equal width or of equal count.

    confidence : shape (n,), 0 to 1;  is_right : shape (n,)
    A value on an edge goes to the upper bin, 1 to the last.
    Raises ReadingsError if shapes differ, there is nothing, or a confidence is outside 0 to 1.
    """
    confidence, is_right = _checked(confidence, is_right)
    if bins < 1:
        raise ReadingsError(f"calibration: {bins} bins, wanted 1 or more")
    if strategy == "uniform":
        edges = np.arange(bins + 1) / bins  # linspace puts some edges a last digit too high
    else:
        edges = np.quantile(confidence, np.linspace(0.0, 1.0, bins + 1))
    place = np.searchsorted(edges[1:-1], confidence, side="right")
    count = np.bincount(place, minlength=bins)
    used = count > 0
    said = np.bincount(place, weights=confidence, minlength=bins)[used] / count[used]
    right = np.bincount(place, weights=is_right.astype(np.float64), minlength=bins)[used] / count[used]
    return ReliabilityTable(edges[:-1][used], edges[1:][used], count[used].astype(np.int64), said, right)


def expected_calibration_error(
    confidence: FloatArray,
    is_right: BoolArray,
    bins: int = 10,
    strategy: Literal["uniform", "quantile"] = "uniform",
) -> float:
    """Mean gap between confidence and share right, weighted by the answers in each bin; 0 is perfect.

    Source: Naeini, Cooper & Hauskrecht, AAAI 2015.
    """
    table = reliability_table(confidence, is_right, bins, strategy)
    return float(np.sum(table.count * np.abs(table.right - table.said)) / np.sum(table.count))


def brier_score(confidence: FloatArray, is_right: BoolArray) -> float:
    """Mean squared gap between confidence and what came true (1 or 0); 0 is perfect, 0.25 is a coin.

    Source: Brier, Monthly Weather Review 78 (1950) 1, two-class form.
    """
    confidence, is_right = _checked(confidence, is_right)
    return float(np.mean((confidence - is_right.astype(np.float64)) ** 2))


def _checked(confidence: FloatArray, is_right: BoolArray) -> tuple[FloatArray, BoolArray]:
    confidence = np.asarray(confidence, dtype=np.float64)
    is_right = np.asarray(is_right, dtype=np.bool_)
    if confidence.shape != is_right.shape or confidence.ndim != 1 or confidence.shape[0] == 0:
        raise ReadingsError(
            f"calibration: confidence has shape {confidence.shape} and is_right {is_right.shape}; "
            "give one dimension, one length and at least one answer"
        )
    if not ((confidence >= 0.0) & (confidence <= 1.0)).all():
        raise ReadingsError("calibration: a confidence is outside 0 to 1 or NaN")
    return confidence, is_right
