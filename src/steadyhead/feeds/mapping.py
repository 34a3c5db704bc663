"""Mapping files: patterns of tag names and what their numbers mean, in YAML that is read like the registry.

``mapper`` puts them to work.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, ValidationError, model_validator

from steadyhead import units
from steadyhead.config import Quality, Role
from steadyhead.config.fields import Number, Texts, TimeZone, UnitName
from steadyhead.config.load import model_mistakes, raise_mistakes
from steadyhead.config.marked_yaml import Keys, Marked, read_marked
from steadyhead.config.mistakes import ModelError
from steadyhead.config.model import QUANTITY, STATION_NAME
from steadyhead.config.source import DEFAULT_BAD_VALUES, Part
from steadyhead.errors import RegistryError

MANUAL = "docs/feeds/mapping.md"
_STATION_KEYS = ("zone", "valve", "pilot", "set_pressure", "meter_cutoff_lps", "learn", "time_zone", "step_s",
                 "reporting", "heartbeat_s", "averaged", "stamped", "jitter_s")  # fmt: skip


class TagRule(Part):
    """One pattern and what the numbers of its tags mean.

    pattern : text with ``{station}`` and ``*``; capital and small letters count
    station : the station, where the pattern has no ``{station}``
    unit : of the number after scale and offset; quality, bad_values : in place of those of the whole file
    """

    pattern: str = Field(min_length=1)
    station: str | None = None
    role: Role
    unit: UnitName
    scale: Number = 1.0
    offset: Number = 0.0
    deadband: Annotated[Number, Field(ge=0)] | None = None
    low: Number | None = None
    high: Number | None = None
    quality: Quality | None = None
    bad_values: Texts | None = None

    @model_validator(mode="after")
    def _fits_together(self) -> TagRule:
        found: list[tuple[Keys, str]] = []
        if "{station}" in self.pattern and self.station is not None:
            found.append(
                (("station",), "stands beside a pattern that holds {station}; remove one of the two")
            )
        if "{station}" not in self.pattern and self.station is None:
            text = (
                f'"{self.pattern}" holds no {{station}}; put it where the name of the station stands, or add '
                "station: with the name"
            )
            found.append((("pattern",), text))
        if self.pattern.count("{station}") > 1:
            found.append((("pattern",), "holds {station} twice; write * for the second"))
        if self.station is not None and not STATION_NAME.match(self.station):
            found.append(
                (("station",), f'"{self.station}" cannot name a station; use letters, digits, "_", "-"')
            )
        if units.find_unit(self.unit).quantity != QUANTITY[self.role]:
            known = ", ".join(units.names(QUANTITY[self.role]))
            quantity = QUANTITY[self.role]
            text = f'"{self.unit}" does not measure a {quantity}, which {self.role} is; use one of {known}'
            found.append((("unit",), text))
        if self.scale == 0:
            found.append((("scale",), "is 0, which makes every value the same; use the true factor"))
        if self.low is not None and self.high is not None and self.low >= self.high:
            found.append((("low",), f"{self.low:g} is not below high, {self.high:g}; mend them"))
        if found:
            raise ModelError(found)
        return self

    @property
    def factor(self) -> float:
        """KPa or L/s in one unit."""
        return units.find_unit(self.unit).factor


class Mapping(Part):
    """A mapping file. docs/feeds/mapping.md explains every key.

    names : name in the tags to name of the station, where they differ
    stations : what else is known of single stations, as in the registry
    """

    utility: str = "unnamed utility"
    time_zone: TimeZone
    step_s: Annotated[int, Field(ge=1, le=3600)]
    reporting: Literal["sampled", "on_change"] = "sampled"
    heartbeat_s: Annotated[int, Field(ge=1)] | None = None
    averaged: bool = False
    stamped: Literal["end", "start"] = "end"
    jitter_s: Annotated[Number, Field(ge=0)] = 0.0
    quality: Quality = Quality()
    bad_values: Texts = ()
    default_bad_values: bool = True
    tags: Annotated[tuple[TagRule, ...], Field(min_length=1)]
    names: dict[str, str] = Field(default_factory=dict)
    stations: dict[str, dict[str, Any]] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _fits_together(self) -> Mapping:
        found: list[tuple[Keys, str]] = []
        for name, own in self.stations.items():
            known = ", ".join(_STATION_KEYS)
            found += [
                (("stations", name, key), f'"{key}" is not known here; use one of {known}')
                for key in own
                if key not in _STATION_KEYS
            ]
        for written, name in self.names.items():
            if not STATION_NAME.match(name):
                found.append(
                    (("names", written), f'"{name}" cannot name a station; use letters, digits, "_", "-"')
                )
        if self.reporting == "on_change" and self.heartbeat_s is None:
            text = (
                "is on_change, so heartbeat_s is needed: the longest silence, in s, that still means "
                "unchanged"
            )
            found.append((("reporting",), text))
        if found:
            raise ModelError(found)
        return self

    def bad_numbers(self, rule: TagRule) -> frozenset[float]:
        """Numbers that mark a missing value."""
        own = self.bad_values if rule.bad_values is None else rule.bad_values
        numbers = {float(text) for text in own if _is_number(text)}
        return frozenset(numbers | set(DEFAULT_BAD_VALUES if self.default_bad_values else ()))


def load_mapping(path: Path) -> Mapping:
    """Read and check a mapping. Raises RegistryError that lists every mistake with its line."""
    return _checked(read_marked(path))


def _checked(marked: Marked) -> Mapping:
    if not isinstance(marked.data, dict):
        raise RegistryError(f"{marked.file}:1: holds no keys; it must hold tags:, see {MANUAL}")
    mistakes = list(marked.repeats)
    try:
        mapping = Mapping.model_validate(marked.data)
    except ValidationError as exc:
        mistakes += in_manual(model_mistakes(exc, Mapping, marked), MANUAL)
        raise_mistakes(mistakes, marked.file)
        raise  # not reached: a pydantic error always holds a mistake
    raise_mistakes(mistakes, marked.file)
    return mapping


def in_manual(mistakes: list[Any], manual: str) -> list[Any]:
    """The mistakes, pointing at another manual than the registry's."""
    from dataclasses import replace

    return [replace(one, text=one.text.replace("docs/registry.md", manual)) for one in mistakes]


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
