"""From tag names to stations and roles, and to a registry, by a mapping.

The first pattern that fits a tag counts. ``{station}`` stands for the station's name in a tag, ``*`` for any
text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import yaml

from steadyhead.config import Registry, Role, parse_registry
from steadyhead.errors import FeedError
from steadyhead.feeds.mapping import Mapping, TagRule

_NAME = r"(?P<station>[A-Za-z0-9][A-Za-z0-9_-]*)"


@dataclass(frozen=True, slots=True)
class Placed:
    """Where a tag belongs."""

    station: str
    role: Role
    rule: TagRule


class Mapper:
    """A mapping at work; remembers what it has found."""

    def __init__(self, mapping: Mapping) -> None:
        self.mapping = mapping
        self._patterns = [(re.compile(_regex(rule)), rule) for rule in mapping.tags]
        self._known: dict[str, Placed | None] = {}

    def place(self, tag: str) -> Placed | None:
        """The station and role of a tag; None if no pattern fits."""
        if tag not in self._known:
            if len(self._known) > 200_000:  # a sender of made-up names must not fill the memory
                self._known.clear()
            self._known[tag] = self._find(tag)
        return self._known[tag]

    def _find(self, tag: str) -> Placed | None:
        for pattern, rule in self._patterns:
            met = pattern.fullmatch(tag)
            if met is not None:
                written = rule.station or met["station"]
                return Placed(self.mapping.names.get(written, written), rule.role, rule)
        return None

    def registry_text(self, tags: Iterable[str]) -> str:
        """A registry of the stations whose tags these are, as YAML.

        Raises FeedError if two tags claim one role of a station, or if a station has no outlet.
        """
        mapping = self.mapping
        stations: dict[str, dict[str, Any]] = {}
        for tag in sorted(set(tags)):
            placed = self.place(tag)
            if placed is None:
                continue
            own = stations.setdefault(placed.station, {})
            if placed.role in own:
                raise FeedError(
                    f'{placed.station}: "{own[placed.role]["tag"]}" and "{tag}" are both its '
                    f"{placed.role}; make "
                    "the patterns narrower, so that one of them fits"
                )
            own[placed.role] = _tag(tag, placed.rule)
        if not stations:
            raise FeedError(
                "no tag fits any pattern of the mapping; compare tags: with what feed check lists"
            )
        data: dict[str, Any] = {"utility": mapping.utility, "stations": {}}
        for name, roles in sorted(stations.items()):
            if "outlet" not in roles:
                raise FeedError(
                    f"{name}: no tag fits a pattern for its outlet; add one, or leave the station out"
                )
            more = mapping.stations.get(name, {})
            data["stations"][name] = {
                **_shared(mapping),
                **more,
                "tags": roles,
                "sources": [],
            }
        text = yaml.safe_dump(data, sort_keys=False, allow_unicode=True, width=110)
        return (
            "# Made from a mapping. The service reads these stations through feeds: in its settings;\n"
            f"# sources: [] says that there are no log files of them.\n{text}"
        )

    def registry(self, tags: Iterable[str]) -> Registry:
        """As ``registry_text``, checked. Raises FeedError, or RegistryError for what stations: gets wrong."""
        return parse_registry(self.registry_text(tags), "mapping")


def _regex(rule: TagRule) -> str:
    parts = re.split(r"(\{station\}|\*)", rule.pattern)
    return "".join(
        _NAME if part == "{station}" else ".*?" if part == "*" else re.escape(part) for part in parts
    )


def _tag(name: str, rule: TagRule) -> dict[str, Any]:
    own: dict[str, Any] = {"tag": name, "unit": rule.unit}
    for key in ("scale", "offset", "deadband", "low", "high"):
        value = getattr(rule, key)
        if key in rule.model_fields_set and value is not None:
            own[key] = value
    return own


def _shared(mapping: Mapping) -> dict[str, Any]:
    keys = ("time_zone", "step_s", "reporting", "heartbeat_s", "averaged", "stamped", "jitter_s")
    return {key: getattr(mapping, key) for key in keys if key in mapping.model_fields_set}
