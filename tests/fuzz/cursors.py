"""Queries of the API that page through alerts: the cursor, the filters and the numbers, against a real database."""

from __future__ import annotations

import base64
from functools import cache

from steadyhead.desk.desk import Desk
from steadyhead.desk.views import AlertQuery
from steadyhead.diagnosis.causes import load_knowledge
from steadyhead.errors import DeskError
from steadyhead.store.database import open_database

from .made import NOW_S, registry
from .stored import a_verdict
from .target import Target, folder, text_of


@cache
def desk() -> Desk:
    """A desk with a few alerts."""
    database = open_database(f"sqlite:///{folder() / 'desk.db'}")
    made = Desk(database, load_knowledge(), registry(), lambda: float(NOW_S))
    for n, condition in enumerate(("drift", "creep", "hunting", "telemetry_loss")):
        made.raised(a_verdict(condition=condition, raised_s=NOW_S + n, runners_up=(), traits={}))
    return made


def feed(data: bytes) -> None:
    """The first byte: bit 0 the order, bit 1 whether the text is packed as a cursor first."""
    kind = data[0] if data else 0
    text = text_of(data[1:])
    if kind & 2:
        text = base64.urlsafe_b64encode(data[1:]).decode().rstrip("=")
    page = desk().alerts(AlertQuery(sort="newest" if kind & 1 else "worst", after=text, limit=2))
    assert len(page.items) <= 2


def corpus() -> list[bytes]:
    """Cursors of both orders, packed and plain, and what their fields may not be."""
    found = []
    for kind, sort in enumerate(("worst", "newest")):
        page = desk().alerts(AlertQuery(sort=sort, limit=2))  # type: ignore[arg-type]
        assert page.next is not None
        plain = base64.urlsafe_b64decode(page.next + "=" * (-len(page.next) % 4))
        found += [bytes([kind]) + page.next.encode(), bytes([kind | 2]) + plain]
        found += [bytes([kind | 2]) + plain.replace(b"|1", b"|" + b"9" * 30), bytes([kind]) + b"%%%"]
    return found


TARGET = Target(
    "cursors", feed, corpus, (DeskError,), (b"worst|", b"newest|", b"|", b"9" * 30, b"-1", b"\x00")
)
