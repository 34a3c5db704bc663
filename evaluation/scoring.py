"""What was said of watched cases, and how right it was."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from evaluation.case import VALVE_FAULTS
from evaluation.looks import Look, Watched
from steadyhead.diagnosis.forest import NONE
from steadyhead.diagnosis.weigh import PLAINLY, SAME_EPISODE_S, Naming, Posterior
from steadyhead.types import Condition

YEAR_S = 365.25 * 86400
LINGERS_S = 3600  # what an event left in means and delays may still be told an hour later
Judge = Callable[[Look], Posterior]


@dataclass(slots=True)
class Told:
    """One alert: its names, oldest first, with data times and how sure."""

    names: list[tuple[int, Condition, float]]
    ended_s: int | None = None

    @property
    def raised_s(self) -> int:
        """When it was told first."""
        return self.names[0][0]


def told_of(one: Watched, judge: Judge) -> list[Told]:
    """The alerts of a case, as ``diagnosis.weigh.Episodes`` makes them."""
    naming, open_now, found = Naming(), {}, []
    raised_s: dict[str, int] = {}
    for look in one.looks:
        rule: Condition = look.rule  # type: ignore[assignment]
        if look.kind == "cleared":
            name = naming.let_go(rule)
            if name in open_now:
                open_now[name].ended_s = look.at_s
            continue
        if look.kind == "raised":
            raised_s[rule] = look.at_s
        chances = {"telemetry_loss": PLAINLY, NONE: 1 - PLAINLY} if rule == "telemetry_loss" else judge(look)
        kind_at = one.names.index("unfamiliar kind")
        is_fed = rule == "unfamiliar" and float(look.x[kind_at]) != 1.0
        before = naming.held.get(rule, "")
        decided = naming.decide(rule, chances, look.at_s - raised_s[rule], is_fed)
        if decided is None:
            continue
        kind, name = decided
        entry = (look.at_s, name, chances.get(name, chances[NONE]))
        if kind == "raised":
            was = open_now.get(name)
            if was is not None and look.at_s - (was.ended_s or look.at_s) < SAME_EPISODE_S:
                was.ended_s = None
            else:
                open_now[name] = Told([entry])
                found.append(open_now[name])
        elif kind == "renamed" and before in open_now:
            open_now[name] = open_now.pop(before)
            open_now[name].names.append(entry)
    return found


class Figures(NamedTuple):
    """One world's figures; shares 0 to 1, delays in hours."""

    cases: int
    macro_f1: float
    f1_error: float
    found: float
    named: float
    mild_found: float
    mild_named: float
    false_a_year: float
    valve_false_a_year: float
    lookalikes_as_valve: float
    delay_h: float
    ece: float
    skill: float
    final_f1: float
    renames: float


def _is_right(one: Watched, name: str) -> bool:
    episode = one.episode
    return episode is not None and (name == episode.condition or name in episode.also_right)


def _is_allowed(one: Watched, alert: Told) -> bool:
    """Whether ordinary life was such that nobody would object to the name."""
    return any(
        life.from_s <= alert.raised_s <= life.to_s + LINGERS_S and alert.names[0][1] in life.allowed
        for life in one.life
    )


def _that_count(one: Watched, told: list[Told]) -> list[Told]:
    """Silence is true whenever it is told, and counts only where it is the case."""
    if one.episode is not None and one.episode.condition == "telemetry_loss":
        return told
    return [alert for alert in told if alert.names[0][1] != "telemetry_loss"]


def figures(pairs: Sequence[tuple[Watched, list[Told]]]) -> Figures:
    """All figures of a world, by the first name told of each case."""
    truths, firsts, lasts = [], [], []
    valve, lookalike, delays, sure = [], [], [], []
    healthy_s = 0.0
    false = valve_false = renames = 0
    for one, all_told in pairs:
        episode = one.episode
        quiet_to = episode.cause_s if episode is not None else one.end_s
        healthy_s += quiet_to - one.judge_from_s
        told = _that_count(one, all_told)
        for alert in told:
            name = alert.names[0][1]
            renames += len(alert.names) > 1
            if alert.raised_s < quiet_to and not _is_allowed(one, alert):
                false += 1
                valve_false += name in VALVE_FAULTS
                sure.append((alert.names[0][2], False))
        if episode is None:
            truths.append(NONE)
            wrong = [a for a in told if not _is_allowed(one, a)]
            firsts.append(wrong[0].names[0][1] if wrong else NONE)
            lasts.append(wrong[0].names[-1][1] if wrong else NONE)
            if one.group == "lookalike":
                lookalike.append(any(a.names[0][1] in VALVE_FAULTS for a in wrong))
            continue
        within = [a for a in told if episode.cause_s <= a.raised_s <= episode.end_s + LINGERS_S]
        first = within[0].names[0] if within else None
        name = first[1] if first else NONE
        right = _is_right(one, name)
        truths.append(episode.condition)
        firsts.append(episode.condition if right else name)
        last = within[0].names[-1][1] if within else NONE
        lasts.append(episode.condition if _is_right(one, last) else last)
        if first is not None:
            sure.append((first[2], right))
        if episode.condition in VALVE_FAULTS:
            valve.append((episode.severity, first is not None, right))
            if first is not None:
                delays.append((first[0] - episode.seen_s) / 3600.0)
        else:
            lookalike.append(name in VALVE_FAULTS and not right)
    found = [f for _, f, _ in valve]
    mild = [(f, r) for s, f, r in valve if s == "mild"]
    years = healthy_s / YEAR_S
    ece, skill = calibration(sure)
    return Figures(
        len(pairs),
        macro_f1(truths, firsts),
        _f1_error(truths, firsts),
        _mean(found),
        _mean([r for _, f, r in valve if f]),
        _mean([f for f, _ in mild]),
        _mean([r for f, r in mild if f]),
        false / years,
        valve_false / years,
        _mean(lookalike),
        float(np.median(delays)) if delays else float("nan"),
        ece,
        skill,
        macro_f1(truths, lasts),
        renames / max(len(pairs), 1),
    )


def by_condition(pairs: Sequence[tuple[Watched, list[Told]]]) -> Counter[tuple[str, str]]:
    """How often each truth got which first name."""
    count: Counter[tuple[str, str]] = Counter()
    for one, all_told in pairs:
        episode = one.episode
        told = _that_count(one, all_told)
        if episode is None:
            wrong = [a.names[0][1] for a in told if not _is_allowed(one, a)]
            count[NONE, wrong[0] if wrong else NONE] += 1
            continue
        within = [a for a in told if episode.cause_s <= a.raised_s <= episode.end_s + LINGERS_S]
        name = within[0].names[0][1] if within else NONE
        count[episode.condition, episode.condition if _is_right(one, name) else name] += 1
    return count


def _mean(values: Sequence[bool]) -> float:
    return float(np.mean(values)) if values else float("nan")


def macro_f1(truths: Sequence[str], names: Sequence[str]) -> float:
    """Mean F1 over the conditions that occur; healthy counts as one of them."""
    scores = []
    for name in sorted(set(truths)):
        hit = sum(t == n == name for t, n in zip(truths, names, strict=True))
        told, true = sum(n == name for n in names), sum(t == name for t in truths)
        scores.append(2 * hit / (told + true))
    return float(np.mean(scores))


def _f1_error(truths: Sequence[str], names: Sequence[str]) -> float:
    """Half of the 90 % interval of macro F1 when cases are drawn anew, by 200 resamples."""
    rng = np.random.default_rng(7)
    n = len(truths)
    drawn = []
    for _ in range(200):
        at = rng.integers(0, n, n)
        drawn.append(macro_f1([truths[i] for i in at], [names[i] for i in at]))
    low, high = np.quantile(drawn, [0.05, 0.95])
    return float(high - low) / 2.0


def calibration(pairs: Sequence[tuple[float, bool]]) -> tuple[float, float]:
    """Expected calibration error over ten bins, and Brier skill against the share that was right."""
    if not pairs:
        return float("nan"), float("nan")
    p = np.array([a for a, _ in pairs])
    y = np.array([float(b) for _, b in pairs])
    bins = np.minimum((p * 10).astype(int), 9)
    ece = sum((bins == b).mean() * abs(p[bins == b].mean() - y[bins == b].mean()) for b in set(bins.tolist()))
    reference = float(((y.mean() - y) ** 2).mean())
    return float(ece), 1.0 - float(((p - y) ** 2).mean()) / reference if reference > 0 else float("nan")


def rules_alone(look: Look) -> Posterior:
    """What each rule says by itself, as if it were always right: what the product did before."""
    return {look.rule: 0.96, NONE: 0.04}
