"""The ``notify:`` block of the service's settings: channels, people, rules, and how hard to try.

Channels and rules come from the settings file alone; nothing that arrives over the network can add an
address to send to.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal, Self, TypeVar

from pydantic import BeforeValidator, Field, model_validator

from steadyhead.alerts.model import Priority
from steadyhead.config.fields import Number, TimeZone, did_you_mean
from steadyhead.config.marked_yaml import Keys
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import Part
from steadyhead.notify.channel_settings import AnyChannel, Email, Quiet, Service, WebHook
from steadyhead.notify.fields import Name, Names, Texts, Url, some
from steadyhead.notify.hours import Hours
from steadyhead.types import Condition

Change = Literal["raised", "cleared", "priority_raised", "not_acknowledged"]
CHANGES: tuple[Change, ...] = ("raised", "cleared", "priority_raised", "not_acknowledged")
Role = Literal["viewer", "operator", "engineer", "administrator"]

_FOREVER_H = 24 * 365
_AnyPart = TypeVar("_AnyPart", bound=Part)


class Person(Part):
    """Somebody who is told: by which channels, and when not.

    role : lets rules choose everybody of a role
    """

    role: Role | None = None
    channels: Annotated[Names, Field(min_length=1)]
    quiet: Quiet | None = None


class Rule(Part):
    """Who is told of what. Everything that is given must match; what is left out matches all.

    people, roles, channels : who; all that are named are told
    changes : what of; the escalation "not_acknowledged" needs ``after_min``
    at_least : least priority
    hours : when the rule holds, by the moment of the change
    after_min : minutes without an acknowledgement after which "not_acknowledged" is sent
    """

    people: Names = ()
    roles: Annotated[tuple[Role, ...], BeforeValidator(some)] = ()
    channels: Names = ()
    changes: Annotated[tuple[Change, ...], BeforeValidator(some), Field(min_length=1)] = (
        "raised",
        "priority_raised",
        "cleared",
    )
    at_least: Priority = "low"
    conditions: Annotated[tuple[Condition, ...], BeforeValidator(some)] = ()
    zones: Texts = ()
    stations: Texts = ()
    hours: Hours | None = None
    after_min: Annotated[Number, Field(ge=1, le=7 * 1440)] | None = None

    @model_validator(mode="after")
    def _makes_sense(self) -> Self:
        found: list[tuple[Keys, str]] = []
        if not (self.people or self.roles or self.channels):
            found.append(((), "names nobody to tell; add people:, roles: or channels:"))
        if ("not_acknowledged" in self.changes) != (self.after_min is not None):
            text = "and changes: not_acknowledged belong together; give both or neither"
            found.append((("after_min",), text))
        if found:
            raise ModelError(found)
        return self


class Trying(Part):
    """How hard a message is tried.

    first_wait_s, longest_wait_s : the wait after a failure; it doubles from the first to the longest
    give_up_after_h : time after which a message is given up, shown and counted
    """

    first_wait_s: Annotated[Number, Field(gt=0, le=3600)] = 10.0
    longest_wait_s: Annotated[Number, Field(gt=0, le=86_400)] = 900.0
    give_up_after_h: Annotated[Number, Field(gt=0, le=_FOREVER_H)] = 24.0


class NotifySettings(Part):
    """Everything about notifications.

    public_url : where people reach the pages, for links to an alert's sheet
    time_zone : clock of all hours that do not name another
    not_older_than_h : alerts raised longer ago (in data time) are not news, and nobody is told
    with_checks : whether messages to people hold the field checks, always with their cautions
    web_hooks, emails, services : the channels, by names of your own
    """

    public_url: Url | None = None
    time_zone: TimeZone = "UTC"
    not_older_than_h: Annotated[Number, Field(gt=0, le=_FOREVER_H)] = 24.0
    with_checks: bool = True
    trying: Trying = Trying()
    web_hooks: dict[Name, WebHook] = Field(default_factory=dict)
    emails: dict[Name, Email] = Field(default_factory=dict)
    services: dict[Name, Service] = Field(default_factory=dict)
    people: dict[Name, Person] = Field(default_factory=dict)
    rules: tuple[Rule, ...] = ()

    @property
    def channels(self) -> dict[str, AnyChannel]:
        """All channels by name."""
        return {**self.web_hooks, **self.emails, **self.services}

    def beside(self, folder: Path) -> NotifySettings:
        """The same with the paths of files taken as relative to a folder, that of the settings file."""
        return _moved(self, folder)

    @model_validator(mode="after")
    def _names_exist(self) -> Self:
        found: list[tuple[Keys, str]] = []
        for kind, names, others in (
            ("emails", set(self.emails), set(self.web_hooks)),
            ("services", set(self.services), set(self.web_hooks) | set(self.emails)),
        ):
            text = "is the name of another channel too; give each its own"
            found += [((kind, name), text) for name in sorted(names & others)]
        for name, person in self.people.items():
            found += _unknown(person.channels, list(self.channels), ("people", name, "channels"), "channel")
        roles = sorted({person.role for person in self.people.values() if person.role is not None})
        for n, rule in enumerate(self.rules):
            found += _unknown(rule.channels, list(self.channels), ("rules", n, "channels"), "channel")
            found += _unknown(rule.people, list(self.people), ("rules", n, "people"), "person")
            found += _unknown(rule.roles, list(roles), ("rules", n, "roles"), "person with the role")
        if found:
            raise ModelError(found)
        return self


def _moved(part: _AnyPart, folder: Path) -> _AnyPart:
    """A copy in which every path, however deep, begins at the folder; a full path stays as it is."""
    changed: dict[str, Any] = {}
    for name in part.model_fields_set:
        value = getattr(part, name)
        if isinstance(value, Path):
            changed[name] = folder / value
        elif isinstance(value, Part):
            changed[name] = _moved(value, folder)
        elif isinstance(value, dict):
            changed[name] = {
                key: _moved(held, folder) if isinstance(held, Part) else held for key, held in value.items()
            }
        elif isinstance(value, tuple):
            changed[name] = tuple(_moved(held, folder) if isinstance(held, Part) else held for held in value)
    return part.model_copy(update=changed)


def _unknown(named: tuple[str, ...], known: list[str], keys: Keys, what: str) -> list[tuple[Keys, str]]:
    mistakes: list[tuple[Keys, str]] = []
    for n, name in enumerate(named):
        if name not in known:
            near = did_you_mean(name, known)
            text = f'"{name}": there is no {what} of that name; add it, or name one that is there'
            mistakes.append(((*keys, n), f"{text}; {near}" if near else text))
    return mistakes
