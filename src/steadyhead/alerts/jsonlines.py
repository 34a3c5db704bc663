"""Alerts as JSON lines: one object per line, keys always in the order of the contract."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from datetime import UTC, datetime
from importlib.resources import files
from typing import Any

from steadyhead.alerts.model import Alert, Cause, DataWindow, FieldCheck, Runner
from steadyhead.errors import FeedError, OutputError
from steadyhead.types import CONDITIONS

_TIMES = ("began_at", "raised_at", "updated_at", "ended_at")
_FORM = "%Y-%m-%dT%H:%M:%SZ"


def schema() -> dict[str, Any]:
    """The published JSON Schema (2020-12) of one alert."""
    text = files("steadyhead.alerts").joinpath("schema.json").read_text(encoding="utf-8")
    loaded: dict[str, Any] = json.loads(text)
    return loaded


def to_dict(alert: Alert) -> dict[str, Any]:
    """The alert as plain JSON values, keys in the order of the contract."""
    plain = asdict(alert)
    for name in _TIMES:
        if plain[name] is not None:
            plain[name] = rfc3339(plain[name])
    plain["data_window"] = {name: rfc3339(value) for name, value in plain["data_window"].items()}
    return plain


def to_json(alert: Alert) -> str:
    """One line of JSON, without a line end.

    Raises OutputError if a number is not finite (JSON has no word for it) or a time has no zone.
    """
    try:
        return json.dumps(to_dict(alert), ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except ValueError as exc:
        raise OutputError(
            f"{alert.station}, {alert.condition} {alert.alert_id}: {exc}; leave out numbers not known"
        ) from exc


def to_json_lines(alerts: Iterable[Alert]) -> str:
    """All alerts, one line each, every line ended."""
    return "".join(to_json(alert) + "\n" for alert in alerts)


def from_json(line: str) -> Alert:
    """The alert a line describes; the way back from ``to_json``.

    Raises FeedError naming the key if the line is not an alert.
    """
    try:
        plain = json.loads(line)
    except json.JSONDecodeError as exc:
        raise FeedError(f"alert line is not JSON ({exc}); give one object per line") from exc
    if not isinstance(plain, dict):
        raise FeedError(f"alert line holds {type(plain).__name__}, wanted an object; see alerts/schema.json")
    return from_dict(plain)


def from_dict(plain: dict[str, Any]) -> Alert:
    """The alert of plain JSON values; the way back from ``to_dict``.

    Raises FeedError naming the key if they are not an alert.
    """
    try:
        return _alert(plain)
    except KeyError as exc:
        raise FeedError(f"alert line lacks {exc}; see alerts/schema.json") from exc
    except (TypeError, ValueError) as exc:
        raise FeedError(f"alert line does not follow alerts/schema.json: {exc}") from exc


def _alert(plain: dict[str, Any]) -> Alert:
    values = dict(plain)
    if values["condition"] not in CONDITIONS:
        raise ValueError(f"condition {values['condition']!r} is none of {', '.join(CONDITIONS)}")
    for name in _TIMES:
        values[name] = None if values[name] is None and name == "ended_at" else read_rfc3339(values[name])
    values["runners_up"] = tuple(Runner(**item) for item in values["runners_up"])
    values["evidence"] = tuple(values["evidence"])
    values["likely_causes"] = tuple(Cause(**item) for item in values["likely_causes"])
    values["field_checks"] = tuple(
        FieldCheck(**{**item, "cautions": tuple(item["cautions"])}) for item in values["field_checks"]
    )
    window = values["data_window"]
    values["data_window"] = DataWindow(read_rfc3339(window["from_at"]), read_rfc3339(window["to_at"]))
    return Alert(**values)


def rfc3339(at: datetime) -> str:
    """Aware time as ``2024-03-01T05:20:00Z``.

    Raises ValueError if the time has no zone.
    """
    if at.tzinfo is None:
        raise ValueError(f"time {at.isoformat()} has no zone")
    return at.astimezone(UTC).strftime(_FORM)


def read_rfc3339(text: str) -> datetime:
    """Aware UTC time from text as ``rfc3339`` writes it.

    Raises ValueError for any other form.
    """
    return datetime.strptime(text, _FORM).replace(tzinfo=UTC)
