"""Readings as they came turned into kPa and L/s of stations, by a mapping.

What cannot be is refused by kind.
"""

from __future__ import annotations

from collections.abc import Mapping as Map
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from steadyhead.config import ROLES, Quality
from steadyhead.feeds.connector import Points
from steadyhead.feeds.mapper import Mapper, Placed
from steadyhead.feeds.quality_codes import BAD, EMPTY, UNCERTAIN, UNKNOWN, level_of
from steadyhead.feeds.stamps import EARLIEST_US
from steadyhead.readings import quality as flag
from steadyhead.readings.rejects import REASONS, REMEDIES, shown
from steadyhead.types import BoolArray, FlagArray, FloatArray, IntArray
from steadyhead.units import LOWEST_GAUGE_KPA

_ABSURD = 1e30


@dataclass(frozen=True, slots=True)
class Refusals:
    """Refused readings of one tag and kind: how many, and one of them in words."""

    station: str
    tag: str
    why: str
    n: int
    example: str


@dataclass(slots=True)
class Turned:
    """Readings in working units, shape (n,) each; a refused value is NaN with a flag and keeps its place.

    station : index into ``stations``; role : index into ROLES; us : microseconds since 1970 UTC
    loose : tags that no pattern fits, or whose station is not known
    """

    stations: list[str]
    station: IntArray
    role: IntArray
    us: IntArray
    values: FloatArray
    flags: FlagArray
    refusals: list[Refusals] = field(default_factory=list)
    loose: list[str] = field(default_factory=list)


def turn(points: Points, mapper: Mapper, latest_us: int, known: Map[str, Any] | None = None) -> Turned:
    """Judge each reading: its tag, time, quality, text, marks for "no value" and range, in this order.

    latest_us : times above are of the future; known : stations that are taken, all if None
    """
    names: dict[str, int] = {}
    n = len(points)
    station, role = np.full(n, -1, np.int64), np.zeros(n, np.int64)
    values, flags = points.values.astype(np.float64, copy=True), np.zeros(n, np.uint16)
    gone = np.zeros(n, np.bool_)
    out = Turned([], station, role, points.us, values, flags)
    order = np.argsort(points.which, kind="stable")
    bounds = np.searchsorted(points.which[order], np.arange(len(points.tags) + 1))
    for number, tag in enumerate(points.tags):
        at = order[bounds[number] : bounds[number + 1]]
        if not len(at):
            continue
        placed = mapper.place(tag)
        if placed is None or (known is not None and placed.station not in known):
            out.loose.append(tag)
            gone[at] = True
            why = "unknown_tag" if placed is None else "unknown_station"
            text = f'"{shown(tag)}" fits no pattern of the mapping; add one' if placed is None else (
                f'"{placed.station}" is no station of the registry; add it, or make the pattern narrower'
            )  # fmt: skip
            out.refusals.append(Refusals("", shown(tag), why, len(at), text))
            continue
        if known is not None and placed.role not in known[placed.station].station.tags:
            gone[at] = True
            text = f"{placed.station} has no {placed.role} in the registry; add it under tags, with its unit"
            out.refusals.append(Refusals(placed.station, shown(tag), "unknown_tag", len(at), text))
            continue
        station[at] = names.setdefault(placed.station, len(names))
        role[at] = ROLES.index(placed.role)
        gone[at] = _judge(points, at, tag, placed, mapper, latest_us, out)
    keep = ~gone
    return Turned(list(names), station[keep], role[keep], points.us[keep], values[keep], flags[keep],
                  out.refusals, out.loose)  # fmt: skip


def _judge(
    points: Points, at: IntArray, tag: str, placed: Placed, mapper: Mapper, latest_us: int, out: Turned
) -> BoolArray:
    """Turn one tag's values in place; returns which of them leave nothing, not even a gap."""
    rule, raw = placed.rule, points.values[at]
    is_open = np.ones(len(at), np.bool_)
    gone = np.zeros(len(at), np.bool_)

    def refuse(mask: BoolArray, why: str, text: str, bit: Any = 0) -> None:
        hit = mask & is_open
        if not hit.any():
            return
        is_open[hit] = False
        first = int(at[np.flatnonzero(hit)[0]])
        met = points.texts.get(first, f"{points.values[first]:g}")
        when = str(np.datetime64(int(points.us[first]), "us"))[:19]
        example = f'"{shown(met)}" of {shown(tag)} at {when} UTC {text}'
        out.refusals.append(Refusals(placed.station, shown(tag), why, int(hit.sum()), example))
        if bit:
            out.values[at[hit]] = np.nan
            out.flags[at[hit]] |= bit
        else:
            gone[hit] = True

    us = points.us[at]
    refuse(us < EARLIEST_US, "bad_time", "is before 1990: a clock that has lost its time; set it")
    ahead = "lies ahead of this machine's clock; set the clock of the sender, or mend its time zone"
    refuse(us > latest_us, "future_time", ahead)
    levels = _levels(points, at, rule.quality or mapper.mapping.quality)
    quality = rule.quality or mapper.mapping.quality
    if levels is not None:
        refuse(levels == BAD, "bad_quality", REASONS["bad_quality"], flag.BAD_QUALITY)
        if quality.accept_uncertain:
            out.flags[at[(levels == UNCERTAIN) & is_open]] |= flag.DOUBTFUL
        else:
            text = (
                f"{REASONS['uncertain_quality']}; to keep such values, set quality: "
                "{accept_uncertain: true} in the mapping"
            )
            refuse(levels == UNCERTAIN, "uncertain_quality", text, flag.BAD_QUALITY)
        text = f"{REASONS['unknown_quality']}; say what it means under quality: {{map: ...}} in the mapping"
        refuse(levels == UNKNOWN, "unknown_quality", text, flag.BAD_QUALITY)
    has_text = np.isin(at, list(points.texts)) if points.texts else np.zeros(len(at), np.bool_)
    refuse(has_text, "not_a_number", f"{REASONS['not_a_number']}; send numbers", flag.NOT_A_NUMBER)
    refuse(np.isnan(raw), "no_value", "has no value; leave such readings out")
    marks = np.array(sorted(mapper.mapping.bad_numbers(rule)))
    is_mark = np.isin(raw, marks) | ~(np.abs(np.nan_to_num(raw)) < _ABSURD)
    refuse(is_mark, "sentinel", f"{REASONS['sentinel']}; leave such readings out", flag.SENTINEL)
    declared = raw * rule.scale + rule.offset
    low = -np.inf if rule.low is None else rule.low
    if placed.role != "flow":
        low = max(low, LOWEST_GAUGE_KPA / rule.factor)
    is_out = (declared < low) | (declared > (np.inf if rule.high is None else rule.high))
    remedy = f"{REASONS['out_of_range']}; {REMEDIES['out_of_range']} in the mapping"
    refuse(is_out, "out_of_range", remedy, flag.OUT_OF_RANGE)
    out.values[at[is_open]] = (declared * rule.factor)[is_open]
    return gone


def _levels(points: Points, at: IntArray, quality: Quality) -> IntArray | None:
    if points.codes is None:
        return None
    numbers, codes = pd.factorize(points.codes[at], use_na_sentinel=True)
    table = np.array([*(level_of(code, quality) for code in codes), EMPTY], np.int64)
    found: IntArray = table[numbers]
    return found
