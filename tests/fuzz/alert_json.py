"""Alerts as JSON lines, and as documents in the database."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from steadyhead.alerts.jsonlines import from_json, to_dict, to_json
from steadyhead.alerts.model import Alert
from steadyhead.errors import FeedError

from .stored import example
from .target import Target, text_of


def feed(data: bytes) -> None:
    """One line."""
    from_json(text_of(data))


def corpus() -> list[bytes]:
    """An alert that goes through, and small ones that do not."""
    line = to_json(_alert())
    plain = to_dict(_alert())
    return [line.encode(), json.dumps(plain | {"runners_up": [{}]}).encode(), b"[]", b"1"]


def _alert() -> Alert:
    at = datetime(2026, 3, 1, tzinfo=UTC)
    return _filled(at)


def _filled(at: datetime) -> Alert:
    from dataclasses import fields, is_dataclass
    from typing import Any, get_args, get_origin, get_type_hints

    def value(hint: Any) -> Any:
        if hint is datetime or datetime in get_args(hint):
            return at
        if is_dataclass(hint):
            hints = get_type_hints(hint)
            return hint(**{f.name: value(hints[f.name]) for f in fields(hint)})  # type: ignore[operator]
        if get_origin(hint) is tuple:
            return (value(get_args(hint)[0]),)
        return example(hint)

    made: Alert = value(Alert)
    return made


TARGET = Target(
    "alert_json", feed, corpus, (FeedError,),
    (b'"drift"', b"null", b"[]", b"{}", b"1", b'"2026-03-01T00:00:00Z"', b"[[[[[[[[", b"9" * 400),
)  # fmt: skip
