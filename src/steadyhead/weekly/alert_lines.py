"""Alerts as lines of the report, as they stood at the end of the week."""

from __future__ import annotations

from dataclasses import replace

from steadyhead.alerts.model import Alert, Verdict
from steadyhead.config.model import Station
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.diagnosis.checks import to_alert
from steadyhead.report.words import sizes
from steadyhead.units import UnitSystem
from steadyhead.weekly.families.alerts import Episode
from steadyhead.weekly.model import AlertLine

SIZES_SAID = 2


def of_verdict(verdict: Verdict, station: Station, knowledge: Knowledge, units: UnitSystem) -> AlertLine:
    """The line of an alert found in logs."""
    alert = to_alert(verdict, station, knowledge, units)
    return AlertLine(
        alert=alert,
        title=knowledge.entries[alert.condition].title,
        headline=headline(alert, units),
        raised_s=verdict.raised_s,
        ended_s=verdict.ended_s,
        began_s=verdict.began_s,
    )


def headline(alert: Alert, units: UnitSystem) -> str:
    """How large it is, in few words; the first sentence of evidence where there is no size."""
    said = sizes(alert.magnitude, units)[:SIZES_SAID]
    if said:
        return ", ".join(said)
    return alert.evidence[0].rstrip(".") if alert.evidence else ""


def as_of(line: AlertLine, at_s: int) -> AlertLine:
    """The line as it was known at a time: what came later has not happened yet."""
    ended = line.ended_s if line.ended_s is not None and line.ended_s < at_s else None
    is_answered = line.acknowledged_s is not None and line.acknowledged_s < at_s
    return replace(
        line,
        ended_s=ended,
        acknowledged_s=line.acknowledged_s if is_answered else None,
        acknowledged_by=line.acknowledged_by if is_answered else None,
    )


def episode(line: AlertLine) -> Episode:
    """Its times alone."""
    return Episode(line.alert.condition, line.began_s, line.raised_s, line.ended_s, line.acknowledged_s)
