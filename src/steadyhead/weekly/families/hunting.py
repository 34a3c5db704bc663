"""Hours in which the station hunted, from the alerts of the engine."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from steadyhead.weekly.families.alerts import Episode
from steadyhead.weekly.look import Look
from steadyhead.weekly.model import Value


def hunting(look: Look, episodes: Iterable[Episode]) -> dict[str, Value]:
    """Hours of the span within an episode of hunting."""
    if look.profile is None:
        return {"hunting_hours": Value(None, "nothing was learned of this station yet")}
    if "hunting" in look.profile.withheld:
        return {"hunting_hours": Value(None, look.profile.withheld["hunting"])}
    known = np.flatnonzero(np.isfinite(look.outlet_kpa))
    if not known.size:
        return {"hunting_hours": Value(None, "there are no readings of the outlet")}
    last_s = int(look.times_s[known[-1]])  # of what came after it nothing is known
    spans = [
        (max(e.began_s, look.from_s), min(e.ended_s or last_s, last_s))
        for e in episodes
        if e.condition == "hunting"
    ]
    return {"hunting_hours": Value(covered_s(spans) / 3600.0)}


def covered_s(spans: Iterable[tuple[int, int]]) -> int:
    """Seconds that lie in at least one span; spans that end before they begin are empty."""
    total, reached = 0, None
    for from_s, to_s in sorted(span for span in spans if span[1] > span[0]):
        begin = from_s if reached is None else max(from_s, reached)
        if to_s > begin:
            total += to_s - begin
            reached = to_s
    return total
