"""The work list: what to do this week, in order, why, what it brings and what it takes.

Score, larger first: standing alerts 100 to 399 by priority and how sure; a band left soon 70 to 99;
figures that got worse without an alert 20 to 49; repairs not proved 15; stations that cannot be judged 10.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from steadyhead.alerts.model import PRIORITIES
from steadyhead.diagnosis.phrases import duration_text, percent
from steadyhead.hydraulics import leakage_ratio
from steadyhead.types import Condition
from steadyhead.weekly.look import NO_PROFILE
from steadyhead.weekly.model import AlertLine, Effort, Moved, StationWeek, WorkItem
from steadyhead.weekly.station import SOON_DAYS
from steadyhead.weekly.words import Words
from steadyhead.weekly.work_words import JOBS

Draft = tuple[float, str, str, str, str, Effort, str]
"""Score, station, what, reason, benefit, effort, what it takes."""

LEAKAGE_N1 = 1.0
LEAST_SAVING = 0.01  # less leakage than this is not worth a word
HIGHER = ("drift", "creep", "set_changed", "failure_to_close")
WORSE_JOBS: dict[str, tuple[str, str, Effort, str]] = {
    "completeness": (
        "Find out why readings are missing", "The station can be judged all week.", "desk",
        "logger, power and line",
    ),
    "kv_reserve": (
        "See why the valve opens wider at peak demand", "No loss of pressure when demand grows.", "desk",
        "compare flow and inlet with the weeks before, and the valve's papers",
    ),
    "inlet_share": (
        "Look upstream: the inlet falls short at times", "Full pressure at peak demand.", "desk",
        "levels, pumps and line valves upstream",
    ),
    "night_flow": (
        "Look for a new leak: night flow rose", "Less water lost.", "desk",
        "compare with customers' night use, then the field",
    ),
    "sigma_hours": (
        "Check the valve for cavitation", "Less wear of seat and trim.", "visit",
        "listen at low outlet and high drop",
    ),
    "lock_up_rise": (
        "Watch the seat: lock-up rose", "A worn seat is found before it leaks.", "visit",
        "with the next planned visit",
    ),
    "creep_way": (
        "Watch the seat: the outlet climbs while closed", "A worn seat is found before it leaks.", "visit",
        "with the next planned visit",
    ),
    "scatter": (
        "See why the outlet moves more than it did", "Hunting is found early.", "visit",
        "air, needles, strainer",
    ),
    "droop": (
        "See why the outlet falls more as flow rises", "Pressure at peak demand.", "visit",
        "pilot strainer, sense line, pilot diaphragm",
    ),
    "departure_p95": (
        "See why the outlet strays further from set", "Steadier pressure.", "visit", "pilot and strainer",
    ),
}  # fmt: skip
GROWN = 1.2  # what has gone so much further than when it was raised is said anew
MEASURES: dict[Condition, tuple[str, str, str]] = {
    "drift": ("departure_kpa", "level", "The level of the week is"),
    "creep": ("way_share", "creep_way", "The furthest of the week is"),
    "failure_to_open": ("departure_kpa", "departure_p95", "5 % of the week are off by more than"),
    "failure_to_close": ("departure_kpa", "departure_p95", "5 % of the week are off by more than"),
    "set_changed": ("step_kpa", "level", "The level of the week is"),
}
"""What an alert said of its size, the figure of the week that measures the same, and how that is said."""

MOST_WORSE = 2  # figures of one station that are named as reasons


def work_list(stations: Sequence[StationWeek], worse: Sequence[Moved], words: Words) -> tuple[WorkItem, ...]:
    """All that is to do, first things first."""
    drafts: list[Draft] = []
    busy: set[str] = set()
    for station in stations:
        own = list(_of_alerts(station, words))
        if not own:
            own = list(_of_forecast(station, words))
        if own:
            busy.add(station.station)
        drafts += own
        drafts += _of_repairs(station)
        drafts += _of_silence(station)
    drafts += _of_worse([moved for moved in worse if moved.station not in busy], words)
    drafts.sort(key=lambda draft: (-draft[0], draft[1], draft[2]))
    return tuple(
        WorkItem(n, station, what, reason, benefit, effort, takes, score)
        for n, (score, station, what, reason, benefit, effort, takes) in enumerate(drafts, start=1)
    )


def _of_alerts(station: StationWeek, words: Words) -> Iterable[Draft]:
    """One job per station, from its worst standing alert; the others are further reasons."""
    if station.outage is not None:
        return
    standing = sorted(
        (line for line in station.alerts if line.stands), key=lambda line: (-_score(line), line.raised_s)
    )
    if not standing:
        return
    first = standing[0]
    job = JOBS[first.alert.condition]
    reason = f"{first.title}: {first.headline}, since {words.short_day(first.began_s, station.time_zone)}."
    reason += _grown(first, station, words)
    if len(standing) > 1:
        reason += f" Also: {'; '.join(line.title.lower() for line in standing[1:])}."
    yield (
        _score(first), station.station, job.what, reason, job.benefit + _saving(first, station),
        job.effort, job.takes,
    )  # fmt: skip


def _grown(line: AlertLine, station: StationWeek, words: Words) -> str:
    """How large it was in the week, where that is more than was said when it was raised."""
    if line.alert.condition not in MEASURES:
        return ""
    magnitude, key, said = MEASURES[line.alert.condition]
    figure = station.by_key[key]
    if figure.value is None or abs(figure.value) <= GROWN * abs(line.alert.magnitude.get(magnitude, 0.0)):
        return ""
    return f" {said} {words.text(figure.value, figure.unit)}."


def _score(line: AlertLine) -> float:
    return 100.0 * (1 + PRIORITIES.index(line.alert.priority)) + 99.0 * line.alert.confidence


def _saving(line: AlertLine, station: StationWeek) -> str:
    """How much less the district would leak with the outlet back at set, where it is too high."""
    over = line.alert.magnitude.get("departure_kpa", line.alert.magnitude.get("step_kpa", 0.0))
    if line.alert.condition not in HIGHER or station.set_kpa is None or over <= 0.0:
        return ""
    saving = 1.0 - float(leakage_ratio(station.set_kpa / (station.set_kpa + over), LEAKAGE_N1))
    if saving < LEAST_SAVING:
        return ""
    return f" About {percent(saving)} less leakage in the district once it is back at set (N1 = 1)."


def _of_forecast(station: StationWeek, words: Words) -> Iterable[Draft]:
    """A station that will leave its band within weeks, or has left it without an alert."""
    ahead = station.forecast
    if ahead.days is None or ahead.days > SOON_DAYS:
        return
    level = station.by_key["level"].value
    slope = words.text(station.trend.slope, "rate")
    if ahead.is_out:
        reason = f"The level is {words.text(level, 'pressure')} from what was learned, outside its band."
    else:
        reason = (
            f"The level moves {slope} and leaves its band in about {duration_text(86_400 * ahead.days)}"
            f"{_between(ahead.earliest_days, ahead.latest_days)}."
        )
    yield (
        99.0 - ahead.days, station.station, "Plan a visit before the outlet leaves its band", reason,
        "Mended before customers notice and before an alert.", "visit", "gauge, strainer, pilot",
    )  # fmt: skip


def _between(earliest: float | None, latest: float | None) -> str:
    if earliest is None:
        return ""
    end = "open" if latest is None else f"{latest:.0f}"
    return (
        f" ({earliest:.0f} to {end} days, 95 %)"
        if latest is not None
        else f" (not before {earliest:.0f} days)"
    )


def _of_worse(worse: Sequence[Moved], words: Words) -> Iterable[Draft]:
    """Figures that got worse without an alert, the strongest of each station first."""
    by_station: dict[str, list[Moved]] = {}
    for moved in worse:
        if moved.figure.key in WORSE_JOBS:
            by_station.setdefault(moved.station, []).append(moved)
    for station, found in by_station.items():
        first = found[0]
        what, benefit, effort, takes = WORSE_JOBS[first.figure.key]
        said = [f"{m.figure.name} went {words.moved(m.figure)}" for m in found[:MOST_WORSE]]
        yield 20.0 + min(29.0, first.severity), station, what, f"{'; '.join(said)}.", benefit, effort, takes


def _of_repairs(station: StationWeek) -> Iterable[Draft]:
    for repair in station.repairs:
        if repair.result in ("pass",):
            continue
        again = "Prove the repair" if repair.result == "unproved" else "Prove the repair again"
        reason = repair.sentences[0] if repair.sentences else "Work was recorded and not yet compared."
        yield (
            15.0, station.station, again, reason,
            "Known to hold, or known not to.", "desk", "a day of readings after the work",
        )  # fmt: skip


def _of_silence(station: StationWeek) -> Iterable[Draft]:
    if station.why_not is None or station.outage is not None:
        return
    if station.why_not == NO_PROFILE:
        yield (
            10.0, station.station, "Learn what is normal", "Nothing was learned of this station yet.",
            "It can be judged from then on.", "desk", "steadyhead learn, once there are three weeks",
        )  # fmt: skip
        return
    if any(line.stands for line in station.alerts):
        return
    yield (
        12.0, station.station, "Bring the readings back",
        f"{station.why_not[0].upper()}{station.why_not[1:]}.",
        "The station can be judged again.", "desk", "logger, power and line",
    )  # fmt: skip
