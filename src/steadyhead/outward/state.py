"""What the world is told of a station: its standing alerts, and what a point in a time series holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from steadyhead.profile.model import Profile
from steadyhead.store.tables import AlertRow
from steadyhead.types import Condition

FORM = 1
_QUIET = ("normal",)
_HELD = ("shelved", "suppressed_by_design", "out_of_service")
_ORDER = {"high": 3, "medium": 2, "low": 1}


def standing(session: Session, station: str) -> list[AlertRow]:
    """Alerts of a station that are not over and done with, the worst first."""
    asked = select(AlertRow).where(AlertRow.station == station, AlertRow.state.not_in(_QUIET))
    return list(session.scalars(asked.order_by(AlertRow.rank.desc(), AlertRow.raised_s.desc())))


def changed_stations(session: Session, after_no: int) -> tuple[set[str], int]:
    """Stations with an alert that changed after a change number, and the last such number."""
    asked = select(AlertRow.station, AlertRow.change_no).where(AlertRow.change_no > after_no)
    found = session.execute(asked).all()
    return {station for station, _ in found}, max((no for _, no in found), default=after_no)


def station_state(
    station: str, rows: Sequence[AlertRow], now_s: float, title_of: Callable[[Condition], str]
) -> dict[str, Any]:
    """The retained message of a station; docs/feeds/station_state.schema.json describes it."""
    shown = [row for row in rows if row.state not in _HELD]
    return {
        "form": FORM,
        "station": station,
        "at": _stamp(now_s),
        "worst_priority": max((row.priority for row in shown), key=lambda p: _ORDER[p], default=None),
        "alerts": [
            {
                "alert_id": row.alert_id,
                "condition": row.condition,
                "priority": row.priority,
                "state": row.state,
                "is_true": row.is_true,
                "is_held_back": row.state in _HELD,
                "began_at": _stamp(row.began_s),
                "raised_at": _stamp(row.raised_s),
                "ended_at": None if row.ended_s is None else _stamp(row.ended_s),
                "confidence": round(row.confidence, 3),
                "title": title_of(row.condition),
            }
            for row in rows
        ],
    }


def alert_lines(rows: Sequence[AlertRow]) -> Iterator[str]:
    """Line protocol of alerts, one point each at the time it was raised; writing it again changes nothing."""
    for row in rows:
        fields = [
            f'alert_id="{row.alert_id}"', f'priority="{row.priority}"', f'state="{row.state}"',
            f"is_true={'true' if row.is_true else 'false'}", f"confidence={float(row.confidence)!r}",
            f"began_s={row.began_s}i",
        ]  # fmt: skip
        if row.ended_s is not None:
            fields.append(f"ended_s={row.ended_s}i")
        fields += [
            f"{_escaped('magnitude_' + name)}={float(value)!r}"
            for name, value in (row.document.get("magnitude") or {}).items()
            if isinstance(value, int | float) and value == value and abs(value) != float("inf")
        ]
        tags = f"station={_escaped(row.station)},condition={_escaped(row.condition)}"
        yield f"steadyhead_alert,{tags} {','.join(fields)} {row.raised_s}"


def profile_line(profile: Profile) -> str:
    """Line protocol of what was learned of a station, at the end of the span it was learned from."""
    figures: dict[str, float | None] = {
        "lock_up_kpa": getattr(profile.lock_up, "rise_kpa", None),
        "from_s": float(profile.from_s),
    }
    for part in ("set_pressure", "droop", "scatter", "kv"):
        for name in getattr(profile, part).__dataclass_fields__:
            value = getattr(getattr(profile, part), name)
            if isinstance(value, int | float) and not isinstance(value, bool) and value == value:
                figures[f"{part}_{name}"] = float(value)
    fields = [f'version="{profile.version}"']
    fields += [
        f"{name}={value!r}" for name, value in figures.items() if value is not None and abs(value) < 1e300
    ]
    return f"steadyhead_profile,station={_escaped(profile.station)} {','.join(fields)} {profile.to_s}"


def _stamp(at_s: float) -> str:
    return datetime.fromtimestamp(int(at_s), UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace(",", r"\,").replace("=", r"\=").replace(" ", r"\ ")
