"""A connection to an MQTT broker by paho-mqtt: being let in, and what keeps us out, in words.

Readings come in and alerts go out through it alike.
"""

from __future__ import annotations

import queue
import ssl
import threading
from collections.abc import Callable
from typing import Any

import paho.mqtt.client as paho

from steadyhead.errors import FeedError
from steadyhead.feeds.settings import Broker, read_secret

CONNECT_S = 10.0
KEEP_ALIVE_S = 20


class Link:
    """One connection. Errors begin with ``where``.

    on_lost : called with the reason when the connection is gone, from paho's thread
    """

    def __init__(
        self, client: paho.Client, settings: Broker, where: str,
        on_lost: Callable[[str], None] | None = None,
    ) -> None:  # fmt: skip
        self.client, self.where = client, where
        self.lost = threading.Event()
        self._settings, self._on_lost = settings, on_lost
        self._answers: queue.Queue[Any] = queue.Queue()
        client.on_connect = client.on_subscribe = lambda *said: self._answers.put(said[3])
        client.on_disconnect = lambda *said: self._gone(str(said[3]))

    def connect(self, **more: Any) -> None:
        """Connect and be let in. ``more`` goes to paho's connect. Raises FeedError."""
        settings, client, where = self._settings, self.client, self.where
        if settings.username is not None:
            file = settings.password_file
            client.username_pw_set(settings.username, None if file is None else read_secret(file, "password"))
        context = self._context() if settings.tls else None
        if context is not None:
            client.tls_set_context(context)
        try:
            client.connect(settings.host, settings.port, KEEP_ALIVE_S, **more)
        except ssl.SSLError as exc:
            self.close()
            said = getattr(exc, "verify_message", None) or exc.reason or str(exc)
            raise FeedError(f"{where}: TLS failed ({said}); {_tls_remedy(exc, settings)}") from exc
        except (OSError, ValueError) as exc:
            self.close()
            what = "host, port and tls" if settings.tls else "host and port"
            raise FeedError(f"{where} cannot be reached ({exc}); check {what}; it is tried again") from exc
        finally:
            if context is not None:
                context.close_failed(client.socket())
        client.loop_start()
        reason = self.answer()
        if reason.is_failure:
            self.close()
            raise FeedError(
                f"{where} does not let us in ({reason}); mend username, password_file or client_id"
            )

    def answer(self) -> Any:
        """The broker's next answer. Raises FeedError if there is none."""
        try:
            met = self._answers.get(timeout=CONNECT_S)
        except queue.Empty:
            met = None
        if met is None or isinstance(met, str):
            self.close()
        if met is None:
            raise FeedError(f"{self.where} does not answer within {CONNECT_S:g} s; it is tried again")
        if isinstance(met, str):
            wants = (
                "set tls: true if it speaks TLS there"
                if not self._settings.tls
                else "name certificate_file and key_file if it asks for a certificate of ours, or mend them"
            )
            raise FeedError(f"{self.where} closed the connection at once ({met}); {wants}; it is tried again")
        return met

    def close(self) -> None:
        """Let go, of what is called back too: else client and callbacks hold each other and its sockets."""
        client = self.client
        client.on_disconnect = client.on_connect = client.on_subscribe = None
        client.disconnect()
        client.loop_stop()
        client.on_message = None

    def _gone(self, reason: str) -> None:
        self.lost.set()
        self._answers.put(reason)
        if self._on_lost is not None:
            self._on_lost(reason)

    def _context(self) -> _Context:
        settings = self._settings
        context = _Context(ssl.PROTOCOL_TLS_CLIENT)
        name, path = "ca_file", settings.ca_file
        try:
            if path is None:
                context.load_default_certs()
            else:
                context.load_verify_locations(str(path))
            if settings.certificate_file is not None:
                name, path = "certificate_file or key_file", settings.certificate_file
                key = None if settings.key_file is None else str(settings.key_file)
                context.load_cert_chain(str(path), key)
        except (OSError, ValueError) as exc:
            raise FeedError(
                f"{self.where}: a file for TLS cannot be used ({path}: {exc}); mend {name}"
            ) from exc
        return context


class _Context(ssl.SSLContext):
    """Remembers the socket it made, since paho leaves it open when the handshake fails."""

    _made: ssl.SSLSocket | None = None

    def wrap_socket(self, *arguments: Any, **named: Any) -> ssl.SSLSocket:
        """See ssl.SSLContext."""
        self._made = super().wrap_socket(*arguments, **named)
        return self._made

    def close_failed(self, in_use: Any) -> None:
        """Close the socket that was made, unless it is in use."""
        made, self._made = self._made, None
        if made is not None and made is not in_use:
            made.close()


def _tls_remedy(exc: ssl.SSLError, settings: Broker) -> str:
    reason = str(exc.reason or "")
    if "VERIFY" in reason:
        if "mismatch" in str(getattr(exc, "verify_message", "")).lower():
            return (
                f"{settings.host} is not the name in the broker's certificate; mend host, or the certificate"
            )
        return "mend ca_file: it must hold the authority that signed the broker's certificate"
    if "WRONG_VERSION" in reason or "RECORD" in reason:
        return "nothing speaks TLS there; mend port, or set tls: false"
    return "mend tls, ca_file, certificate_file or key_file"
