"""Learn the joint distribution of hourly features, so that an hour like none before can be told."""

from __future__ import annotations

import numpy as np
from sklearn.covariance import LedoitWolf

from steadyhead.profile.model import Novelty
from steadyhead.profile.span import robust_spread
from steadyhead.types import FloatArray

NAMES = ("departure", "movement", "flow against usual", "inlet", "Kv against usual")
LEAST_HOURS = 120
TRIM = 0.97  # the strangest hours of the span do not shape what is normal
# departure and movement have conditions of their own
MOST_SPREADS = np.array([2.0, 2.0, 12.0, 12.0, 12.0])
LEAST_SPREAD = (0.004, 0.15, 0.08, 0.02, 0.03)


def learn_novelty(hours: FloatArray, false_per_year: float) -> Novelty | None:
    """Location, spread and inverse covariance of hourly features, shape (n_hours, 5).

    The covariance is shrunk (scikit-learn's LedoitWolf) and fitted on the inner 97 %. The limit is
    half as much again as the 95 % quantile of the span's daily maxima; it does not follow the false-alert
    budget, except that one below one a year raises it. None where the span is too short.
    """
    hours = hours[np.isfinite(hours).all(axis=1)]
    if len(hours) < LEAST_HOURS:
        return None
    center = np.median(hours, axis=0)
    scale = np.array([max(robust_spread(hours[:, i]), LEAST_SPREAD[i]) for i in range(hours.shape[1])])
    z = np.clip((hours - center) / scale, -MOST_SPREADS, MOST_SPREADS)
    inner = z[np.argsort((z**2).sum(axis=1))[: int(TRIM * len(z))]]
    covariance = LedoitWolf(assume_centered=True).fit(inner).covariance_
    # a feature that hardly moved in the span may not make a small move of it unfamiliar
    widen = np.maximum(1.0, 1.0 / np.sqrt(np.diag(covariance)))
    precision = np.linalg.inv(covariance * np.outer(widen, widen))
    distance = np.einsum("ij,jk,ik->i", z, precision, z)
    whole = len(distance) // 24
    daily = distance[: whole * 24].reshape(whole, 24).max(axis=1)
    limit = 1.5 * float(np.quantile(daily, 0.95)) + 10.0 * max(0.0, 1.0 - false_per_year)
    return Novelty(
        names=NAMES,
        center=tuple(map(float, center)),
        scale=tuple(map(float, scale)),
        precision=tuple(tuple(map(float, row)) for row in precision),
        limit=max(limit, 25.0),
    )
