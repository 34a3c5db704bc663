"""A session with an OPC UA server by asyncua: its loop, in its own thread, and its errors in our words."""

from __future__ import annotations

import asyncio
import contextlib
import logging
import threading
from collections.abc import Coroutine
from concurrent.futures import TimeoutError as FutureTimeout
from typing import Any, TypeVar

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies
from asyncua.ua.uaerrors import UaError

from steadyhead.errors import FeedError
from steadyhead.feeds.settings import OpcUaSettings, read_secret

Answer = TypeVar("Answer")
logging.getLogger("asyncua").setLevel(logging.CRITICAL)  # what it meets is said in our words

MOST_NODES = 10_000
_POLICIES: dict[str, Any] = {
    "Basic256Sha256": security_policies.SecurityPolicyBasic256Sha256,
    "Aes128Sha256RsaOaep": security_policies.SecurityPolicyAes128Sha256RsaOaep,
    "Aes256Sha256RsaPss": security_policies.SecurityPolicyAes256Sha256RsaPss,
}


class OpcUaSession:
    """One session, begun when it is first asked for and gone after any error.

    nodes : what is to be read, by the tag that the mapping sees
    """

    def __init__(self, name: str, settings: OpcUaSettings) -> None:
        self._name, self._settings = name, settings
        self.where = f"{name}: OPC UA {settings.url}"
        self.nodes: dict[str, Any] = {}
        self._client: Client | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._thread: threading.Thread | None = None

    def close(self) -> None:
        """Let go of the session, its loop and its thread."""
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

    def connect(self) -> None:
        """Begin the session, if there is none. Raises FeedError."""
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
        self.do(self._enter(client), patience=3.0)

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
        self.nodes = await self._found_nodes(client)

    async def _found_nodes(self, client: Client) -> dict[str, Any]:
        """Nodes by the tag the mapping sees: the node id as written, or the path below the folder."""
        found: dict[str, Any] = {}
        for text in self._settings.nodes:
            try:
                node = client.get_node(text)
                await node.read_browse_name()
            except (UaError, ValueError) as exc:
                raise FeedError(
                    f'{self.where}: there is no node "{text}" ({type(exc).__name__}); mend nodes'
                ) from exc
            found[text] = node
        if self._settings.folder is not None:
            try:
                folder = client.get_node(self._settings.folder)
                await folder.read_browse_name()
            except (UaError, ValueError) as exc:
                raise FeedError(
                    f'{self.where}: there is no folder "{self._settings.folder}" '
                    f"({type(exc).__name__}); mend folder"
                ) from exc
            await self._walk(folder, "", found)
        return found

    async def _walk(self, node: Any, path: str, found: dict[str, Any]) -> None:
        for child in await node.get_children():
            name = f"{path}{'/' if path else ''}{(await child.read_browse_name()).Name}"
            if len(found) >= MOST_NODES:
                raise FeedError(
                    f"{self.where}: has over {MOST_NODES} variables below folder; name a narrower one"
                )
            if await child.read_node_class() == ua.NodeClass.Variable:
                found[name] = child
            elif name.count("/") < 8:
                await self._walk(child, name, found)

    @property
    def client(self) -> Client:
        """The session of asyncua. Raises FeedError if it was closed."""
        if self._client is None:
            raise FeedError(f"{self.where} was closed")
        return self._client

    def do(self, act: Coroutine[Any, Any, Answer], patience: float = 1.0) -> Answer:
        """Run something in the loop, and give its errors our words."""
        loop = self._loop
        if loop is None:
            act.close()
            raise FeedError(f"{self.where} was closed")
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

    def _in_words(self, exc: BaseException) -> FeedError:
        said = type(exc).__name__ + (f": {exc}" if str(exc) else "")
        where = self.where
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
        return FeedError(
            f"{where} cannot be reached or broke off ({said[:200]}); check url and the network; it is "
            "tried again"
        )


async def _cancel_all() -> None:
    own = asyncio.current_task()
    others = [task for task in asyncio.all_tasks() if task is not own]
    for task in others:
        task.cancel()
    await asyncio.wait(others, timeout=2.0) if others else None
