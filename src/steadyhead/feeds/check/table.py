"""A check as a table for people."""

from __future__ import annotations

import math
from collections.abc import Iterator

from rich.console import Console
from rich.table import Table
from rich.text import Text

from steadyhead.feeds.check.findings import LooseTag, Report, StationCheck, TagFigures

_MOST_LOOSE = 12


def show(report: Report, out: Console) -> None:
    """Print figures of all tags, then what looks wrong, what could not be judged and what is proposed."""
    if any(station.tags or station.missing for station in report.stations):
        out.print(_tags(report))
    for line in _history(report):
        out.print(line, highlight=False, soft_wrap=True)
    loose = [tag for station in report.stations for tag in station.loose] + report.loose
    if loose:
        out.print(Text(f"\nTags that belong to no station ({len(loose)}):", style="bold"))
        for tag in loose[:_MOST_LOOSE]:
            out.print(f"  {_loose(tag)}", highlight=False, soft_wrap=True)
        if len(loose) > _MOST_LOOSE:
            out.print(f"  and {len(loose) - _MOST_LOOSE} more; --json lists all", highlight=False)
    if report.findings:
        out.print(Text(f"\nTo look at ({len(report.findings)}):", style="bold"))
        for finding in report.findings:
            out.print(f"  {finding}", highlight=False, soft_wrap=True)
    else:
        out.print(Text("\nNothing looks wrong in what could be judged.", style="bold"))
    unjudged = [f"{s.station}: {text}" for s in report.stations for text in s.unjudged]
    if unjudged:
        out.print(Text("\nNot judged:", style="bold"))
        for text in unjudged:
            out.print(f"  {text}", highlight=False, soft_wrap=True)
    proposed = [s.proposed for s in report.stations if s.proposed] + (
        [report.proposed] if report.proposed else []
    )
    if proposed:
        out.print(Text("\nA proposal to start from; check it against drawings and a gauge:", style="bold"))
        for text in proposed:
            out.print(Text(text), soft_wrap=True)
    out.print("Nothing was written.", highlight=False)


def _tags(report: Report) -> Table:
    table = Table(title=report.source, title_justify="left", title_style="bold")
    table.add_column("station", overflow="fold")
    table.add_column("role")
    table.add_column("tag", overflow="fold")
    for name in ("every", "gap", "low", "middle", "high"):
        table.add_column(name, justify="right")
    table.add_column("unit")
    for name in ("good", "uncertain", "refused"):
        table.add_column(name, justify="right")
    for station in report.stations:
        for tag in station.tags:
            table.add_row(*_row(station, tag))
        for name in station.missing:
            came = any(finding.tag == name for finding in station.findings)
            table.add_row(station.station, "", name, "all refused" if came else "not there", style="red")
    return table


def _row(station: StationCheck, tag: TagFigures) -> list[str]:
    return [
        station.station, tag.role, tag.tag, span_text(tag.every_s), span_text(tag.longest_gap_s),
        f"{tag.low:.4g}", f"{tag.middle:.4g}", f"{tag.high:.4g}", tag.unit,
        f"{tag.good:.1%}", f"{tag.uncertain:.1%}", f"{tag.refused:.1%}",
    ]  # fmt: skip


def _history(report: Report) -> Iterator[str]:
    for station in report.stations:
        if station.history:
            yield f"{station.station}: {station.history}"


def _loose(tag: LooseTag) -> str:
    values = "no numbers" if math.isnan(tag.middle) else f"{tag.low:.4g} to {tag.high:.4g}, {tag.n} values"
    return f"{tag.tag}: {values}" + (f"; its name suggests {tag.guess}" if tag.guess else "")


def span_text(seconds: float) -> str:
    """A length of time in the unit people would use."""
    if math.isnan(seconds):
        return "-"
    if seconds < 120:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 7200 else f"{seconds / 3600:.1f} h"
