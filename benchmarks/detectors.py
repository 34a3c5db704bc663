"""General-purpose detectors a user might take instead, each as fit and score on the same rows.

They come with `pip install steadyhead[bench]`. Each is set up as its own documentation does it, with one
thread; what cannot be installed or run on this machine is said with its version and its error.

    rows : shape (n_rows, 3), outlet [kPa], inlet [kPa], flow [L/s], no NaN
"""

from __future__ import annotations

import importlib.metadata
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Score = Callable[[np.ndarray], object]


@dataclass(frozen=True)
class Detector:
    """``make`` fits on rows and returns what scores rows.

    most : rows that are scored; the slow ones get fewer, and their rate is then that of the fewer
    """

    name: str
    package: str
    most: int
    make: Callable[[np.ndarray, int], Score]

    def version(self) -> str:
        try:
            return importlib.metadata.version(self.package)
        except importlib.metadata.PackageNotFoundError:
            return "not installed"


def isolation_forest(rows: np.ndarray, step_s: int) -> Score:
    from sklearn.ensemble import IsolationForest

    del step_s
    return IsolationForest(n_estimators=100, random_state=0, n_jobs=1).fit(rows).score_samples


def ecod(rows: np.ndarray, step_s: int) -> Score:
    from pyod.models.ecod import ECOD

    del step_s
    return ECOD(n_jobs=1).fit(rows).decision_function


def half_space_trees(rows: np.ndarray, step_s: int) -> Score:
    """Values are scaled to 0..1 as the class wants them; it scores a row, then learns it."""
    from river.anomaly import HalfSpaceTrees

    del step_s
    low, high = rows.min(axis=0), rows.max(axis=0)

    def score(part: np.ndarray) -> float:
        trees = HalfSpaceTrees(n_trees=25, height=15, window_size=250, seed=0)
        last = 0.0
        for values in ((part - low) / (high - low)).tolist():
            row = dict(enumerate(values))
            last = trees.score_one(row)
            trees.learn_one(row)
        return last

    return score


def stump(rows: np.ndarray, step_s: int) -> Score:
    """Matrix profile of the outlet with a window of an hour, or of 60 readings where that is longer."""
    import stumpy

    del rows
    window = max(60, 3600 // step_s)
    return lambda part: stumpy.stump(part[:, 0].copy(), window)


def level_shift(rows: np.ndarray, step_s: int) -> Score:
    """What ADTK's LevelShiftAD is made of, on the outlet with windows of an hour: the shift of the median
    from one window to the next, over six times the quartile range. The class itself, as of 0.6.2, cannot set
    its labels with pandas 3 where a window is not full.
    """
    import pandas as pd
    from adtk.transformer import DoubleRollingAggregate

    rolled = DoubleRollingAggregate(agg="median", window=max(60, 3600 // step_s), center=True, diff="l1")

    def shifts(part: np.ndarray) -> pd.Series:
        times = pd.date_range("2025-01-01", periods=len(part), freq=f"{step_s}s")
        return rolled.transform(pd.Series(part[:, 0], index=times))

    lower, upper = shifts(rows).quantile([0.25, 0.75])
    limit = upper + 6.0 * (upper - lower)
    return lambda part: shifts(part) > limit


DETECTORS = {
    "forest": Detector("scikit-learn IsolationForest", "scikit-learn", 250_000, isolation_forest),
    "ecod": Detector("PyOD ECOD", "pyod", 250_000, ecod),
    "halfspace": Detector("river HalfSpaceTrees", "river", 10_000, half_space_trees),
    "stump": Detector("STUMPY stump", "stumpy", 20_000, stump),
    "adtk": Detector("ADTK level shift", "adtk", 250_000, level_shift),
}
