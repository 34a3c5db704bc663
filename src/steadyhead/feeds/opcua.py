"""Readings from an OPC UA server by asyncua: stored ones by historical read, live ones by subscription.

A historical read (Part 11) returns so many values and a continuation point until there is none. After a
connection is lost, what was missed is read from the history, where the server keeps one; then the
subscription goes on. We only read: nothing is ever written to a node and no method is called.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

from asyncua import ua
from asyncua.ua.uaerrors import BadHistoryOperationUnsupported, BadNotReadable

from steadyhead.errors import FeedError
from steadyhead.feeds.connector import Bit, Gathering, Points, Position
from steadyhead.feeds.opcua_session import OpcUaSession
from steadyhead.feeds.polled import Polled, without_recent
from steadyhead.feeds.settings import OpcUaSettings

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
QUIET_S = 0.05


class OpcUaConnector(Polled):
    """One server. See ``connector.Connector``."""

    def __init__(self, name: str, settings: OpcUaSettings, now_s: Callable[[], float] = time.time) -> None:
        super().__init__(settings.poll_s, settings.look_back_s, now_s)
        self._name, self._settings = name, settings
        self._session = OpcUaSession(name, settings)

    def describe(self) -> str:
        """See ``connector.Connector``."""
        return f"OPC UA {self._settings.url}"

    def close(self) -> None:
        """See ``connector.Connector``."""
        self._session.close()

    # ------------------------------------------------------------ stored readings

    def fetch(self, from_us: int, to_us: int) -> Points:
        """See ``polled.Polled``."""
        self._session.connect()
        return self._session.do(self._history(_EPOCH + from_us * _US, _EPOCH + to_us * _US), patience=20.0)

    def sample(self, seconds: float) -> Points:
        """See ``connector.Connector``: stored values, or the present ones where there is no history."""
        if self._settings.history and len(points := super().sample(seconds)):
            return points
        self._session.connect()
        return self._session.do(self._present())

    def reach_days(self) -> int | None:
        """See ``connector.Connector``."""
        return super().reach_days() if self._settings.history else None

    def backfill(self, from_s: int, to_s: int, resume: Position | None) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        if self._settings.history:
            yield from super().backfill(from_s, to_s, resume)

    async def _history(self, start: datetime, end: datetime) -> Points:
        """Stored values of all nodes; of a folder, those of its nodes that the server stores."""
        found = Gathering()
        n_without, last = 0, None
        for tag, node in self._session.nodes.items():
            try:
                await self._node_history(tag, node, start, end, found)
            except (BadHistoryOperationUnsupported, BadNotReadable) as exc:
                if tag in self._settings.nodes:
                    raise
                n_without, last = n_without + 1, exc
        if last is not None and n_without == len(self._session.nodes):
            raise last
        return found.points()

    async def _node_history(
        self, tag: str, node: Any, start: datetime, end: datetime, found: Gathering
    ) -> None:
        details = ua.ReadRawModifiedDetails(
            IsReadModified=False, StartTime=start, EndTime=end, NumValuesPerNode=self._settings.per_read,
            ReturnBounds=False,
        )  # fmt: skip
        point = None
        while True:
            wanted = ua.HistoryReadValueId(NodeId=node.nodeid, ContinuationPoint=point)
            answer = await self._session.client.uaclient.history_read(
                ua.HistoryReadParameters(
                    HistoryReadDetails=details, TimestampsToReturn=ua.TimestampsToReturn.Source,
                    ReleaseContinuationPoints=False, NodesToRead=[wanted],
                )
            )  # fmt: skip
            result = answer[0]
            result.StatusCode.check()
            for value in getattr(result.HistoryData, "DataValues", None) or []:
                _take(found, tag, value)
            point = result.ContinuationPoint
            if not point:
                return

    async def _present(self) -> Points:
        found = Gathering()
        for tag, node in self._session.nodes.items():
            _take(found, tag, await node.read_data_value(raise_on_bad_status=False))
        return found.points()

    # ------------------------------------------------------------ live

    def live(self, resume: Position | None, stop: threading.Event) -> Iterator[Bit]:
        """See ``connector.Connector``: subscribes first, then reads what was missed."""
        self._session.connect()
        inbox: queue.Queue[Any] = queue.Queue()
        self._session.do(self._subscribe(inbox))
        position = dict(resume or {"through_us": round(self._now_s() * 1e6), "recent": {}})
        if self._settings.history and resume is not None:
            now_us = round(self._now_s() * 1e6)
            from_us = int(position.get("through_us", now_us)) - self._look_back_s * 1_000_000
            while from_us < now_us:
                to_us = min(now_us + self._look_back_s * 1_000_000, from_us + self._window_s * 1_000_000)
                points = self._once_each(self.fetch(from_us, to_us), from_us, to_us)
                fresh = without_recent(points, position.get("recent", {}))
                position = self._position(points, min(to_us, now_us), position.get("recent", {}))
                self._fit_window(len(fresh))
                yield Bit(fresh, position)
                from_us = to_us
        while not stop.is_set():
            points = self._told(inbox, stop)
            if not len(points):
                continue
            points = self._once_each(points, 0, 1 << 62)
            fresh = without_recent(points, position.get("recent", {}))
            through_us = max(
                int(position["through_us"]), min(int(points.us.max()), round(self._now_s() * 1e6))
            )
            position = self._position(points, through_us, position.get("recent", {}))
            if len(fresh):
                yield Bit(fresh, position)

    def _told(self, inbox: queue.Queue[Any], stop: threading.Event) -> Points:
        found = Gathering()
        while len(found) < 20_000 and not stop.is_set():
            try:
                one = inbox.get(timeout=QUIET_S if len(found) else 1.0)
            except queue.Empty:
                break
            if isinstance(one, FeedError):
                raise FeedError(str(one))  # a new one: else it and the frames that hold it hold the session
            _take(found, *one)
        return found.points()

    async def _subscribe(self, inbox: queue.Queue[Any]) -> None:
        period_ms = self._settings.publish_s * 1000.0
        by_node = {node.nodeid: tag for tag, node in self._session.nodes.items()}
        lost = FeedError(f"{self._session.where} broke off; it is tried again")

        class Handler:
            """What asyncua calls."""

            def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
                del value
                inbox.put((by_node[node.nodeid], data.monitored_item.Value))

            def status_change_notification(self, status: Any) -> None:
                del status
                inbox.put(lost)

        session = self._session.client

        async def is_lost(exc: Exception) -> None:
            del exc
            inbox.put(lost)

        session.connection_lost_callback = is_lost
        subscription = await session.create_subscription(period_ms, Handler())
        nodes = list(self._session.nodes.values())
        answers = await subscription.subscribe_data_change(nodes, queuesize=1000)
        for tag, answer in zip(
            self._session.nodes, answers if isinstance(answers, list) else [answers], strict=True
        ):
            if isinstance(answer, ua.StatusCode):
                answer.check()
                raise FeedError(f"{self._session.where}: {tag} cannot be subscribed to ({answer.name})")


def _take(found: Gathering, tag: str, value: Any) -> None:
    at = value.SourceTimestamp or value.ServerTimestamp
    if at is None:
        return
    us = (at.replace(tzinfo=UTC) - _EPOCH) // _US if at.tzinfo is None else (at - _EPOCH) // _US
    code = value.StatusCode.value if value.StatusCode is not None else 0
    found.add(tag, us, None if value.Value is None else value.Value.Value, _LEVELS[code >> 30])


_LEVELS = {0: None, 1: "uncertain", 2: "bad", 3: "bad"}
"""Severity in the two top bits of a StatusCode (OPC 10000-4, 7.39); good needs no word."""
