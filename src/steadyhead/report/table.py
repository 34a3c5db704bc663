"""What the terminal shows: one row per alert, and a block with everything about one alert.

Both fit 80 columns and say nothing by colour alone: priority, state and effort are words.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from rich.console import Group, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from steadyhead.alerts.model import PRIORITIES, Alert, Cause, Effort, FieldCheck
from steadyhead.diagnosis.causes import Knowledge
from steadyhead.report.words import sizes, sure_text, time_text
from steadyhead.units import UnitSystem

LEAST_SHOWN = 0.005  # a chance below this would be shown as 0 %
_EFFORT_WORDS: dict[Effort, str] = {
    "free": "look",
    "cheap": "small job",
    "isolates": "takes something out of use",
}
_LETTERS = "abcdefghijklmnopqrstuvwxyz"


def worst_first(alerts: Iterable[Alert]) -> list[Alert]:
    """Alerts in the order a person should see them: lasting before over, then by priority, then by age."""
    return sorted(
        alerts,
        key=lambda a: (a.ended_at is not None, -PRIORITIES.index(a.priority), a.raised_at, a.station),
    )


def alert_table(
    alerts: Iterable[Alert],
    knowledge: Knowledge,
    units: UnitSystem,
    time_zones: Mapping[str, str],
) -> Group:
    """Three columns, then how large and what to check first, for each alert; worst first.

    time_zones : by station name; times are those of the station, UTC where its zone is not given
    """
    ordered = worst_first(alerts)
    if not ordered:
        return Group(Text("No alerts."))
    head = _columns()
    head.add_row(*(Text(word, style="underline") for word in ("Station", "What it has", "Since")))
    parts: list[RenderableType] = [head]
    for alert in ordered:
        row = _columns()
        row.add_row(
            _station_cell(alert),
            Text(f"{knowledge.entries[alert.condition].title}\n{sure_text(alert.confidence)}"),
            Text(_when_lines(alert, time_zones.get(alert.station, "UTC"))),
        )
        parts.append(row)
        how_large = sizes(alert.magnitude, units)
        if how_large:
            parts.append(_indented(Text(f"When raised: {', '.join(how_large)}.")))
        if alert.field_checks:
            parts.append(_indented(Text(f"Check first: {alert.field_checks[0].text}")))
        parts.append(Text(""))
    return Group(*parts)


def _columns() -> Table:
    grid = Table.grid(padding=(0, 1, 0, 0))
    for width in (20, 32, 26):  # with the gaps between them 80
        grid.add_column(width=width, overflow="fold")
    return grid


def quiet_line(stations: Iterable[str], alerts: Iterable[Alert]) -> str:
    """The scanned stations nothing is said of, in one sentence."""
    loud = {alert.station for alert in alerts}
    quiet = sorted(set(stations) - loud)
    if not quiet:
        return "Every station scanned has an alert."
    return f"Nothing to report: {', '.join(quiet)}."


def alert_detail(alert: Alert, knowledge: Knowledge, units: UnitSystem, time_zone: str = "UTC") -> Group:
    """Everything about one alert: meaning, evidence, causes, then cautions and checks."""
    entry = knowledge.entries[alert.condition]
    parts: list[RenderableType] = [
        Text(f"{alert.station}: {entry.title}", style="bold"),
        _indented(Text(entry.meaning)),
        _indented(Text(_story(alert, knowledge, units, time_zone))),
    ]
    if alert.evidence:
        parts += [_heading("Why we say so"), _pairs([("-", sentence) for sentence in alert.evidence])]
    if alert.likely_causes:
        parts += [_heading("What usually lies behind it"), _pairs(_cause_rows(alert.likely_causes))]
    letters = _lettered(alert.field_checks, knowledge)
    if letters:
        parts += [_heading("Before you touch anything"), _pairs([(v, k) for k, v in letters.items()])]
    if alert.field_checks:
        checks = [(str(check.order), _check_text(check, letters)) for check in alert.field_checks]
        parts += [_heading("What to check, in this order"), _pairs(checks)]
    parts.append(_indented(Text(f"Alert {alert.alert_id}, profile {alert.profile_version}", style="dim")))
    return Group(*parts)


def _station_cell(alert: Alert) -> Text:
    text = Text(alert.station, style="bold")
    text.append(f"\n{alert.priority} priority", style="not bold" if alert.priority != "high" else "bold red")
    return text


def _when_lines(alert: Alert, zone: str) -> str:
    return "\n".join(
        (
            time_text(alert.began_at, zone),
            f"raised {time_text(alert.raised_at, zone)}",
            _end_text(alert, zone),
        )
    )


def _end_text(alert: Alert, zone: str) -> str:
    return "goes on" if alert.ended_at is None else f"ended {time_text(alert.ended_at, zone)}"


def _story(alert: Alert, knowledge: Knowledge, units: UnitSystem, zone: str) -> str:
    story = (
        f"Since {time_text(alert.began_at, zone, with_year=True)} ({zone}), raised "
        f"{time_text(alert.raised_at, zone)}, {_end_text(alert, zone)}. "
        f"{sure_text(alert.confidence).capitalize()}, {alert.priority} priority."
    )
    how_large = sizes(alert.magnitude, units)
    if how_large:
        story += f" When raised: {', '.join(how_large)}."
    others = [
        f"{knowledge.entries[runner.condition].title.lower()} ({runner.confidence * 100:.0f} %)"
        for runner in alert.runners_up
        if runner.confidence >= LEAST_SHOWN
    ]
    return f"{story} It could also be: {', '.join(others)}." if others else story


def _cause_rows(causes: Iterable[Cause]) -> list[tuple[str, str]]:
    """Share and text of each cause, and the share of all that has no name here."""
    rows = [(f"{cause.likelihood * 100:.0f} %", cause.text) for cause in causes]
    left = 1.0 - sum(cause.likelihood for cause in causes)
    return [*rows, (f"{left * 100:.0f} %", "Something else")] if left >= LEAST_SHOWN else rows


def _lettered(checks: Iterable[FieldCheck], knowledge: Knowledge) -> dict[str, str]:
    """A letter for every caution, most important first, so that each is printed once."""
    met = dict.fromkeys(caution for check in checks for caution in check.cautions)
    known = [text for text in knowledge.cautions.values() if text in met]
    ordered = known + [text for text in met if text not in known]
    return {text: _LETTERS[n] if n < len(_LETTERS) else str(n + 1) for n, text in enumerate(ordered)}


def _check_text(check: FieldCheck, letters: Mapping[str, str]) -> Text:
    text = Text(check.text)
    if check.why:
        text.append(f" {check.why}")
    if check.hint:
        text.append(f"\nHere: {check.hint}", style="bold")
    marks = ", ".join(letters[caution] for caution in check.cautions)
    text.append(f"\n[{_EFFORT_WORDS[check.effort]}{f'; mind {marks}' if marks else ''}]", style="dim")
    return text


def _heading(words: str) -> Padding:
    return Padding(Text(words, style="underline"), (1, 0, 0, 2))


def _indented(text: Text) -> Padding:
    return Padding(text, (0, 0, 0, 2))


def _pairs(rows: Iterable[tuple[str, str] | tuple[str, Text]]) -> Padding:
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_column(justify="right", no_wrap=True)
    grid.add_column(overflow="fold")
    for left, right in rows:
        grid.add_row(Text(left), right if isinstance(right, Text) else Text(right))
    return Padding(grid, (0, 0, 0, 2))
