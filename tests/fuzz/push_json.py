"""Bodies of ``POST /api/v1/readings`` in JSON."""

from __future__ import annotations

import json
from typing import Any

from steadyhead.errors import IntakeError

from .made import NOW_S, way
from .target import Target


def feed(data: bytes) -> None:
    """One batch; the answer must be JSON too."""
    answer = way().intake.push_json(data, "fuzz")
    json.dumps([one.reason for one in answer.refused])
    way().check()


def corpus() -> list[bytes]:
    """Every form that an item may have, and some that it may not."""
    one: dict[str, Any] = {"station": "elm", "role": "outlet", "time": NOW_S - 60, "value": 4.5}
    items: list[Any] = [
        one, one | {"unit": "kPa"}, one | {"quality": "good"}, one | {"quality": 64}, one | {"value": None},
        one | {"time": "2026-02-28T23:00:00+01:00"}, one | {"time": "2026-02-28T23:00:00"},
        {"station": "elm", "tag": "elm/PIN", "time": NOW_S, "value": -9999},
        {"station": "oak", "time": NOW_S, "values": {"outlet": 55, "Q": 120.5, "flow": "x"}},
        {"station": "nowhere", "role": "outlet", "time": 0, "value": 1},
    ]  # fmt: skip
    bodies = [items, {"readings": items}, one, [], 1, {"readings": items, "more": 1}]
    found = [json.dumps(body).encode() for body in [*bodies, *([item] for item in items)]]
    odd = (
        b"9" * 400,
        b"-" + b"9" * 400,
        b"1e400",
        b"NaN",
        b"true",
        b"[1]",
        b'"\\ud800"',
        b'"\\u0000"',
        b"[" * 2000,
    )
    found += [b'[{"station":"elm","role":"outlet","time":1772323140,"value":%s}]' % one for one in odd]
    found += [b'[{"station":"elm","role":%s,"time":%s,"value":1}]' % (one, one) for one in odd[:-1]]
    return [*found, b'[{"station":"elm","role":"outlet","time":1,"value":' + b"[" * 900 + b"]" * 900 + b"}]"]


TARGET = Target(
    "push_json", feed, corpus, (IntakeError,),
    (b'"station"', b'"elm"', b'"values"', b'"unit"', b'"quality"', b"1e400", b"NaN", b"-Infinity",
     b"9" * 40, b"9" * 400, b"[[[[[[", b'"\\ud800"', b'"\\u0000"', b'"2026-03-01T00:00:00Z"'),
)  # fmt: skip
