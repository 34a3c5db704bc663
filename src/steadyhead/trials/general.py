"""General-purpose detectors of other libraries, as somebody could put them on the same logs instead.

Each learns from the learning span and looks only back. Those that see rows get the features of the hour
before (``quarters.features``), the others the quarter hours of the outlet.

* ``isolation_forest``: scikit-learn's; score above the 99.9 percentile of the learning span.
* ``ecod``: PyOD's ECOD (Li et al. 2022), the same way.
* ``half_space_trees``: river's (Tan, Ting and Liu 2011), the same way; it goes on learning, as it is made to.
* ``level_shift``: ADTK's ``LevelShiftAD``, the last hour beside the six before it. The score is the factor
  ``c`` up to which it would raise. Its label stands where the shift is; here it counts when the hour is over.
  Its parts are used, since ADTK 0.6.2 cannot set labels with pandas 3 where a window is not full.
* ``matrix_profile``: stumpy's distance from the last six hours of outlet to their nearest neighbour in the
  learning span, over the 99.9 percentile of the learning span's own; z-normalised (shape only) and plain
  (level counts too).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from steadyhead.trials.quarters import QUARTER_S, Track, features, filled, quarters
from steadyhead.trials.runs import CaseRun
from steadyhead.types import FloatArray

HIGH = 0.999  # of a score in the learning span
FOREST_TREES = 100
HALF_SPACE_TREES = 25  # as Tan, Ting and Liu; they are river's own 8 high, since 15 take 11 s a case to build
PATTERN_QUARTERS = 24
BEFORE_QUARTERS, NOW_QUARTERS = 24, 4  # of those tried on the stretched set the ones that find most
LEAST_IQR_SHARE = 1e-3  # of the set: where an outlet hardly moves, every step is many quartile ranges


def isolation_forest(run: CaseRun) -> Track:
    """Isolation score above the learning span's 99.9 percentile."""
    from sklearn.ensemble import IsolationForest

    learned, end_s, judged = features(run)
    forest = IsolationForest(n_estimators=FOREST_TREES, random_state=0).fit(learned)
    usual = float(np.quantile(-forest.score_samples(learned), HIGH))
    return _scored(end_s, judged, lambda rows: -forest.score_samples(rows) - usual)


def ecod(run: CaseRun) -> Track:
    """Sum of tail logarithms above the learning span's 99.9 percentile."""
    from pyod.models.ecod import ECOD

    learned, end_s, judged = features(run)
    fitted = ECOD(n_jobs=1).fit(learned)
    usual = float(np.quantile(fitted.decision_scores_, HIGH))
    return _scored(end_s, judged, lambda rows: ecod_row_by_row(learned, rows) - usual)


def ecod_row_by_row(learned: FloatArray, rows: FloatArray) -> FloatArray:
    """What a fitted ECOD says of each row by itself, shape (n_rows,).

    PyOD counts all the rows it is asked about among the usual ones, so in one call a later row would change
    the score of an earlier one, and a call for each row takes seconds a case. With one row more than was
    learned from, the empirical distributions can be counted at once. Skewness has no say: ECOD takes the
    largest of both tails and the tail that skewness points to, which is one of them.
    """
    n = len(learned) + 1
    total = np.zeros(len(rows))
    for column, values in zip(np.sort(learned, axis=0).T, rows.T, strict=True):
        at_most = np.searchsorted(column, values, side="right") + 1
        at_least = n - np.searchsorted(column, values, side="left")
        total -= np.log(np.minimum(at_most, at_least) / n)
    return total


def half_space_trees(run: CaseRun) -> Track:
    """Share of mass missing around a row, above the learning span's 99.9 percentile."""
    from river.anomaly import HalfSpaceTrees

    learned, end_s, judged = features(run)
    low, high = learned.min(axis=0), learned.max(axis=0)
    width = np.maximum(high - low, 1e-9)
    # Room on both sides, so that what lies outside all that was learned has branches of its own.
    limits: dict[Any, tuple[float, float]] = dict.fromkeys(range(learned.shape[1]), (-0.5, 1.5))
    trees: Any = HalfSpaceTrees(n_trees=HALF_SPACE_TREES, limits=limits, seed=0)

    def scores(rows: FloatArray) -> FloatArray:
        out = np.empty(len(rows))
        for n, values in enumerate(((rows - low) / width).tolist()):
            row = dict(enumerate(values))
            out[n] = trees.score_one(row)
            trees.learn_one(row)
        return out

    own = scores(learned)[trees.window_size :]  # before its first window is full it says 0
    usual = float(np.quantile(own, HIGH)) if own.size else 1.0
    return _scored(end_s, judged, lambda rows: scores(rows) - usual)


def _scored(end_s: FloatArray, rows: FloatArray, score: Callable[[FloatArray], FloatArray]) -> Track:
    """Scores of the rows that are whole."""
    values = np.full(len(rows), np.nan)
    whole = np.isfinite(rows).all(axis=1)
    if whole.any():
        values[whole] = score(rows[whole])
    return Track(end_s, values)


def level_shift(run: CaseRun) -> Track:
    """Shift of the outlet beyond the learning span's third quartile, in its quartile ranges."""
    import pandas as pd
    from adtk.transformer import DoubleRollingAggregate

    rolled = DoubleRollingAggregate(
        agg="median", window=(BEFORE_QUARTERS, NOW_QUARTERS), center=False, diff="l1",
        min_periods=(BEFORE_QUARTERS // 2, NOW_QUARTERS // 2),
    )  # fmt: skip
    _, before = quarters(run.learning)
    end_s, now = quarters(run.judged)
    outlet = np.concatenate([before["outlet_kpa"], now["outlet_kpa"]])
    times = pd.date_range("2025-01-01", periods=len(outlet), freq=f"{QUARTER_S}s")
    shifts = rolled.transform(pd.Series(outlet, index=times)).to_numpy()
    own, judged = np.split(shifts, [len(before["outlet_kpa"])])
    lower, upper = np.nanquantile(own, (0.25, 0.75))
    least = LEAST_IQR_SHARE * float(run.case.station["set_kpa"])
    return Track(end_s, (judged - upper) / max(upper - lower, least))


def matrix_profile(run: CaseRun) -> Track:
    """Distance of the last six hours' shape to its nearest neighbour in the learning span."""
    import stumpy

    return distance_track(run, stumpy.stump)


def matrix_profile_plain(run: CaseRun) -> Track:
    """The same without z-normalisation, so that level counts too."""
    import stumpy

    return distance_track(run, stumpy.aamp)


def distance_track(run: CaseRun, join: Callable[..., FloatArray]) -> Track:
    """Distances found by ``join`` (called as ``stumpy.stump`` is); known only when a window has ended."""
    _, before = quarters(run.learning)
    end_s, now = quarters(run.judged)
    learned, judged = filled(before["outlet_kpa"]), filled(now["outlet_kpa"])
    own = np.asarray(join(learned, PATTERN_QUARTERS)[:, 0], dtype=np.float64)
    usual = float(np.quantile(own[np.isfinite(own)], HIGH))
    found = join(judged, PATTERN_QUARTERS, learned, ignore_trivial=False)
    values = np.full(len(judged), np.nan)
    values[PATTERN_QUARTERS - 1 :] = np.asarray(found[:, 0], dtype=np.float64) / max(usual, 1e-9)
    return Track(end_s, values)
