"""What is sent: one change of an alert, or several gathered into one message."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Literal

from steadyhead.alerts.model import PRIORITIES
from steadyhead.notify.settings import Change

Kind = Literal["alerts", "test"]

_TOKEN_LENGTH = 32  # hex digits: 128 bits
_ORDER: tuple[Change, ...] = ("not_acknowledged", "priority_raised", "raised", "cleared")  # most urgent first


@dataclass(frozen=True, slots=True)
class Item:
    """One change of one alert, with all that is needed to tell it; kept in the outbox as it is.

    key : of the outbox row
    at_s : when it happened, seconds since 1970 UTC by the clock of the service
    alert : the alert of the output contract, as plain JSON values, as it was then
    title : the condition as people call it
    time_zone : the station's
    how_large : figures of the magnitude in the units people see
    """

    key: str
    change: Change
    at_s: int
    alert: Mapping[str, Any]
    title: str
    zone: str | None
    time_zone: str
    how_large: tuple[str, ...]

    @property
    def station(self) -> str:
        """Name of the station."""
        return str(self.alert["station"])

    @property
    def priority(self) -> str:
        """Priority of the alert."""
        return str(self.alert["priority"])

    def to_payload(self) -> dict[str, Any]:
        """As plain values for the outbox; ``item_of`` is the way back."""
        return {
            "at_s": self.at_s,
            "alert": dict(self.alert),
            "title": self.title,
            "zone": self.zone,
            "time_zone": self.time_zone,
            "how_large": list(self.how_large),
        }


@dataclass(frozen=True, slots=True)
class Message:
    """What one receiver gets at once.

    key : of the outbox row it stands for; the same at every try
    made_s : when the row was made, seconds since 1970 UTC; the same at every try
    items : what is told, in the order in which it happened; empty in a test
    done : addresses that have taken it at an earlier try
    """

    key: str
    made_s: int
    items: tuple[Item, ...]
    kind: Kind = "alerts"
    done: tuple[str, ...] = ()

    @property
    def token(self) -> str:
        """The key as 32 hex digits, the same at every try: lets a receiver know a repeated message."""
        return token(self.key)


def token(key: str) -> str:
    """A key of the outbox as 32 hex digits of its SHA-256."""
    return hashlib.sha256(key.encode("utf-8")).hexdigest()[:_TOKEN_LENGTH]


def item_of(key: str, change: str, payload: Mapping[str, Any]) -> Item:
    """The item that an outbox row holds."""
    return Item(
        key=key,
        change=change,  # type: ignore[arg-type]  # written by us, from Change
        at_s=int(payload["at_s"]),
        alert=payload["alert"],
        title=str(payload["title"]),
        zone=payload["zone"],
        time_zone=str(payload["time_zone"]),
        how_large=tuple(payload["how_large"]),
    )


def worst_first(items: Iterable[Item]) -> tuple[Item, ...]:
    """By priority, then by what calls for a person soonest, then by age."""
    ordered = sorted(
        items,
        key=lambda item: (
            -PRIORITIES.index(item.alert["priority"]),
            _ORDER.index(item.change),
            item.at_s,
            item.key,
        ),
    )
    return tuple(ordered)


def link(public_url: str | None, alert_id: str) -> str | None:
    """Where an alert's sheet is, if the settings say where the pages are reached."""
    return None if public_url is None else f"{public_url.rstrip('/')}/alerts/{alert_id}/sheet"
