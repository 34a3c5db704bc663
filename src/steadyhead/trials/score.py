"""From outcomes to the figures that say how good detection is.

Definitions:

* The *first alert* of a case is the earliest raised after its fault or event begins and before it ends (an
  event) or the span ends (a fault); of a healthy case, the earliest in the whole judged span.
* A fault is *found* if any alert is raised in that time, whatever its name, telemetry loss apart (short gaps
  are everyday). It is *named right* if its first alert carries the true name. Where the cause reaches several
  conditions one after the other, a name it had reached is right too, until it reaches the one that counts.
* A *false alert* is any alert raised in healthy time: the whole judged span of healthy cases, and of all
  others the time before anything begins.
* A *look-alike is called one of the four* if any of its alerts, not only the first, is drift, creep, failure
  to open or hunting.
* *Delay* runs from when the effect passed its mild limit for good enough to count, to the first rightly named
  alert.
* *Macro F1* takes the first alert of each case (healthy: none) and averages over the states, "healthy"
  included. Beside it stands what it would be if every name were right that the case had reached by then, as a
  valve that closes late and therefore leaves the outlet high answers slowly *and* fails to close.
* *Expected calibration error*: first alerts in ten bins of confidence, mean gap between confidence and share
  right, weighted by the number in each bin. An alert in a healthy case is wrong.

A transmitter that drifts cannot be told from a drifting valve by telemetry alone: "drift" and "sensor fault"
are both right for it, and such cases are counted apart.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy import stats

from steadyhead.trials.watch import Outcome, Raised
from steadyhead.types import CONDITIONS, VALVE_CONDITIONS

HEALTHY = "healthy"
YEAR_S = 365.25 * 86400.0
OPENING_DELAY_S, OPENING_SAMPLES = 900.0, 3.0
HUNTING_PERIODS, HUNTING_SAMPLES = 10.0, 6.0
BINS = 10


@dataclass(frozen=True, slots=True)
class Share:
    """A count out of a count."""

    hits: int
    of: int

    @property
    def value(self) -> float:
        """The share; NaN of nothing."""
        return self.hits / self.of if self.of else float("nan")

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Exact binomial interval (Clopper and Pearson 1934)."""
        if not self.of:
            return float("nan"), float("nan")
        found = stats.binomtest(self.hits, self.of).proportion_ci(level, "exact")
        return float(found.low), float(found.high)


@dataclass(frozen=True, slots=True)
class Rate:
    """Events over a time."""

    count: int
    years: float

    @property
    def per_year(self) -> float:
        """Events per station-year; NaN without time."""
        return self.count / self.years if self.years > 0 else float("nan")

    def interval(self, level: float = 0.95) -> tuple[float, float]:
        """Exact Poisson interval per station-year (Garwood 1936)."""
        if self.years <= 0:
            return float("nan"), float("nan")
        tail = 0.5 * (1.0 - level)
        low = stats.chi2.ppf(tail, 2 * self.count) / 2.0 if self.count else 0.0
        high = stats.chi2.ppf(1.0 - tail, 2 * (self.count + 1)) / 2.0
        return float(low / self.years), float(high / self.years)


@dataclass(frozen=True, slots=True)
class Bin:
    """First alerts of similar confidence."""

    low: float
    high: float
    count: int
    confidence: float
    right: float


@dataclass(frozen=True, slots=True)
class Scores:
    """Every figure of the table; shares count cases, see the module for what they mean."""

    n_cases: int
    clear_found: Share
    clear_named: Share
    mild_found: Share
    mild_named: Share
    false_alerts: Rate
    false_names: dict[str, int]
    lookalikes_called: Share
    others_called: Share
    opening_delay_s: list[float]
    opening_delay_ratio: list[float]
    hunting_delay_s: list[float]
    hunting_delay_ratio: list[float]
    creep_first_night: Share
    drift_departure: list[float]
    macro_f1: float
    macro_f1_reached: float
    f1: dict[str, float]
    calibration_error: float
    bins: list[Bin]
    ambiguous_right: Share
    no_effect: int
    failed: int
    by_condition: dict[str, tuple[Share, Share, Share, Share]] = field(default_factory=dict)
    confusion: dict[tuple[str, str], int] = field(default_factory=dict)


def first_alert(outcome: Outcome) -> Raised | None:
    """The first alert after the case begins to be what it is; None if there is none."""
    found = alerts_within(outcome)
    return found[0] if found else None


def alerts_within(outcome: Outcome) -> list[Raised]:
    """Alerts raised while the case is what it is, in order."""
    case = outcome.case
    if case.group == "healthy":
        return list(outcome.alerts)
    # An event's mark on averages and delays outlasts it a little; an hour, or four samples.
    until = case.ends_s + max(3600.0, 4.0 * case.interval_s)
    return [a for a in outcome.alerts if case.begins_s <= a.raised_s <= until]


def right_names(outcome: Outcome, at_s: float) -> set[str]:
    """Names that are right for an alert raised at a time."""
    truth = outcome.truth
    names = {truth.condition}
    if truth.ambiguous:
        return {"drift", "sensor_fault"}
    if truth.passed_s is not None and at_s < truth.passed_s:
        on_the_way = {name: s for name, s in truth.also_s.items() if s < truth.passed_s}
        names |= set(on_the_way)
    return names


def reached_names(outcome: Outcome, at_s: float) -> set[str]:
    """The same, and every other condition that the case had reached by then."""
    also = {name for name, s in outcome.truth.also_s.items() if s <= at_s}
    return right_names(outcome, at_s) | also


def is_named_right(
    outcome: Outcome, names: Callable[[Outcome, float], set[str]] = right_names
) -> bool | None:
    """Whether the first alert has one of the names that are right; None without one."""
    first = first_alert(outcome)
    return None if first is None else first.condition in names(outcome, first.raised_s)


def is_found(outcome: Outcome) -> bool:
    """Whether anything but telemetry loss was raised."""
    return any(a.condition != "telemetry_loss" for a in alerts_within(outcome))


def healthy_time_s(outcome: Outcome) -> float:
    """Seconds of the judged span before anything is wrong or happens."""
    return max(0.0, outcome.case.begins_s - outcome.case.test_s)


def false_alerts(outcomes: Sequence[Outcome]) -> list[Raised]:
    """Alerts raised in healthy time."""
    return [
        a for o in outcomes for a in o.alerts if a.raised_s < o.case.begins_s or o.case.group == "healthy"
    ]


def score(outcomes: Sequence[Outcome]) -> Scores:
    """All figures of a set of outcomes."""
    faults = [o for o in outcomes if o.case.group == "fault" and o.truth.condition != HEALTHY]
    four = [o for o in faults if o.truth.condition in VALVE_CONDITIONS]
    clear, mild = ([o for o in four if o.truth.severity == s] for s in ("clear", "mild"))
    mild_found = [o for o in mild if is_found(o)]
    lookalikes = [o for o in outcomes if o.case.group == "lookalike"]
    others = [o for o in outcomes if o.case.group == "other" and not o.truth.ambiguous]
    ambiguous = [o for o in outcomes if o.truth.ambiguous]
    false = false_alerts(outcomes)
    years = sum(healthy_time_s(o) for o in outcomes) / YEAR_S
    plain = [o for o in outcomes if not o.truth.ambiguous]
    pairs = [(o.truth.condition, _called(o)) for o in plain]
    f1 = f1_by_state(pairs)
    f1_reached = f1_by_state([(o.truth.condition, _called(o, reached_names)) for o in plain])
    error, bins = calibration(
        [(first, bool(is_named_right(o))) for o in outcomes if (first := first_alert(o))]
    )
    opening, opening_ratio = _delays(faults, "failure_to_open")
    hunting, hunting_ratio = _delays(faults, "hunting")
    creep = [o for o in faults if o.truth.condition == "creep"]
    return Scores(
        n_cases=len(outcomes),
        clear_found=_share(clear, is_found),
        clear_named=_share(clear, is_named_right),
        mild_found=_share(mild, is_found),
        mild_named=_share(mild_found, is_named_right),
        false_alerts=Rate(len(false), years),
        false_names=_counts([a.condition for a in false]),
        lookalikes_called=_share(lookalikes, is_called_one_of_four),
        others_called=_share(others, is_called_one_of_four),
        opening_delay_s=opening,
        opening_delay_ratio=opening_ratio,
        hunting_delay_s=hunting,
        hunting_delay_ratio=hunting_ratio,
        creep_first_night=_share(creep, is_in_first_night),
        drift_departure=[
            abs(a.departure)
            for o in faults
            if o.truth.condition == "drift" and (a := rightly_named(o)) is not None
        ],
        macro_f1=_mean(f1),
        macro_f1_reached=_mean(f1_reached),
        f1=f1,
        calibration_error=error,
        bins=bins,
        ambiguous_right=_share(ambiguous, is_named_right),
        no_effect=sum(o.case.wanted != HEALTHY and o.truth.condition == HEALTHY for o in outcomes),
        failed=sum(bool(o.failed) for o in outcomes),
        by_condition=_by_condition(faults),
        confusion=_pair_counts(pairs),
    )


def _share(outcomes: Sequence[Outcome], is_so: object) -> Share:
    return Share(sum(bool(is_so(o)) for o in outcomes), len(outcomes))  # type: ignore[operator]


def _counts(names: Sequence[str]) -> dict[str, int]:
    return {name: names.count(name) for name in sorted(set(names), key=lambda n: -names.count(n))}


def _pair_counts(pairs: Sequence[tuple[str, str]]) -> dict[tuple[str, str], int]:
    return {pair: pairs.count(pair) for pair in sorted(set(pairs))}


def _called(outcome: Outcome, names: Callable[[Outcome, float], set[str]] = right_names) -> str:
    """Name of the first alert, taken as the truth's own where it is right on the way there."""
    first = first_alert(outcome)
    if first is None:
        return HEALTHY
    return outcome.truth.condition if is_named_right(outcome, names) else first.condition


def _mean(by_state: dict[str, float]) -> float:
    return float(np.mean(list(by_state.values()))) if by_state else float("nan")


def is_called_one_of_four(outcome: Outcome) -> bool:
    """Whether any alert of the case carries the name of one of the four conditions."""
    return any(a.condition in VALVE_CONDITIONS for a in alerts_within(outcome))


def rightly_named(outcome: Outcome) -> Raised | None:
    """The first alert that carries the true name."""
    return next((a for a in alerts_within(outcome) if a.condition == outcome.truth.condition), None)


def is_in_first_night(outcome: Outcome) -> bool:
    """Whether creep was raised by the end of the first closed night past the mild limit, or one sample on."""
    found = rightly_named(outcome)
    end = outcome.truth.night_ends_s
    return found is not None and end is not None and found.raised_s <= end + outcome.case.interval_s


def _delays(faults: Sequence[Outcome], condition: str) -> tuple[list[float], list[float]]:
    """Delays [s] of the rightly named, and the same over what is allowed."""
    delays, ratios = [], []
    for o in faults:
        found = rightly_named(o)
        if o.truth.condition != condition or found is None or o.truth.passed_s is None:
            continue
        step_s = o.case.interval_s
        if condition == "failure_to_open":
            allowed = max(OPENING_DELAY_S, OPENING_SAMPLES * step_s)
        else:
            allowed = max(HUNTING_PERIODS * (o.truth.period_s or 0.0), HUNTING_SAMPLES * step_s)
        delays.append(found.raised_s - o.truth.passed_s)
        ratios.append(delays[-1] / allowed)
    return delays, ratios


def _by_condition(faults: Sequence[Outcome]) -> dict[str, tuple[Share, Share, Share, Share]]:
    """Clear found, clear named, mild found, mild named of those found; per condition."""
    table: dict[str, tuple[Share, Share, Share, Share]] = {}
    for name in CONDITIONS:
        own = [o for o in faults if o.truth.condition == name]
        if own:
            clear = [o for o in own if o.truth.severity == "clear"]
            mild = [o for o in own if o.truth.severity == "mild"]
            table[name] = (
                _share(clear, is_found),
                _share(clear, is_named_right),
                _share(mild, is_found),
                _share([o for o in mild if is_found(o)], is_named_right),
            )
    return table


def f1_by_state(pairs: Sequence[tuple[str, str]]) -> dict[str, float]:
    """F1 of each state that is true somewhere; pairs of (true, called)."""
    out = {}
    for state in (HEALTHY, *CONDITIONS):
        true = sum(t == state for t, _ in pairs)
        if not true:
            continue
        called = sum(c == state for _, c in pairs)
        both = sum(t == c == state for t, c in pairs)
        out[state] = 2.0 * both / (true + called)
    return out


def calibration(alerts: Sequence[tuple[Raised, bool]]) -> tuple[float, list[Bin]]:
    """Expected calibration error in equal bins of confidence, and the bins that hold something."""
    if not alerts:
        return float("nan"), []
    confidence = np.array([a.confidence for a, _ in alerts])
    right = np.array([r for _, r in alerts], dtype=np.float64)
    place = np.clip((confidence * BINS).astype(int), 0, BINS - 1)
    bins = []
    error = 0.0
    for b in range(BINS):
        here = place == b
        if here.any():
            mean, share = float(confidence[here].mean()), float(right[here].mean())
            bins.append(Bin(b / BINS, (b + 1) / BINS, int(here.sum()), mean, share))
            error += here.mean() * abs(mean - share)
    return float(error), bins
