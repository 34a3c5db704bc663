"""What a run left behind, and in what two runs differ."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import select

from steadyhead.alerts.jsonlines import to_dict
from steadyhead.archive.embedded import EmbeddedArchive
from steadyhead.config import Registry
from steadyhead.desk.desk import Desk
from steadyhead.desk.views import AlertQuery
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.readings.frame import CHANNELS, Readings
from steadyhead.store.database import open_database
from steadyhead.store.tables import AuditRow, RaiseRow

from .works import Works

NAMED = ("alert_id", "station", "condition", "state", "priority", "began_at", "raised_at", "ended_at")


@dataclass(frozen=True, slots=True)
class Outcome:
    """Alerts by id, what was recorded of them and how often, and the rows kept of each station."""

    alerts: dict[str, dict[str, Any]]
    raises: Counter[tuple[str, int]]
    told: Counter[tuple[str, str, str]]
    readings: dict[str, Readings]

    @property
    def values(self) -> int:
        """Number of values kept."""
        return sum(int(np.isfinite(getattr(r, c)).sum()) for r in self.readings.values() for c in CHANNELS)


def outcome(works: Works, registry: Registry, url: str, spans: dict[str, tuple[int, int]]) -> Outcome:
    """Read it from the database and the data folder of a service that has ended."""
    database = open_database(url)
    try:
        desk = Desk(database, load_knowledge(), registry, lambda: 0.0)
        alerts = [to_dict(view.alert) for view in desk.alerts(AlertQuery(limit=500)).items]
        with database.reading() as session:
            raises = Counter((row.name, row.at_s) for row in session.scalars(select(RaiseRow)))
            told = Counter(
                (row.subject, row.what, row.to_state)
                for row in session.scalars(select(AuditRow))
                if row.who == "engine"
            )
    finally:
        database.close()
    archive = EmbeddedArchive(works.data, {name: s.step_s for name, s in registry.stations.items()})
    readings = {name: archive.read(name, *span) for name, span in spans.items()}
    archive.close()
    named = {one["alert_id"]: {key: one[key] for key in NAMED} for one in alerts}
    return Outcome(named, raises, told, readings)


def lost(wanted: Outcome, found: Outcome) -> int:
    """How many values of the undisturbed run are missing or different."""
    return sum(
        int((~_same(getattr(wanted.readings[name], channel), getattr(found.readings[name], channel))).sum())
        for name in wanted.readings
        for channel in CHANNELS
    )


def differences(wanted: Outcome, found: Outcome) -> list[str]:
    """In words, what is not as it was; none if all is."""
    said = []
    for key in sorted(wanted.alerts.keys() | found.alerts.keys()):
        one, other = wanted.alerts.get(key), found.alerts.get(key)
        if one != other:
            said.append(f"alert {key}: undisturbed {one}, disturbed {other}")
    for what in ("raises", "told"):
        one, other = getattr(wanted, what), getattr(found, what)
        if one != other:
            said.append(f"{what}: only undisturbed {one - other}, only disturbed {other - one}")
    for name, rows in wanted.readings.items():
        for channel in CHANNELS:
            one, other = getattr(rows, channel), getattr(found.readings[name], channel)
            wrong = np.flatnonzero(~_same(one, other))
            if len(wrong):
                at = int(wrong[0])
                said.append(
                    f"{name} {channel}: {len(wrong)} of {len(one)} values differ, the first at "
                    f"{int(rows.times_s[at])}: {one[at]} and {other[at]}"
                )
    return said


def _same(one: Any, other: Any) -> Any:
    return (one == other) | (np.isnan(one) & np.isnan(other))
