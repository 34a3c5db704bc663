"""Real receivers on this machine: an HTTP server and a mail server that do as they are told."""

from __future__ import annotations

import asyncio
import socket
import ssl
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, LoginPassword


@dataclass
class Request:
    """What came in."""

    path: str
    headers: dict[str, str]
    body: bytes
    at: float


Behaviour = Callable[[BaseHTTPRequestHandler], None]


def answer(status: int, text: str = "", **headers: str) -> Behaviour:
    def act(handler: BaseHTTPRequestHandler) -> None:
        handler.send_response(status)
        for name, value in headers.items():
            handler.send_header(name.replace("_", "-"), value)
        content = text.encode()
        handler.send_header("Content-Length", str(len(content)))
        handler.end_headers()
        handler.wfile.write(content)

    return act


def hang(seconds: float) -> Behaviour:
    return lambda handler: time.sleep(seconds)  # then the connection is closed without an answer


def trickle(status: int, seconds: float) -> Behaviour:
    """Sends the answer a byte at a time, so that no single wait is long."""

    def act(handler: BaseHTTPRequestHandler) -> None:
        for byte in f"HTTP/1.1 {status} Slow\r\nContent-Length: 1000\r\n\r\n".encode().ljust(1000):
            try:
                handler.wfile.write(bytes([byte]))
            except OSError:
                return
            time.sleep(seconds)

    return act


def drop(handler: BaseHTTPRequestHandler) -> None:
    """Close the connection after reading the request, as a process does that dies."""
    handler.close_connection = True


@dataclass
class HttpReceiver:
    """Takes posts; ``then`` says how each is answered in turn, the last for all that follow."""

    then: list[Behaviour] = field(default_factory=lambda: [answer(204)])
    requests: list[Request] = field(default_factory=list)
    tls: ssl.SSLContext | None = None
    port: int = 0

    def __enter__(self) -> HttpReceiver:
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
                receiver.requests.append(Request(self.path, dict(self.headers), body, time.time()))
                act = receiver.then[0]
                if len(receiver.then) > 1:
                    receiver.then.pop(0)
                act(self)

            do_GET = do_POST  # what a followed redirect would come as

            def log_message(self, *_: Any) -> None: ...

        class Server(ThreadingHTTPServer):
            daemon_threads = True
            request_queue_size = 64

            def handle_error(self, *_: Any) -> None: ...  # the sender hangs up on those who hang

        self.server = Server(("127.0.0.1", self.port), Handler)
        if self.tls is not None:
            self.server.socket = self.tls.wrap_socket(self.server.socket, server_side=True)
        self.port = self.server.server_address[1]
        self._thread = threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.server.shutdown()
        self.server.server_close()
        self._thread.join()

    @property
    def url(self) -> str:
        return f"{'https' if self.tls else 'http'}://127.0.0.1:{self.port}/hook"


def free_port() -> int:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        return int(taken.getsockname()[1])


@dataclass
class Letter:
    """A letter that was taken."""

    from_address: str
    to: list[str]
    content: bytes
    was_encrypted: bool
    user: str | None


@dataclass
class MailReceiver:
    """A mail server with STARTTLS and login.

    refused : address to the answer it gets instead of being taken
    refuse_data : answers to the first so many letters, after all addresses were taken
    """

    tls: ssl.SSLContext | None = None
    users: dict[str, str] = field(default_factory=dict)
    refused: dict[str, str] = field(default_factory=dict)
    refuse_data: list[str] = field(default_factory=list)
    hang_s: float = 0.0
    bad_login: str | None = None
    is_tls_from_start: bool = False
    letters: list[Letter] = field(default_factory=list)

    def __enter__(self) -> MailReceiver:
        self._controller = Controller(
            self,
            hostname="127.0.0.1",
            port=free_port(),
            ssl_context=self.tls if self.is_tls_from_start else None,
            tls_context=None if self.is_tls_from_start else self.tls,
            require_starttls=self.tls is not None and not self.is_tls_from_start,
            auth_required=bool(self.users),
            authenticator=self._login if self.users else None,
            auth_require_tls=not self.is_tls_from_start,  # it does not count that one as encrypted
        )
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._controller.stop()

    @property
    def port(self) -> int:
        return int(self._controller.port)

    def _login(self, server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
        assert isinstance(data, LoginPassword)
        user, password = data.login.decode(), data.password.decode()
        if self.users.get(user) == password:
            return AuthResult(success=True, auth_data=user)
        return AuthResult(success=False, handled=False, message=self.bad_login)

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:
        if address in self.refused:
            return self.refused[address]
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:
        if self.hang_s:
            await asyncio.sleep(self.hang_s)
        if self.refuse_data:
            return self.refuse_data.pop(0)
        self.letters.append(
            Letter(
                envelope.mail_from,
                list(envelope.rcpt_tos),
                envelope.content,
                session.ssl is not None or self.is_tls_from_start,
                session.auth_data,
            )
        )
        return "250 taken"
