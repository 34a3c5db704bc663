"""A station's sample judged from all sides."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from steadyhead.config import Role, Source, Station
from steadyhead.errors import FeedError
from steadyhead.feeds.check.clocks import judge_clock
from steadyhead.feeds.check.findings import Finding, LooseTag, StationCheck, TagFigures
from steadyhead.feeds.check.guessing import proposed_station
from steadyhead.feeds.check.physics import judge_physics
from steadyhead.feeds.check.rhythm import (
    MOST_REFUSED,
    every_s,
    history_words,
    judge_gaps,
    judge_rhythm,
    longest_gap_s,
)  # fmt: skip
from steadyhead.readings import quality as flag
from steadyhead.readings.grid import to_grid
from steadyhead.readings.rejects import REASONS, REMEDIES, Reason, shown
from steadyhead.readings.series import Series, StationLog

FUTURE_S = 300.0
_NOT_A_VALUE: tuple[Reason, ...] = ("duplicate", "conflicting_duplicate", "missing_hour", "ambiguous_time")


def check_station(
    station: Station,
    log: StationLog,
    now_s: float,
    *,
    source: Source | None = None,
    loose: Sequence[LooseTag] = (),
    span_s: tuple[int | None, int | None] = (None, None),
) -> StationCheck:
    """All that a sample says of a station.

    log : what was read, in working units; source : how, for a station of log files
    loose : tags found beside it; span_s : what to look at, such as the span that is to be learned from [s]
    """
    found = StationCheck(station.name, loose=list(loose))
    whole = {role: series for role, series in log.series.items() if (~np.isnan(series.values)).any()}
    found.missing = [tag.tag for role, tag in station.tags.items() if role not in whole]
    if not whole:
        found.history = history_words(0.0)
        found.findings += _quality(found.tags, log, station)
        return found
    series = {role: _within(one, span_s) for role, one in whole.items()}
    if not any((~np.isnan(one.values)).any() for one in series.values()):
        series = whole
    refused = _refused(log, station)
    found.tags = [_figures(role, one, station, refused) for role, one in series.items()]
    times = [one.times_s for one in series.values() if len(one.times_s)]
    found.from_s = int(min(t[0] for t in times))
    found.to_s = int(max(t[-1] for t in times))
    days = len(np.unique(np.concatenate([t // 3600 for t in times]))) / 24.0
    found.days = days
    found.history = history_words(days)
    for role, one in series.items():
        found.findings += judge_rhythm(role, one, station)
        found.findings += judge_gaps(role, one, station)
    found.findings += _quality(found.tags, log, station)
    found.findings += _clock_changes(log, station)
    rows = None
    try:
        rows = to_grid(replace(log, series=series), station)
    except FeedError as exc:
        found.findings.append(Finding("unreadable", station.name, None, "", str(exc), "mend this first"))
    if rows is not None:
        physics, unjudged = judge_physics(rows, station)
        clock, more = judge_clock(rows, station, source, now_s, FUTURE_S)
        found.findings += [*physics, *clock]
        found.unjudged = [*unjudged, *more]
    found.proposed = proposed_station(station, found.findings, loose)
    return found


def _within(series: Series, span_s: tuple[int | None, int | None]) -> Series:
    from_s, to_s = span_s
    keep = np.ones(len(series.times_s), dtype=np.bool_)
    if from_s is not None:
        keep &= series.times_s >= from_s
    if to_s is not None:
        keep &= series.times_s < to_s
    return Series(series.times_s[keep], series.values[keep], series.flags[keep])


def _refused(log: StationLog, station: Station) -> Mapping[str, int]:
    """Refused values by column, without those that are only repeated or out of a clock's hour."""
    counts: dict[str, int] = {}
    for block in log.rejects.blocks:
        if block.reason not in _NOT_A_VALUE:
            counts[block.column] = counts.get(block.column, 0) + len(block.rows)
    del station
    return counts


def _figures(role: Role, series: Series, station: Station, refused: Mapping[str, int]) -> TagFigures:
    tag = station.tags[role]
    known = series.values[~np.isnan(series.values)] / tag.factor
    doubtful = int((series.flags & flag.DOUBTFUL != 0).sum())
    n_refused = next((n for column, n in refused.items() if column in (tag.tag, role)), 0)
    if not n_refused:
        n_refused = int((series.flags & flag.REFUSED != 0).sum())
    n = len(known) + n_refused
    low, middle, high = np.percentile(known, [1, 50, 99]) if len(known) else (math.nan,) * 3
    times_s = series.times_s[~np.isnan(series.values)]
    return TagFigures(
        role=role, tag=tag.tag, unit=tag.unit, n=len(known),
        every_s=every_s(times_s), longest_gap_s=longest_gap_s(times_s),
        low=float(low), middle=float(middle), high=float(high),
        good=(len(known) - doubtful) / max(n, 1), uncertain=doubtful / max(n, 1),
        refused=n_refused / max(n, 1),
    )  # fmt: skip


def _quality(tags: Sequence[TagFigures], log: StationLog, station: Station) -> list[Finding]:
    findings = []
    shares = {tag.role: tag.refused for tag in tags}
    for role, tag in station.tags.items():
        share = shares.get(role, 1.0)  # of what has no figures all is refused, or nothing came
        if share <= MOST_REFUSED:
            continue
        reasons: dict[Reason, int] = {}
        examples: dict[Reason, str] = {}
        for block in log.rejects.blocks:
            if block.column in (tag.tag, role) and block.reason not in _NOT_A_VALUE:
                reasons[block.reason] = reasons.get(block.reason, 0) + len(block.rows)
                examples[block.reason] = shown(str(block.texts[0]))
        if not reasons:
            continue
        worst = max(reasons, key=lambda reason: reasons[reason])
        findings.append(
            Finding(
                "quality",
                station.name,
                role,
                tag.tag,
                f"{'all' if role not in shares else f'{share:.0%}'} of the readings are refused, "
                "most because a value, such as "
                f'"{examples[worst]}", '
                f"{REASONS[worst]}",
                REMEDIES.get(worst, "see in the historian why"),
            )
        )
    return findings


def _clock_changes(log: StationLog, station: Station) -> list[Finding]:
    """Hours that the declared clock never shows: it does not change as the zone says."""
    n = log.rejects.counts.get("missing_hour", 0)
    if not n:
        return []
    return [
        Finding(
            "clock",
            station.name,
            None,
            "",
            f"{n} times lie in the hour that the clock of the declared zone skips in spring",
            "the log's clock seems to stay on one time all year: give the source a fixed time_zone, "
            "such as UTC",
        )
    ]
