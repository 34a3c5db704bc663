"""Alarm-load figures after ISA-18.2 and EEMUA 191, worked out on the desk's own calls.

A call is an alert that asks for a person: raised and not held back or kept quiet, or back from shelving while
it holds. The published targets below are from memory; the paid texts were not read. They are for operators of
process plant, where an alarm asks for an answer within minutes; ours mostly leave hours.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from steadyhead.alerts.model import PRIORITIES, Priority
from steadyhead.desk.load_views import AlarmLoad, Flood, Frequent, PriorityPart, Stale, Target
from steadyhead.desk.ranking import HELD
from steadyhead.errors import DeskError
from steadyhead.store.tables import AlertRow, AnnouncementRow, RaiseRow
from steadyhead.types import Condition

PERIOD_S = 600
FLOOD_CALLS = 10.0  # per operator in 10 minutes: more than this is a flood (ISA-18.2, EEMUA 191; from memory)
STALE_S = 24 * 3600  # standing longer than this (ISA-18.2, from memory)
TOP = 10
CHATTER_CALLS = 3
CHATTER_S = (
    3600  # the published figure is three in a minute; ours are judged by the minute, so an hour (our own)
)
LONGEST_SPAN_S = 400 * 86400

MEAN_TARGET = (
    1.0  # calls per operator per 10 minutes, "very likely to be acceptable" (EEMUA 191, from memory)
)
OVER_SHARE_TARGET = 0.01  # of the periods (ISA-18.2, from memory)
STALE_TARGET = 5  # fewer than this on any day (ISA-18.2, from memory)
TOP_SHARE_TARGET = 0.05  # of all calls (ISA-18.2: about 1 to 5 %, from memory)
PRIORITY_TARGET: Mapping[Priority, float] = {"low": 0.80, "medium": 0.15, "high": 0.05}  # both, from memory
PRIORITY_SLACK = 0.05  # how far a share may lie above its target and still be called met (our own)
LEAST_CALLS = 20  # with fewer, one call moves a share by 5 % and more: shares are shown, not judged (our own)

ISA = "ANSI/ISA-18.2-2016 and IEC 62682, performance figures; from memory"
EEMUA = "EEMUA Publication 191, from memory"


@dataclass(frozen=True, slots=True)
class Call:
    """An alert called for a person at ``at_s``."""

    at_s: int
    station: str
    condition: Condition
    priority: Priority


def read_load(session: Session, from_s: int, to_s: int, operators: int) -> AlarmLoad:
    """The load over [from_s, to_s). Raises DeskError for a span that is empty or longer than 400 days."""
    if not 0 < to_s - from_s <= LONGEST_SPAN_S:
        raise DeskError(
            f"the span is {(to_s - from_s) / 86400:.1f} days; give one longer than 0 and up to "
            f"{LONGEST_SPAN_S // 86400}"
        )
    rows = session.scalars(
        select(AnnouncementRow)
        .where(AnnouncementRow.at_s >= from_s, AnnouncementRow.at_s < to_s)
        .order_by(AnnouncementRow.at_s, AnnouncementRow.id)
    )
    calls = [Call(row.at_s, row.station, row.condition, row.priority) for row in rows]
    standing = session.execute(
        select(AlertRow, RaiseRow.at_s)
        .join(RaiseRow, RaiseRow.alert_id == AlertRow.alert_id)
        .where(
            RaiseRow.at_s < to_s - STALE_S,
            or_(RaiseRow.cleared_s.is_(None), RaiseRow.cleared_s > to_s),
            AlertRow.state.not_in(HELD),
        )
        .order_by(RaiseRow.at_s, AlertRow.alert_id)
    )
    stale = [Stale(a.alert_id, a.station, a.condition, a.priority, to_s - at_s) for a, at_s in standing]
    return alarm_load(calls, stale, from_s, to_s, operators)


def alarm_load(
    calls: Sequence[Call], stale: Sequence[Stale], from_s: int, to_s: int, operators: int = 1
) -> AlarmLoad:
    """The figures of calls in order of time; a pure function.

    stale : alerts that stand longer than 24 h at ``to_s``, longest first
    operators : among whom the calls are shared evenly
    """
    n_periods = -(-(to_s - from_s) // PERIOD_S)
    per_period = [0] * n_periods
    for call in calls:
        per_period[(call.at_s - from_s) // PERIOD_S] += 1
    each = [n / operators for n in per_period]
    peak = max(each)
    over = [n > FLOOD_CALLS for n in each]
    by_source = Counter((call.station, call.condition) for call in calls)
    order = sorted(by_source.items(), key=lambda item: (-item[1], item[0]))
    top = tuple(_frequent(source, n, len(calls)) for source, n in order[:TOP])
    load = AlarmLoad(
        from_s=from_s, to_s=to_s, operators=operators, calls=len(calls), per_period=tuple(per_period),
        mean=len(calls) / operators * PERIOD_S / (to_s - from_s),
        peak=peak, peak_s=from_s + PERIOD_S * each.index(peak) if peak > 0 else None,
        over_share=sum(over) / n_periods, floods=tuple(_floods(per_period, over, from_s)),
        stale=tuple(stale), chattering=tuple(_chattering(calls)), priorities=_priorities(calls),
        top=top, top_share=sum(one.share for one in top), targets=(),
    )  # fmt: skip
    return _judged(load)


def _frequent(source: tuple[str, Condition], n: int, n_all: int) -> Frequent:
    return Frequent(source[0], source[1], n, n / n_all)


def _floods(per_period: Sequence[int], over: Sequence[bool], from_s: int) -> Iterable[Flood]:
    first = None
    for number, is_over in enumerate((*over, False)):
        if is_over and first is None:
            first = number
        if not is_over and first is not None:
            start, end = from_s + PERIOD_S * first, from_s + PERIOD_S * number
            yield Flood(start, end, sum(per_period[first:number]))
            first = None


def _chattering(calls: Sequence[Call]) -> list[Frequent]:
    """Sources that called three times or more within an hour, most often first."""
    times: dict[tuple[str, Condition], list[int]] = {}
    for call in calls:
        times.setdefault((call.station, call.condition), []).append(call.at_s)
    found = [
        _frequent(source, len(at), len(calls))
        for source, at in times.items()
        if any(b - a <= CHATTER_S for a, b in zip(at, at[CHATTER_CALLS - 1 :], strict=False))
    ]
    return sorted(found, key=lambda one: (-one.calls, one.station, one.condition))


def _priorities(calls: Sequence[Call]) -> dict[Priority, PriorityPart]:
    n = Counter(call.priority for call in calls)
    return {
        p: PriorityPart(p, n[p], n[p] / len(calls) if calls else 0.0, PRIORITY_TARGET[p]) for p in PRIORITIES
    }


def _judged(load: AlarmLoad) -> AlarmLoad:
    has_enough = load.calls >= LEAST_CALLS
    high = load.priorities["high"].share
    above = [p.share - p.target_share for p in load.priorities.values() if p.priority != "low"]
    targets = (
        Target("mean", load.mean, f"at most {MEAN_TARGET:g} per operator per 10 min",
               load.mean <= MEAN_TARGET, EEMUA),
        Target("peak", load.peak, f"at most {FLOOD_CALLS:g} per operator per 10 min",
               load.peak <= FLOOD_CALLS, ISA),
        Target("over_share", load.over_share, f"at most {OVER_SHARE_TARGET:.0%} of periods over "
               f"{FLOOD_CALLS:g}", load.over_share <= OVER_SHARE_TARGET, ISA),
        Target("stale", len(load.stale), f"fewer than {STALE_TARGET}", len(load.stale) < STALE_TARGET, ISA),
        Target("chattering", len(load.chattering), "none", not load.chattering, ISA),
        Target("priority_split", high, "low, medium and high about 80, 15 and 5 %",
               max(above) <= PRIORITY_SLACK if has_enough else None, f"{EEMUA}; {ISA}"),
        Target("top_share", load.top_share, f"at most {TOP_SHARE_TARGET:.0%} of calls from the ten worst",
               load.top_share <= TOP_SHARE_TARGET if has_enough else None, ISA),
    )  # fmt: skip
    return AlarmLoad(**{name: getattr(load, name) for name in AlarmLoad.__slots__} | {"targets": targets})
