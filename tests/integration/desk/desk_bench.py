"""A desk on a real database of each kind, with a clock that the test turns."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from steadyhead.alerts.model import Verdict
from steadyhead.config.model import Registry, Settings, Station
from steadyhead.desk.desk import Desk
from steadyhead.desk.news import News
from steadyhead.desk.views import AlertChange
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.store.database import Database

HOUR, DAY = 3600, 86400
NOON = 1_750_000_200  # any moment on the grid

STATION: dict[str, Any] = {
    "time_zone": "UTC",
    "step_s": 60,
    "tags": {"outlet": {"tag": "out", "unit": "kPa"}},
    "sources": [{"path": "log.csv", "time_column": "time"}],
}


def registry() -> Registry:
    zones = {"elm": "north", "oak": "north", "fir": None}
    stations = {
        name: Station.model_validate({"name": name, "zone": zone, **STATION}) for name, zone in zones.items()
    }
    return Registry(stations=stations, settings=Settings())


def verdict(
    station: str = "elm", condition: str = "drift", raised_s: int = NOON - HOUR, **changes: Any
) -> Verdict:
    """What the engine says of an episode that is still on."""
    given: dict[str, Any] = {
        "station": station, "condition": condition, "confidence": 0.8, "runners_up": (),
        "magnitude": {"departure_kpa": 12.0}, "evidence": ("The outlet stands 12 kPa high.",),
        "began_s": raised_s - HOUR, "raised_s": raised_s, "ended_s": None, "updated_s": raised_s,
        "profile_version": "p1", "window_s": (raised_s - HOUR, raised_s),
        "facts": {"departure_kpa": 12.0, "unknown": float("nan")}, "traits": {"direction": "up"},
        **changes,
    }  # fmt: skip
    return Verdict(**given)


@dataclass
class Bench:
    """A desk to work at; ``now`` is its clock, ``changes`` what its hook was told."""

    database: Database
    now: int = NOON
    changes: list[AlertChange] = field(default_factory=list)
    news: News = field(default_factory=News)
    operators: int = 1
    latching: tuple[str, ...] = ()
    desk: Desk = field(init=False)

    def __post_init__(self) -> None:
        self.desk = Desk(
            self.database, load_knowledge(), registry(), lambda: float(self.now),
            [lambda _session, change: self.changes.append(change)], news=self.news, operators=self.operators,
            latching=self.latching,
        )  # fmt: skip

    def raised(self, *args: Any, **kwargs: Any) -> str:
        """Raise an alert; its id."""
        alert = self.desk.raised(verdict(*args, **kwargs))
        assert alert is not None
        return alert.alert_id

    def state(self, alert_id: str) -> str:
        return self.desk.alert(alert_id).alert.state
