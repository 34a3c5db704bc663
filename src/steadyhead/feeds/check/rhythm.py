"""How often values come, where they are missing, and where they stand still."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from steadyhead.config import Role, Station
from steadyhead.feeds.check.findings import Finding, Kind
from steadyhead.readings.series import Series
from steadyhead.types import FloatArray, IntArray

LONGEST_STILL_S = 6 * 3600.0
LEAST_STILL = 20  # readings
_OFTEN = 3.0  # a standstill counts if it is so many times longer than all but the longest hundredth
MOST_MISSING = 0.10
MOST_REFUSED = 0.05
_REGULAR = 0.6
WANTED_DAYS = 21.0
LEAST_DAYS = 3.0


def every_s(times_s: IntArray) -> float:
    """Usual time between readings [s]; NaN for fewer than two."""
    return float(np.median(np.diff(times_s))) if len(times_s) > 1 else math.nan


def longest_gap_s(times_s: IntArray) -> float:
    """Longest time between two readings [s]; NaN for fewer than two."""
    return float(np.diff(times_s).max()) if len(times_s) > 1 else math.nan


def judge_rhythm(role: Role, series: Series, station: Station) -> Iterator[Finding]:
    """Findings on rate, kind of reporting and standstill of one tag."""
    known = ~np.isnan(series.values)
    times_s, values = series.times_s[known], series.values[known]
    if len(times_s) < 2 * LEAST_STILL:
        return

    def finding(kind: Kind, met: str, do: str) -> Finding:
        return Finding(kind, station.name, role, station.tags[role].tag, met, do)

    usual_s, step_s = every_s(times_s), station.step_s
    steps_s = np.diff(times_s)
    regular = float(np.mean(np.abs(steps_s - usual_s) <= max(1.0, 0.1 * usual_s)))
    if station.reporting == "sampled" and regular < _REGULAR:
        yield finding(
            "reporting",
            f"readings come {np.percentile(steps_s, 10):.0f} to {np.percentile(steps_s, 90):.0f} s apart, "
            "as if only changes were reported",
            f"if so, declare reporting: on_change and heartbeat_s: {_heartbeat_s(steps_s, step_s)}",
        )
    elif station.reporting == "sampled" and not 0.55 < usual_s / step_s < 1.8:
        yield finding(
            "rate", f"readings come every {usual_s:g} s, step_s says {step_s}", f"set step_s: {usual_s:.0f}"
        )
    yield from _still(times_s, values, role, station, finding)


def _still(
    times_s: IntArray,
    values: FloatArray,
    role: Role,
    station: Station,
    finding: Callable[[Kind, str, str], Finding],
) -> Iterator[Finding]:
    """A value that stands still although it usually does not; a flow of nothing may."""
    starts = np.flatnonzero(np.diff(values, prepend=np.nan) != 0)
    ends = np.append(starts[1:], len(values)) - 1
    if station.reporting == "on_change":
        ends = np.minimum(ends + 1, len(values) - 1)  # it held until the next report
    lengths_s = (times_s[ends] - times_s[starts]).astype(np.float64)
    is_nothing = (values[starts] <= max(station.meter_cutoff_lps or 0.0, 0.02)) & (role == "flow")
    lengths_s[is_nothing] = 0.0
    at = int(np.argmax(lengths_s))
    others_s = float(np.percentile(np.delete(lengths_s, at), 99)) if len(lengths_s) > 1 else 0.0
    n = int(ends[at] - starts[at]) + 1
    enough = n >= LEAST_STILL or station.reporting == "on_change" or lengths_s[at] >= 4 * LONGEST_STILL_S
    if (
        role == "command"
        or lengths_s[at] < LONGEST_STILL_S
        or not enough
        or lengths_s[at] < _OFTEN * others_s
    ):
        return
    tag = station.tags[role]
    since = str(np.datetime64(int(times_s[starts[at]]), "s"))
    yield finding(
        "frozen",
        f"stood at {values[starts[at]] / tag.factor:.4g} {tag.unit} for {lengths_s[at] / 3600:.1f} h "
        f"from {since} UTC",
        "see whether the transmitter or its link was stuck; leave that time out of what is learned from",
    )


def judge_gaps(role: Role, series: Series, station: Station) -> Iterator[Finding]:
    """A finding where much of the time is without a value."""
    known_s = series.times_s[~np.isnan(series.values)]
    if len(known_s) < 2 * LEAST_STILL:
        return
    held_s = float(station.heartbeat_s or 0) if station.reporting == "on_change" else 1.6 * every_s(known_s)
    steps_s = np.diff(known_s).astype(np.float64)
    missing_s = float((steps_s[steps_s > held_s]).sum())
    share = missing_s / float(known_s[-1] - known_s[0])
    if share > MOST_MISSING:
        n = int((steps_s > held_s).sum())
        yield Finding(
            "gaps", station.name, role, station.tags[role].tag,
            f"{share:.0%} of the time is without a value, in {n} gaps of up to {steps_s.max() / 3600:.1f} h",
            "look at the link to the station"
            + (", or raise heartbeat_s" if station.reporting == "on_change" else ""),
        )  # fmt: skip


_LISTENED_DAYS = 0.2  # less is a sample that was listened to


def stored_words(days: float, reach_days: int | None) -> str:
    """Whether a feed has enough to learn from: what it stores, where that is known, or what was looked at."""
    if reach_days:
        said = history_words(float(reach_days)).partition(": ")[2]
        return f"at least {reach_days} days are stored: {said}; bring them in with backfill_from"
    if days < _LISTENED_DAYS:
        return "nothing is stored to learn from; what comes is kept: 3 days are needed and 21 are good"
    return history_words(days) + " (of what was looked at)"


def history_words(days: float) -> str:
    """Whether there is enough to learn from."""
    if days < LEAST_DAYS:
        return f"{days:.1f} days: too little to learn from; at least 3 are needed and 21 are good"
    if days < WANTED_DAYS:
        return f"{days:.1f} days: learning works, some conditions will be withheld; 21 are good"
    return f"{days:.0f} days: enough to learn from"


def _heartbeat_s(steps_s: IntArray, step_s: int) -> int:
    """A round length above nearly all silences."""
    wanted = float(np.percentile(steps_s, 99))
    return next(
        (s for s in (300, 900, 1800, 3600, 7200, 14400, 28800, 86400) if s >= max(wanted, step_s)), 86400
    )
