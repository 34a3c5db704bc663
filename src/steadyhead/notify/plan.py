"""From a change at the alert desk to rows of the outbox, in the transaction of the change."""

from __future__ import annotations

from collections.abc import Callable

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from steadyhead.alerts.jsonlines import to_dict
from steadyhead.alerts.model import PRIORITIES, AlertState, Priority
from steadyhead.config.fields import did_you_mean
from steadyhead.config.model import Registry
from steadyhead.desk.views import AlertChange
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import NotifyError
from steadyhead.notify import outbox
from steadyhead.notify.message import Item
from steadyhead.notify.routing import Happening, routes
from steadyhead.notify.settings import Change, NotifySettings
from steadyhead.report.words import sizes
from steadyhead.store.tables import AnnouncementRow, OutboxRow

_ACTIVE: tuple[AlertState, ...] = ("active_unacknowledged", "active_acknowledged")
_CLOCKS_APART_S = 86_400  # more than the clocks of stations and service ever differ
_TOLD: tuple[Change, ...] = ("raised", "priority_raised", "not_acknowledged")


class Plan:
    """Writes down who is to be told; ``hook`` is for the desk.

    clock : epoch seconds
    Raises NotifyError if a rule names a station or zone that the registry does not have.
    """

    def __init__(
        self,
        settings: NotifySettings,
        registry: Registry,
        knowledge: Knowledge,
        clock: Callable[[], float],
    ) -> None:
        _check_names(settings, registry)
        self._settings = settings
        self._registry = registry
        self._knowledge = knowledge
        self._clock = clock

    def hook(self, session: Session, change: AlertChange) -> None:
        """Called by the desk inside the transaction of every change: message and change are kept together."""
        if not self._settings.rules:
            return
        now_s = int(self._clock())
        if change.from_state == "active_unacknowledged" != change.to_state:
            _withdraw_escalations(session, change.alert.alert_id)
        if change.kind == "cleared":
            self._cleared(session, change, now_s)
        elif change.is_call:
            self._called(session, change, now_s)
        elif change.kind == "updated" and change.to_state in _ACTIVE:
            self._updated(session, change, now_s)

    def _called(self, session: Session, change: AlertChange, now_s: int) -> None:
        """The alert calls for a person: tell it, and plan what is sent if nobody acknowledges."""
        if now_s - change.at_s > self._settings.not_older_than_h * 3600:
            return
        self._tell(session, change, "raised", now_s, str(change.change_no))
        self._tell(session, change, "not_acknowledged", now_s, str(change.change_no))

    def _cleared(self, session: Session, change: AlertChange, now_s: int) -> None:
        """Whoever has been told of the alert is told that it is over; nobody else is."""
        raised_s = int(change.alert.raised_at.timestamp())
        told = outbox.channels_told(session, change.alert.alert_id, _TOLD, raised_s - _CLOCKS_APART_S)
        if told:
            self._tell(session, change, "cleared", now_s, str(change.change_no), only=told)

    def _updated(self, session: Session, change: AlertChange, now_s: int) -> None:
        """Tell it if the alert is more urgent than when it called, once for each priority it reaches."""
        if change.alert.priority == PRIORITIES[0]:
            return
        called = session.execute(
            select(AnnouncementRow.priority, AnnouncementRow.id)
            .where(AnnouncementRow.alert_id == change.alert.alert_id)
            .order_by(AnnouncementRow.id.desc())
            .limit(1)
        ).first()
        if called is None or not _is_more_urgent(change.alert.priority, called.priority):
            return
        mark = f"{change.alert.priority}-{called.id}"
        self._tell(session, change, "priority_raised", now_s, mark)
        if change.to_state == "active_unacknowledged":
            self._tell(session, change, "not_acknowledged", now_s, mark)

    def _tell(
        self,
        session: Session,
        change: AlertChange,
        what: Change,
        now_s: int,
        mark: str,
        only: set[str] | None = None,
    ) -> None:
        """A row for every channel the rules choose; ``mark`` tells apart what happens to one alert twice."""
        alert = change.alert
        happening = Happening(what, alert.priority, alert.condition, alert.station, change.zone, now_s)
        for route in routes(self._settings, happening):
            if only is None or route.channel in only:
                waited = "" if route.after_min is None else f"-{route.after_min:g}"
                key = f"{alert.alert_id}:{what}{waited}:{mark}:{route.channel}"
                item = self._item(change, what, key)
                outbox.add(session, key, route.channel, item, now_s, route.due_s)

    def _item(self, change: AlertChange, what: Change, key: str) -> Item:
        alert = change.alert
        station = self._registry.stations.get(alert.station)
        units = self._registry.settings.units
        return Item(
            key=key,
            change=what,
            at_s=change.at_s,
            alert=to_dict(alert),
            title=self._knowledge.entries[alert.condition].title,
            zone=change.zone,
            time_zone="UTC" if station is None else station.time_zone,
            how_large=tuple(sizes(alert.magnitude, units)),
        )


def _withdraw_escalations(session: Session, alert_id: str) -> None:
    """Somebody has taken care, or the condition is over: what was planned and never tried is not needed."""
    session.execute(
        delete(OutboxRow).where(
            OutboxRow.alert_id == alert_id,
            OutboxRow.change == outbox.ESCALATION,
            OutboxRow.tries == 0,
            OutboxRow.due_s < outbox.HELD_S,
            outbox.is_open(),
        )
    )


def _is_more_urgent(now: Priority, before: Priority) -> bool:
    return PRIORITIES.index(now) > PRIORITIES.index(before)


def _check_names(settings: NotifySettings, registry: Registry) -> None:
    zones = {station.zone for station in registry.stations.values() if station.zone is not None}
    found: list[str] = []
    for n, rule in enumerate(settings.rules):
        for what, named, known in (
            ("station", rule.stations, set(registry.stations)),
            ("zone", rule.zones, zones),
        ):
            for name in named:
                if name not in known:
                    near = did_you_mean(name, sorted(known))
                    text = f'notify.rules[{n}].{what}s: "{name}" is no {what} of the registry'
                    found.append(f"{text}; {near or 'mend the name, or add it there'}")
    if found:
        raise NotifyError("\n".join(found))
