"""One pushed batch: its items judged one by one, the good ones gathered, the others refused with a reason."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from steadyhead.config.fields import did_you_mean
from steadyhead.live.clock import Moment
from steadyhead.live.doors import Channel, Door, Refusing
from steadyhead.live.lines import NS_IN, LineError, Precision, parse_line
from steadyhead.live.tallies import Refusal
from steadyhead.readings.rejects import shown
from steadyhead.types import FlagArray, FloatArray, IntArray

_KEYS = ("station", "role", "tag", "time", "value", "unit", "quality", "values")
_ITEM = '{"station": ..., "role" or "tag": ..., "time": ..., "value": ...}'
_LONGEST_KEPT = 2000
_MOST_GUESSES = 20  # a hint costs time; a batch that is wrong throughout gets a few
_MOST_NAMES = 5000


@dataclass(frozen=True, slots=True)
class Refused:
    """One item that was not taken.

    index : its place in the batch, from 0 (for line protocol: line number from 0)
    where : which part of it, such as ``values.inlet`` or ``time``
    reason : what was met, what was wanted, what to do
    """

    index: int
    where: str
    reason: str


@dataclass(frozen=True, slots=True)
class Columns:
    """Reports of several stations, shape (n,) each; ``which`` numbers the registry's stations from 0.

    A gap is a report whose value was refused: NaN with a flag. It keeps its place in time.
    """

    which: IntArray
    role: IntArray
    us: IntArray
    values: FloatArray
    flags: FlagArray


@dataclass(slots=True)
class Batch:
    """State while a batch is read.

    latest_us : time above which a reading is of the future [us since 1970 UTC]
    kept : refused items as they go to the quarantine
    """

    doors: Mapping[str, Door]
    source: str
    moment: Moment
    future_s: int
    refused: list[Refused] = field(default_factory=list)
    kept: list[dict[str, Any]] = field(default_factory=list)
    _counts: dict[tuple[str, str, str], list[Any]] = field(default_factory=dict)
    _rows: list[tuple[int, int, int, float, int]] = field(default_factory=list)
    _guesses: int = 0

    # ------------------------------------------------------------ items

    def take_item(self, index: int, item: Any) -> None:
        """Judge one JSON item."""
        where, station, tag = "", "", ""
        try:
            _check_object(item)
            where, station = "station", item.get("station", "")
            door = self._door(station)
            where = "item"
            _check_keys(item)
            where = "time"
            us = self._time(door, item["time"])
            quality = item.get("quality")
            if "values" in item:
                self._take_values(index, item, door, us, quality)
                return
            where = "role" if "role" in item else "tag"
            tag = item[where]
            channel = door.channel(tag)
            where = "value"
            self._take(door, channel, us, item["value"], item.get("unit"), quality)
        except Refusing as no:
            self._refuse(index, where, no, station, tag, item)

    def _take_values(self, index: int, item: dict[str, Any], door: Door, us: int, quality: Any) -> None:
        for name, raw in item["values"].items():
            try:
                self._take(door, door.channel(name), us, raw, None, quality)
            except Refusing as no:
                one = {**item, "values": {name: raw}}
                self._refuse(index, f"values.{name}", no, door.station.name, name, one)

    # ------------------------------------------------------------ lines

    def take_line(self, index: int, text: str, precision: Precision) -> None:
        """Judge one line of line protocol."""
        where, station = "line", ""
        try:
            try:
                line = parse_line(text)
            except LineError as exc:
                raise Refusing("bad_item", str(exc)) from exc
            where, station = "tag station", line.tags.get("station", "")
            door = self._door(station)
            where = "time"
            if line.time is None:
                us = round(self.moment.latest_s * 1e6) + door.shift_us
            else:
                # the time must be an exact number; a float would round nanoseconds
                us = self._checked(door, -(-line.time * NS_IN[precision] // 1000))
        except Refusing as no:
            self._refuse(index, where, no, station, "", text)
            return
        for name, raw in line.fields.items():
            try:
                self._take(door, door.channel(name), us, raw, None, None)
            except Refusing as no:
                self._refuse(index, f"field {name}", no, station, name, text)

    # ------------------------------------------------------------ what came of it

    def columns(self) -> Columns:
        """The good ones, and the gaps that refused ones leave."""
        rows = self._rows
        parts: list[Any] = list(zip(*rows, strict=True)) if rows else [(), (), (), (), ()]
        return Columns(
            which=np.array(parts[0], dtype=np.int64),
            role=np.array(parts[1], dtype=np.int64),
            us=np.array(parts[2], dtype=np.int64),
            values=np.array(parts[3], dtype=np.float64),
            flags=np.array(parts[4], dtype=np.uint16),
        )

    def refusals(self) -> list[Refusal]:
        """What was refused, counted by station, tag and reason."""
        return [Refusal(*key, n, example) for key, (n, example) in self._counts.items()]

    # ------------------------------------------------------------ inner

    def _take(self, door: Door, channel: Channel, us: int, raw: Any, unit: Any, quality: Any) -> None:
        if unit is not None and not isinstance(unit, str):
            raise Refusing("wrong_unit", f'unit "{shown(str(unit))}" is no text; send such as "kPa"')
        try:
            value, flags = channel.number(raw, unit, quality)
        except Refusing as no:
            if no.gap:
                self._rows.append((door.index, channel.place, us, np.nan, no.gap))
            raise
        self._rows.append((door.index, channel.place, us, value, flags))

    def _door(self, name: Any) -> Door:
        door = self.doors.get(name) if isinstance(name, str) else None
        if door is not None:
            return door
        if not name:
            raise Refusing("bad_item", "has no station; say which station of the registry it is of")
        raise Refusing(
            "unknown_station", f'"{shown(str(name))}" is no station of the registry{self._hint(name)}'
        )

    def _hint(self, name: Any) -> str:
        self._guesses += 1
        if self._guesses > _MOST_GUESSES or len(self.doors) > _MOST_NAMES:
            return ""
        near = did_you_mean(str(name)[:100], list(self.doors))
        return f"; {near}" if near else ""

    def _time(self, door: Door, at: Any) -> int:
        return self._checked(door, door.time_us(at))

    def _checked(self, door: Door, us: int) -> int:
        door.check_us(us)
        ahead_s = us / 1e6 - self.moment.latest_s
        if ahead_s > self.future_s:
            raise Refusing(
                "future_time",
                f"lies {ahead_s:.0f} s ahead of this machine's clock, {self.future_s} s are allowed; set the "
                "clock of the sender, or mend its time zone",
            )
        return us + door.shift_us

    def _refuse(self, index: int, where: str, no: Refusing, station: Any, tag: Any, item: Any) -> None:
        known = station if isinstance(station, str) and station in self.doors else ""
        text = item if isinstance(item, str) else json.dumps(item, ensure_ascii=False)
        self.refused.append(Refused(index, where, no.text))
        count = self._counts.setdefault((known, shown(str(tag)), no.why), [0, ""])
        count[0] += 1
        count[1] = f"{shown(text)}: {no.text}"
        self.kept.append(
            {
                "received_s": int(self.moment.latest_s),
                "source": self.source,
                "index": index,
                "where": where,
                "why": no.why,
                "reason": no.text,
                "item": text[:_LONGEST_KEPT],
            }
        )


def _check_object(item: Any) -> None:
    if not isinstance(item, dict):
        raise Refusing("bad_item", f"is no object; send {_ITEM}")


def _check_keys(item: dict[str, Any]) -> None:
    unknown = [key for key in item if key not in _KEYS]
    if unknown:
        hint = did_you_mean(unknown[0][:60], list(_KEYS))
        raise Refusing(
            "bad_item", f'"{shown(unknown[0])}" is not a known key; send {_ITEM}; {hint}'.rstrip("; ")
        )
    if "time" not in item:
        raise Refusing("bad_time", "has no time; send such as 2026-03-01T06:00:00Z, or seconds since 1970")
    if "values" in item:
        beside = [key for key in ("role", "tag", "value", "unit") if key in item]
        if beside or not isinstance(item["values"], dict) or not item["values"]:
            raise Refusing(
                "bad_item",
                'values holds names and numbers, such as {"inlet": 612.0}, and stands in place of role, tag, '
                "value and unit",
            )
        return
    if ("role" in item) == ("tag" in item):
        raise Refusing("bad_item", f"needs one of role and tag; send {_ITEM}")
    if "value" not in item:
        raise Refusing("no_value", f"has no value; send {_ITEM}")
