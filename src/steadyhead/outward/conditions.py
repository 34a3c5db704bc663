"""Alerts as conditions in the sense of OPC UA Part 9: one per station and name, whatever its episodes."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from sqlalchemy import select
from sqlalchemy.orm import Session

from steadyhead.outward.telling import EARLIEST
from steadyhead.store.tables import AlertRow
from steadyhead.types import Condition

SEVERITY = {"low": 100, "medium": 500, "high": 900}  # of 1 to 1000, in the thirds of that span; our choice
_HELD = ("shelved", "suppressed_by_design", "out_of_service")


@dataclass(frozen=True, slots=True)
class ConditionState:
    """What is told of one condition at one station.

    severity : 1 to 1000; is_retained : whether a refresh tells it, which is while a person has to know of it
    held : "shelved", "suppressed_by_design", "out_of_service" or None
    active_since_s : when it was last raised or, if it is not active, ended; None where it is not known
    acked_since_s : when it was last acknowledged, or None
    at_s : the latest of these times, or when it was raised
    """

    station: str
    condition: Condition
    is_active: bool
    is_acked: bool
    is_retained: bool
    held: str | None
    severity: int
    message: str
    active_since_s: int | None
    acked_since_s: int | None
    at_s: int


def condition_state(rows: Sequence[AlertRow], title_of: Callable[[Condition], str]) -> ConditionState:
    """One state of all standing episodes of a name at a station; if none stands, of the last that did.

    It is active if one of them is, and acknowledged when all of them are.
    """
    newest = max(rows, key=lambda row: (row.raised_s, row.alert_id))
    standing = [row for row in rows if row.state != "normal"]
    counted = standing or [newest]
    is_active = any(row.is_true for row in standing)
    held = {row.state for row in standing}
    is_held = bool(held) and held <= set(_HELD)
    return ConditionState(
        station=newest.station, condition=newest.condition, is_active=is_active,
        is_acked=all(row.acknowledged_s is not None for row in standing), is_retained=bool(standing),
        held=next(name for name in _HELD if name in held) if is_held else None,
        severity=max(SEVERITY[row.priority] for row in counted),
        message=f"{newest.station}: {title_of(newest.condition)}",
        active_since_s=newest.raised_s if is_active else newest.ended_s, acked_since_s=newest.acknowledged_s,
        at_s=max(newest.raised_s, newest.ended_s or 0, newest.acknowledged_s or 0),
    )  # fmt: skip


def changed_conditions(
    session: Session, after_no: int, title_of: Callable[[Condition], str]
) -> tuple[list[ConditionState], int]:
    """Conditions with an alert that changed after a change number, and the last such number.

    At first, ``after_no`` EARLIEST, those that stand.
    """
    asked = select(AlertRow.station, AlertRow.condition, AlertRow.change_no)
    found = session.execute(asked.where(AlertRow.change_no > after_no)).all()
    last_no = max((no for _, _, no in found), default=after_no)
    if after_no == EARLIEST:
        rows = list(session.scalars(select(AlertRow).where(AlertRow.state != "normal")))
        return [condition_state(own, title_of) for own in _by_name(rows)], last_no
    states = []
    for station, condition in sorted({(station, condition) for station, condition, _ in found}):
        own = select(AlertRow).where(AlertRow.station == station, AlertRow.condition == condition)
        newest = own.order_by(AlertRow.raised_s.desc(), AlertRow.alert_id.desc()).limit(1)
        rows = list(session.scalars(own.where(AlertRow.state != "normal"))) or list(session.scalars(newest))
        states.append(condition_state(rows, title_of))
    return states, last_no


def _by_name(rows: Iterable[AlertRow]) -> list[list[AlertRow]]:
    found: dict[tuple[str, str], list[AlertRow]] = {}
    for row in rows:
        found.setdefault((row.station, row.condition), []).append(row)
    return [found[key] for key in sorted(found)]
