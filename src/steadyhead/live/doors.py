"""What the registry says of each name under which a reading may come: which role, unit, range and marks.

Foreign names, units and clocks stop here, by the same rules as in ``feeds`` for log files.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

import numpy as np

from steadyhead.config import ROLES, Quality, Registry, Role, Source, Station
from steadyhead.config.model import QUANTITY
from steadyhead.errors import RegistryError
from steadyhead.feeds.quality_codes import BAD, EMPTY, UNCERTAIN, UNKNOWN, level_of
from steadyhead.feeds.stamps import EARLIEST_US, LATEST_US
from steadyhead.readings import quality as flag
from steadyhead.readings.rejects import REASONS, shown
from steadyhead.units import LOWEST_GAUGE_KPA, find_unit

Why = Literal[
    "bad_item",
    "unknown_station",
    "unknown_tag",
    "bad_time",
    "future_time",
    "no_value",
    "not_a_number",
    "wrong_unit",
    "sentinel",
    "out_of_range",
    "bad_quality",
    "uncertain_quality",
    "unknown_quality",
]
"""Kinds of refusals; those of log files have the same names."""

_ABSURD = 1e30  # such as the largest 32-bit float, which stands for "no value"
_LARGEST_FLOAT = 1e308
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
_SECONDS_UNTIL_2100 = 4_102_444_800
_LEAVES_A_GAP: dict[Why, np.uint16] = {
    "sentinel": flag.SENTINEL,
    "out_of_range": flag.OUT_OF_RANGE,
    "not_a_number": flag.NOT_A_NUMBER,
    "bad_quality": flag.BAD_QUALITY,
    "uncertain_quality": flag.BAD_QUALITY,
    "unknown_quality": flag.BAD_QUALITY,
}
"""Refused values that were nevertheless reported: their place in time is kept, as a gap."""


class Refusing(Exception):  # noqa: N818 - it is caught within this package and never leaves it
    """A reading is not taken.

    why : kind; text : what was met, what was wanted, what to do; gap : flag of the gap it leaves, or 0
    """

    def __init__(self, why: Why, text: str) -> None:
        super().__init__(text)
        self.why: Why = why
        self.text = text
        self.gap = int(_LEAVES_A_GAP.get(why, 0))


@dataclass(frozen=True, slots=True)
class Channel:
    """One role of a station, as its readings come.

    low, high : range of the transmitter [kPa or L/s]; bad_numbers : marks of a missing value, as logged
    """

    role: Role
    place: int
    tag: str
    unit: str
    scale: float
    offset: float
    factor: float
    low: float
    high: float
    bad_numbers: frozenset[float]
    quality: Quality

    def number(self, raw: Any, unit: str | None, quality: Any) -> tuple[float, int]:
        """The value in kPa or L/s, and its flags.

        unit : as sent along, or None; quality : code or word as sent along, or None
        Raises Refusing.
        """
        flags = 0 if quality is None else self._judge_quality(quality)
        if type(raw) is not float and type(raw) is not int:
            if raw is None:
                raise Refusing("no_value", "there is no value; leave the reading out, or send its number")
            word = "a number without quotes" if isinstance(raw, str) else "a number"
            raise Refusing("not_a_number", f'"{shown(str(raw))}" is not a number; send {word}')
        if raw in self.bad_numbers or not -_ABSURD < raw < _ABSURD:
            raise Refusing("sentinel", f"{_written(raw)} {REASONS['sentinel']}; leave such readings out")
        is_declared = unit is None or unit == self.unit
        value = (raw * self.scale + self.offset) * self.factor if is_declared else self._from(raw, str(unit))
        if not self.low <= value <= self.high:
            raise Refusing(
                "out_of_range",
                f"{raw:g} {unit or self.unit} {REASONS['out_of_range']}; if it is true, mend low, high or "
                f"unit of the tag {self.tag} in the registry",
            )
        return value, flags

    def _from(self, raw: float, unit: str) -> float:
        """A value sent with a unit of its own."""
        try:
            found = find_unit(unit, QUANTITY[self.role])
        except RegistryError as exc:
            raise Refusing("wrong_unit", f"{exc}; {self.tag} is declared in {self.unit}") from exc
        if found.name != self.unit and (self.scale != 1.0 or self.offset != 0.0):
            raise Refusing(
                "wrong_unit",
                f"sent in {found.name}, but {self.tag} has scale and offset for {self.unit}; send the number "
                "as logged and leave the unit out",
            )
        return (raw * self.scale + self.offset) * found.factor

    def _judge_quality(self, code: Any) -> int:
        level = level_of(code, self.quality)
        if level == BAD:
            raise Refusing("bad_quality", f'quality "{shown(str(code))}" is bad; the value is not used')
        if level == UNCERTAIN:
            if self.quality.accept_uncertain:
                return int(flag.DOUBTFUL)
            raise Refusing(
                "uncertain_quality",
                f'quality "{shown(str(code))}" is uncertain; to keep such values, set accept_uncertain: true '
                "under quality of the station's source in the registry",
            )
        if level in (UNKNOWN, EMPTY):
            raise Refusing(
                "unknown_quality",
                f'quality "{shown(str(code))}" is not known; say what it means under quality: {{map: ...}} '
                "of the station's source in the registry, or leave quality out",
            )
        return 0


@dataclass(frozen=True, slots=True)
class Door:
    """One station, as its readings come.

    index : place among all stations; channels : by role and by tag; shift_us : what the time of a reading is
    moved by, for jitter and for means stamped at the start of their interval
    """

    index: int
    station: Station
    channels: Mapping[str, Channel]
    shift_us: int

    def channel(self, name: Any) -> Channel:
        """The role or tag of that name. Raises Refusing."""
        found = self.channels.get(name) if isinstance(name, str) else None
        if found is None:
            known = ", ".join(self.channels)
            raise Refusing(
                "unknown_tag",
                f'"{shown(str(name))}" is neither a role nor a tag of {self.station.name}; it has {known}',
            )
        return found

    def time_us(self, at: Any) -> int:
        """Microseconds since 1970 UTC of a time as sent: ISO 8601, or seconds since 1970. Raises Refusing.

        A time without an offset is on the station's clock.
        """
        if isinstance(at, str):
            return self._from_text(at)
        if type(at) is int or type(at) is float:
            if not -_SECONDS_UNTIL_2100 < at < _SECONDS_UNTIL_2100:
                raise Refusing("bad_time", f"{at} is not in seconds since 1970; send seconds, or ISO 8601")
            return round(at * 1_000_000)
        raise Refusing("bad_time", f'"{shown(str(at))}" is not a time; send such as 2026-03-01T06:00:00Z')

    def check_us(self, us: int) -> None:
        """Raises Refusing for a time that no working clock shows."""
        if us < EARLIEST_US:
            raise Refusing(
                "bad_time", "is before 1990: a clock that has lost its time; set it, and send again"
            )
        if us >= LATEST_US:
            raise Refusing(
                "future_time", "lies after 2100; send it in the precision that is named, or set the clock"
            )

    def _from_text(self, text: str) -> int:
        try:
            at = datetime.fromisoformat(text)
        except ValueError as exc:
            raise Refusing(
                "bad_time", f'"{shown(text)}" is not a time; send such as 2026-03-01T06:00:00Z'
            ) from exc
        if at.tzinfo is None:
            at = at.replace(tzinfo=ZoneInfo(self.station.time_zone))
            if at.utcoffset() != at.replace(fold=1).utcoffset():
                raise Refusing(
                    "bad_time",
                    f"{shown(text)} is shown twice or never by the clock of {self.station.time_zone}; send "
                    "times with an offset, or with Z for UTC",
                )
        return (at - _EPOCH) // _US


def _written(raw: float) -> str:
    """A number for people, however large: JSON and line protocol have whole numbers of any length."""
    return f"{raw:g}" if abs(raw) < _LARGEST_FLOAT else shown(str(raw))


def doors_of(registry: Registry) -> dict[str, Door]:
    """All stations by name, numbered in the order of the registry."""
    return {name: _door(n, station) for n, (name, station) in enumerate(registry.stations.items())}


def _door(index: int, station: Station) -> Door:
    by_tag = {tag.tag: _channel(station, role) for role, tag in station.tags.items()}
    by_role: dict[str, Channel] = {role: _channel(station, role) for role in station.tags}
    shift_us = -round(station.jitter_s * 1e6)
    if station.stamped == "start":
        shift_us += station.step_s * 1_000_000
    return Door(index, station, {**by_tag, **by_role}, shift_us)  # a role's name goes before a tag's


_NO_LOGS = Source(path=("-",))
"""How values are read where no log says otherwise."""


def _channel(station: Station, role: Role) -> Channel:
    tag, source = station.tags[role], station.sources[0] if station.sources else _NO_LOGS
    low = -np.inf if tag.low is None else tag.low * tag.factor
    if QUANTITY[role] == "pressure":
        low = max(low, LOWEST_GAUGE_KPA)
    return Channel(
        role=role,
        place=ROLES.index(role),
        tag=tag.tag,
        unit=tag.unit,
        scale=tag.scale,
        offset=tag.offset,
        factor=tag.factor,
        low=float(low),
        high=np.inf if tag.high is None else tag.high * tag.factor,
        bad_numbers=frozenset(source.bad_numbers()),
        quality=source.quality,
    )
