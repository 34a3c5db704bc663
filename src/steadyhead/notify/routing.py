"""Which channels are told of a change, and when: the rules as one pure function."""

from __future__ import annotations

from dataclasses import dataclass

from steadyhead.alerts.model import PRIORITIES, Priority
from steadyhead.notify.channel_settings import Quiet
from steadyhead.notify.hours import end_of_window_s, is_open
from steadyhead.notify.settings import Change, NotifySettings, Rule
from steadyhead.types import Condition


@dataclass(frozen=True, slots=True)
class Happening:
    """What the rules look at.

    at_s : moment by the clock of the service, epoch seconds; hours of rules and quiet hours go by it
    """

    change: Change
    priority: Priority
    condition: Condition
    station: str
    zone: str | None
    at_s: int


@dataclass(frozen=True, slots=True)
class Route:
    """One message to make: by which channel, not before ``due_s``.

    after_min : of the rule, for an escalation; else None
    """

    channel: str
    due_s: int
    after_min: float | None = None


def routes(settings: NotifySettings, happening: Happening) -> tuple[Route, ...]:
    """The channels that are told, each once, in the order of the settings.

    Where several ways lead to a channel, the earliest counts: it is left out only if all of them drop the
    message. For the change "not_acknowledged", ``at_s`` is when the alert was raised, a message is due
    ``after_min`` later, hours are judged by that later moment, and a channel may be told after several waits.
    """
    found: dict[tuple[str, float | None], int] = {}
    for rule in settings.rules:
        if not _matches(rule, happening):
            continue
        at_s = happening.at_s + round((rule.after_min or 0) * 60) if _is_later(happening) else happening.at_s
        if rule.hours is not None and not is_open(rule.hours, at_s, settings.time_zone):
            continue
        for channel, quiets in _ways(settings, rule):
            due_s = _due_s(at_s, quiets, happening.priority, settings.time_zone)
            if due_s is not None:
                way = (channel, rule.after_min if _is_later(happening) else None)
                found[way] = min(due_s, found.get(way, due_s))
    order = list(settings.channels)
    return tuple(
        Route(channel, found[channel, after_min], after_min)
        for channel, after_min in sorted(found, key=lambda way: (order.index(way[0]), way[1] or 0))
    )


def _is_later(happening: Happening) -> bool:
    return happening.change == "not_acknowledged"


def _matches(rule: Rule, happening: Happening) -> bool:
    """Whether the rule speaks of such a change; its hours are judged elsewhere."""
    return (
        happening.change in rule.changes
        and PRIORITIES.index(happening.priority) >= PRIORITIES.index(rule.at_least)
        and (not rule.conditions or happening.condition in rule.conditions)
        and (not rule.zones or happening.zone in rule.zones)
        and (not rule.stations or happening.station in rule.stations)
    )


def _ways(settings: NotifySettings, rule: Rule) -> list[tuple[str, tuple[Quiet, ...]]]:
    """Every way from the rule to a channel, with the quiet hours that lie on it."""
    ways: list[tuple[str, Quiet | None]] = [(name, None) for name in rule.channels]
    for name, person in settings.people.items():
        if name in rule.people or (person.role is not None and person.role in rule.roles):
            ways += [(channel, person.quiet) for channel in person.channels]
    found = []
    for channel, quiet in ways:
        both = (quiet, settings.channels[channel].quiet)
        found.append((channel, tuple(part for part in both if part is not None)))
    return found


def _due_s(at_s: int, quiets: tuple[Quiet, ...], priority: Priority, time_zone: str) -> int | None:
    """When a message may go, past all quiet hours; None if one of them drops it."""
    due_s = at_s
    for _ in range(2 * len(quiets)):  # the end of one may lie within the other, once each way
        for quiet in quiets:
            end_s = end_of_window_s(quiet, due_s, time_zone) if quiet.holds(priority) else None
            if end_s is not None and quiet.then == "drop":
                return None
            due_s = due_s if end_s is None else end_s
    return due_s
