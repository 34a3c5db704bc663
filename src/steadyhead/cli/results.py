"""What a scan writes and shows: alerts, table, report, plots."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from rich.console import Console

from steadyhead.alerts.jsonlines import to_json_lines
from steadyhead.alerts.model import Alert
from steadyhead.cli.reading import show_left_out
from steadyhead.config import Registry
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.files import write_atomically
from steadyhead.fleet.outcome import Found
from steadyhead.profile.model import Profile
from steadyhead.readings.rejects import Rejects
from steadyhead.report.learned import withheld_line
from steadyhead.report.page import Page
from steadyhead.report.table import alert_detail, alert_table, quiet_line, worst_first

PLOT_NAME = re.compile(r".+-[0-9a-f]{16}\.png\Z")
Details = Literal["active", "all", "none"]


@dataclass(frozen=True, slots=True)
class Results:
    """All that a scan came to.

    known : profiles of the stations that were scanned
    left_out : one line for each station that was not
    """

    found: list[Found]
    known: Mapping[str, Profile]
    left_out: Mapping[str, str]
    described: Registry
    knowledge: Knowledge

    @property
    def alerts(self) -> list[Alert]:
        """Worst first."""
        return worst_first(item.alert for item in self.found)

    def zone(self, station: str) -> str:
        """Time zone of a station's clock."""
        return self.described.stations[station].time_zone


def write_all(out: Path, results: Results, rejects: Mapping[str, Rejects]) -> None:
    """Alerts first, because they matter most; then refused values, the report and the plots."""
    write_atomically(out / "alerts.jsonl", to_json_lines(results.alerts))
    for refused in rejects.values():
        refused.write(out / "rejects")
    write_atomically(out / "report.txt", _report_text(results))
    drawn = _write_plots(out / "plots", results)
    for path in (out / "plots").glob("*.png"):
        if PLOT_NAME.match(path.name) and path not in drawn:  # of an earlier scan
            path.unlink()


def _write_plots(folder: Path, results: Results) -> set[Path]:
    """One file per plot; returns their paths."""
    drawn: set[Path] = set()
    for item in results.found:
        if item.picture is not None:
            path = folder / f"{item.alert.station}-{item.alert.condition}-{item.alert.alert_id}.png"
            write_atomically(path, item.picture)
            drawn.add(path)
    return drawn


def show_table(console: Console, results: Results) -> None:
    """A row per alert, worst first; then what is quiet, what is not judged and what was left out."""
    alerts, units = results.alerts, results.described.settings.units
    zones = {name: results.zone(name) for name in results.known}
    console.print()
    console.print(alert_table(alerts, results.knowledge, units, zones))
    console.print(quiet_line(results.known, alerts), highlight=False)
    withheld = withheld_line(results.known.values())
    if withheld:
        console.print(withheld, highlight=False)
    show_left_out(console, results.left_out, len(results.known))


def show_details(console: Console, results: Results, details: Details) -> None:
    """The alerts asked for in full, worst first."""
    for alert in results.alerts:
        if details == "all" or (details == "active" and alert.ended_at is None):
            console.print()
            units, zone = results.described.settings.units, results.zone(alert.station)
            console.print(alert_detail(alert, results.knowledge, units, zone))


def _report_text(results: Results) -> str:
    """Table and every alert in full, as plain text."""
    page = Page()
    show_table(page.console, results)
    show_details(page.console, results, "all")
    return page.text()
