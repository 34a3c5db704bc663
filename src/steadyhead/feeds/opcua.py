"""Readings from an OPC UA server by asyncua: stored ones by historical read, live ones by subscription.

A historical read (Part 11) returns so many values and a continuation point until there is none. After a
connection is lost, what was missed is read from the history, where the server keeps one; then the
subscription goes on. We only read: nothing is ever written to a node and no method is called.
"""

from __future__ import annotations

import asyncio
import contextlib
import queue
import threading
import time
from collections.abc import Callable, Coroutine, Iterator
from concurrent.futures import TimeoutError as FutureTimeout
from datetime import UTC, datetime, timedelta
from typing import Any, TypeVar

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies
from asyncua.ua.uaerrors import BadHistoryOperationUnsupported, BadNotReadable, UaError

from steadyhead.errors import FeedError
from steadyhead.feeds.connector import Bit, Gathering, Points, Position
from steadyhead.feeds.polled import Polled, without_recent
from steadyhead.feeds.settings import OpcUaSettings, read_secret

Answer = TypeVar("Answer")

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)
MOST_NODES = 10_000
QUIET_S = 0.05
_POLICIES: dict[str, Any] = {
    "Basic256Sha256": security_policies.SecurityPolicyBasic256Sha256,
    "Aes128Sha256RsaOaep": security_policies.SecurityPolicyAes128Sha256RsaOaep,
    "Aes256Sha256RsaPss": security_policies.SecurityPolicyAes256Sha256RsaPss,
}


class OpcUaConnector(Polled):
    """One session. asyncua runs in a loop of its own, in a thread of its own. See ``connector.Connector``."""

    def __init__(self, name: str, settings: OpcUaSettings, now_s: Callable[[], float] = time.time) -> None:
        super().__init__(settings.poll_s, settings.look_back_s, now_s)
        self._name, self._settings = name, settings
        self._client: Client | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None
        self._nodes: dict[str, Any] = {}

    def describe(self) -> str:
        """See ``connector.Connector``."""
        return f"OPC UA {self._settings.url}"

    def close(self) -> None:
        """See ``connector.Connector``."""
        loop, thread, client = self._loop, self._thread, self._client
        self._loop = self._thread = self._client = None
        if loop is None or thread is None:
            return
        if client is not None:
            with contextlib.suppress(Exception):  # it may be gone already
                asyncio.run_coroutine_threadsafe(client.disconnect(), loop).result(3.0)
        asyncio.run_coroutine_threadsafe(_cancel_all(), loop).result(3.0)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(5.0)
        if not thread.is_alive():
            loop.close()

    # ------------------------------------------------------------ stored readings

    def fetch(self, from_us: int, to_us: int) -> Points:
        """See ``polled.Polled``."""
        self._connect()
        return self._do(self._history(_EPOCH + from_us * _US, _EPOCH + to_us * _US), patience=20.0)

    def sample(self, seconds: float) -> Points:
        """See ``connector.Connector``: stored values, or the present ones where there is no history."""
        if self._settings.history:
            return super().sample(seconds)
        self._connect()
        return self._do(self._present())

    def backfill(self, from_s: int, to_s: int, resume: Position | None) -> Iterator[Bit]:
        """See ``connector.Connector``."""
        if self._settings.history:
            yield from super().backfill(from_s, to_s, resume)

    async def _history(self, start: datetime, end: datetime) -> Points:
        """Stored values of all nodes; of a folder, those of its nodes that the server stores."""
        found = Gathering()
        n_without, last = 0, None
        for tag, node in self._nodes.items():
            try:
                await self._node_history(tag, node, start, end, found)
            except (BadHistoryOperationUnsupported, BadNotReadable) as exc:
                if tag in self._settings.nodes:
                    raise
                n_without, last = n_without + 1, exc
        if last is not None and n_without == len(self._nodes):
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
            answer = await self._session().uaclient.history_read(
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
        for tag, node in self._nodes.items():
            _take(found, tag, await node.read_data_value(raise_on_bad_status=False))
        return found.points()

    # ------------------------------------------------------------ live

    def live(self, resume: Position | None, stop: threading.Event) -> Iterator[Bit]:
        """See ``connector.Connector``: subscribes first, then reads what was missed."""
        self._connect()
        inbox: queue.Queue[Any] = queue.Queue()
        self._do(self._subscribe(inbox))
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
                raise one
            _take(found, *one)
        return found.points()

    async def _subscribe(self, inbox: queue.Queue[Any]) -> None:
        period_ms = self._settings.publish_s * 1000.0
        by_node = {node.nodeid: tag for tag, node in self._nodes.items()}
        lost = FeedError(f"{self._where()} broke off; it is tried again")

        class Handler:
            """What asyncua calls."""

            def datachange_notification(self, node: Any, value: Any, data: Any) -> None:
                del value
                inbox.put((by_node[node.nodeid], data.monitored_item.Value))

            def status_change_notification(self, status: Any) -> None:
                del status
                inbox.put(lost)

        session = self._session()

        async def is_lost(exc: Exception) -> None:
            del exc
            inbox.put(lost)

        session.connection_lost_callback = is_lost
        subscription = await session.create_subscription(period_ms, Handler())
        nodes = list(self._nodes.values())
        answers = await subscription.subscribe_data_change(nodes, queuesize=1000)
        for tag, answer in zip(self._nodes, answers if isinstance(answers, list) else [answers], strict=True):
            if isinstance(answer, ua.StatusCode):
                answer.check()
                raise FeedError(f"{self._where()}: {tag} cannot be subscribed to ({answer.name})")

    # ------------------------------------------------------------ connection

    def _connect(self) -> None:
        if self._client is not None:
            return
        settings = self._settings
        secret = None if settings.password_file is None else read_secret(settings.password_file, "password")
        loop = asyncio.new_event_loop()
        thread = threading.Thread(target=loop.run_forever, name=f"opcua {self._name}", daemon=True)
        thread.start()
        self._loop, self._thread = loop, thread
        client = Client(settings.url, timeout=settings.timeout_s)
        client.application_uri = "urn:steadyhead:client"
        if settings.username is not None:
            client.set_user(settings.username)
            client.set_password(secret or "")
        self._do(self._enter(client), patience=3.0)

    async def _enter(self, client: Client) -> None:
        settings = self._settings
        if settings.security != "none":
            try:
                await client.set_security(
                    _POLICIES[settings.security], str(settings.certificate_file), str(settings.key_file),
                    server_certificate=None if settings.server_certificate_file is None
                    else str(settings.server_certificate_file),
                )  # fmt: skip
            except (FileNotFoundError, ValueError) as exc:
                raise FeedError(
                    f"{self._name}: a certificate or key cannot be used ({exc}); mend "
                    f"certificate_file, key_file or "
                    "server_certificate_file"
                ) from exc
        await client.connect()
        self._client = client
        self._nodes = await self._found_nodes(client)

    async def _found_nodes(self, client: Client) -> dict[str, Any]:
        """Nodes by the tag the mapping sees: the node id as written, or the path below the folder."""
        found: dict[str, Any] = {}
        for text in self._settings.nodes:
            try:
                node = client.get_node(text)
                await node.read_browse_name()
            except (UaError, ValueError) as exc:
                raise FeedError(
                    f'{self._where()}: there is no node "{text}" ({type(exc).__name__}); mend nodes'
                ) from exc
            found[text] = node
        if self._settings.folder is not None:
            try:
                folder = client.get_node(self._settings.folder)
                await folder.read_browse_name()
            except (UaError, ValueError) as exc:
                raise FeedError(
                    f'{self._where()}: there is no folder "{self._settings.folder}" '
                    f"({type(exc).__name__}); mend folder"
                ) from exc
            await self._walk(folder, "", found)
        return found

    async def _walk(self, node: Any, path: str, found: dict[str, Any]) -> None:
        for child in await node.get_children():
            name = f"{path}{'/' if path else ''}{(await child.read_browse_name()).Name}"
            if len(found) >= MOST_NODES:
                raise FeedError(
                    f"{self._where()}: has over {MOST_NODES} variables below folder; name a narrower one"
                )
            if await child.read_node_class() == ua.NodeClass.Variable:
                found[name] = child
            elif name.count("/") < 8:
                await self._walk(child, name, found)

    def _session(self) -> Client:
        if self._client is None:
            raise FeedError(f"{self._where()} was closed")
        return self._client

    def _do(self, act: Coroutine[Any, Any, Answer], patience: float = 1.0) -> Answer:
        """Run something in the loop, and give its errors our words."""
        loop = self._loop
        if loop is None:
            act.close()
            raise FeedError(f"{self._where()} was closed")
        future = asyncio.run_coroutine_threadsafe(act, loop)
        try:
            return future.result(self._settings.timeout_s * (1 + patience))
        except FeedError:
            self.close()
            raise
        except (UaError, OSError, TimeoutError, FutureTimeout, asyncio.CancelledError, ValueError) as exc:
            future.cancel()
            self.close()
            raise self._in_words(exc) from exc

    def _where(self) -> str:
        return f"{self._name}: {self.describe()}"

    def _in_words(self, exc: BaseException) -> FeedError:
        said = type(exc).__name__ + (f": {exc}" if str(exc) else "")
        where = self._where()
        if any(word in said for word in ("UserAccessDenied", "IdentityToken")):
            return FeedError(f"{where} does not let us in ({said}); mend username or password_file")
        if any(
            word in said for word in ("Certificate", "SecurityPolicy", "SecurityChecks", "SecurityMode")
        ) or (isinstance(exc, UaError) and "No matching endpoints" in said):
            return FeedError(
                f"{where} does not accept our security ({said}); mend security, or let the server "
                f"trust our certificate"
            )
        if "HistoryOperationUnsupported" in said or "NotReadable" in said or "ServiceUnsupported" in said:
            return FeedError(
                f"{where}: keeps no history of a node ({said}); set history: false, or let it store values"
            )
        if "NodeId" in said:
            return FeedError(f"{where}: a node is gone ({said}); mend nodes or folder")
        return FeedError(f"{where} cannot be reached or broke off ({said[:200]}); it is tried again")


def _take(found: Gathering, tag: str, value: Any) -> None:
    at = value.SourceTimestamp or value.ServerTimestamp
    if at is None:
        return
    us = (at.replace(tzinfo=UTC) - _EPOCH) // _US if at.tzinfo is None else (at - _EPOCH) // _US
    code = value.StatusCode.value if value.StatusCode is not None else 0
    found.add(tag, us, None if value.Value is None else value.Value.Value, _LEVELS[code >> 30])


_LEVELS = {0: None, 1: "uncertain", 2: "bad", 3: "bad"}
"""Severity in the two top bits of a StatusCode (OPC 10000-4, 7.39); good needs no word."""


async def _cancel_all() -> None:
    own = asyncio.current_task()
    others = [task for task in asyncio.all_tasks() if task is not own]
    for task in others:
        task.cancel()
    await asyncio.wait(others, timeout=2.0) if others else None
