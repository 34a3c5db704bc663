"""Sends a message by a mail server, as plain text with a simple HTML twin."""

from __future__ import annotations

import base64
import smtplib
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from email.headerregistry import Address
from email.message import EmailMessage
from email.utils import format_datetime, parseaddr
from typing import Any

from steadyhead.alerts.model import utc
from steadyhead.notify.channel_settings import ANSWERS_WAITED_FOR, Email
from steadyhead.notify.channels.base import NotTakenError
from steadyhead.notify.channels.deadline import Deadline
from steadyhead.notify.channels.tls import trust
from steadyhead.notify.message import Message
from steadyhead.notify.secret import blotted
from steadyhead.notify.words import Manner, as_html, as_text, blocks, subject

_SAID_CHARACTERS = 200
_READY = 220  # RFC 5321: service ready


def letter(message: Message, manner: Manner, from_address: str, to: tuple[str, ...]) -> EmailMessage:
    """The e-mail; Message-ID and Date are the same at every try, so that a repeated one can be known."""
    parts = blocks(message, manner)
    domain = parseaddr(from_address)[1].rpartition("@")[2]
    mail = EmailMessage()
    mail["From"] = _address(from_address)
    mail["To"] = [_address(address) for address in to]
    mail["Subject"] = subject(message)
    mail["Date"] = format_datetime(utc(message.made_s))
    mail["Message-ID"] = f"<{message.token}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: absence notices are not wanted in answer
    if any(item.priority == "high" for item in message.items):
        mail["Importance"] = "high"
    mail.set_content(as_text(parts))
    mail.add_alternative(as_html(parts, subject(message)), subtype="html")
    mail.set_boundary(f"={message.token}=")  # a chosen one would differ from try to try
    return mail


class _Watching:
    """Hands the socket to a deadline before the server has said its first word."""

    _host: str

    def __init__(self, deadline: Deadline, **how: Any) -> None:
        self._deadline = deadline
        super().__init__(**how)

    def _get_socket(self, *where: Any) -> Any:
        connected = super()._get_socket(*where)  # type: ignore[misc]  # of smtplib, which has no other seam
        self._deadline.watch(connected)
        return connected


class _Watched(_Watching, smtplib.SMTP): ...


class _WatchedTls(_Watching, smtplib.SMTP_SSL): ...


@dataclass(frozen=True, slots=True)
class EmailSending:
    """Sends by one mail server of the settings."""

    settings: Email

    def send(self, message: Message, manner: Manner) -> None:
        """See ``Sending``. Taken means that the server took it for every address.

        If it took it for some only, the others are tried again, and those some are not.
        """
        to = tuple(address for address in self.settings.to if address not in message.done)
        if not to:
            return
        # Every try shows all addresses, so that the letter is the same; only who it goes to differs.
        mail = letter(message, manner, self.settings.from_address, self.settings.to)
        password = self.settings.password.read() if self.settings.password is not None else None
        try:
            refused = self._hand_over(mail, to, password)
        except (OSError, smtplib.SMTPException, ssl.SSLError, ValueError) as exc:
            raise self._not_taken(exc, password) from None
        if refused:
            done = tuple(address for address in to if _bare(address) not in refused)
            texts = "; ".join(f"{address}: {_said(code, text)}" for address, (code, text) in refused.items())
            text = f"{self._where()} refused some addresses: {texts}"
            raise NotTakenError(blotted(text, _hidden(self.settings.user, password)), done=done)

    def _hand_over(
        self, mail: EmailMessage, to: tuple[str, ...], password: str | None
    ) -> dict[str, tuple[int, bytes]]:
        """The addresses the server refused, with its answers; empty if it took the letter for all."""
        with self._server() as server:
            if self.settings.user is not None and password is not None:
                server.login(self.settings.user, password)
            refused: dict[str, tuple[int, bytes]] = server.send_message(
                mail, _bare(self.settings.from_address), [_bare(address) for address in to]
            )
            return refused

    @contextmanager
    def _server(self) -> Iterator[smtplib.SMTP]:
        host, port, timeout_s = self.settings.host, self.settings.port_number(), self.settings.timeout_s
        with Deadline(timeout_s * ANSWERS_WAITED_FOR) as deadline:
            server: _Watched | _WatchedTls
            if self.settings.security == "tls":
                server = _WatchedTls(deadline, timeout=timeout_s, context=trust(self.settings.ca_file))
            else:
                server = _Watched(deadline, timeout=timeout_s)
            server._host = host  # the name that certificates are checked against; see smtplib.SMTP.connect
            code, said = server.connect(host, port)
            if code != _READY:
                server.close()
                raise smtplib.SMTPConnectError(code, said)
            try:
                if self.settings.security == "starttls":
                    server.starttls(context=trust(self.settings.ca_file))  # raises if the server cannot
                    deadline.watch(server.sock)
                yield server
            finally:
                # What it has taken it has taken: a failure to say good-bye changes nothing.
                try:
                    server.quit()
                except (OSError, smtplib.SMTPException):
                    server.close()

    def _where(self) -> str:
        return f"{self.settings.host}:{self.settings.port_number()}"

    def _not_taken(self, exc: Exception, password: str | None) -> NotTakenError:
        where = self._where()
        if isinstance(exc, smtplib.SMTPRecipientsRefused):
            texts = "; ".join(f"{who}: {_said(*answer)}" for who, answer in exc.recipients.items())
            text = f"{where} refused every address: {texts}"
        elif isinstance(exc, smtplib.SMTPResponseException):
            text = f"{where} answered {_said(exc.smtp_code, exc.smtp_error)}"
        elif isinstance(exc, TimeoutError) or isinstance(exc.__context__, TimeoutError):
            text = f"{where} did not answer within {self.settings.timeout_s:g} s"
        elif isinstance(exc, smtplib.SMTPException):
            text = f"{where}: {exc or type(exc).__name__}"
        else:
            reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
            text = f"{where} cannot be reached ({reason or type(exc).__name__})"
        return NotTakenError(blotted(text, _hidden(self.settings.user, password)))


def _address(text: str) -> Address:
    name, bare = parseaddr(text)
    return Address(name, addr_spec=bare)


def _bare(text: str) -> str:
    return parseaddr(text)[1]


def _said(code: int, text: bytes | str) -> str:
    words = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    return f"{code} {' '.join(words.split())[:_SAID_CHARACTERS]}"


def _hidden(user: str | None, password: str | None) -> tuple[str, ...]:
    """The password, also as the ways of logging in encode it, in case a server repeats what it was sent."""
    if password is None:
        return ()
    raw = (password.encode("utf-8"), f"\0{user}\0{password}".encode())
    return (password, *(base64.b64encode(text).decode("ascii") for text in raw))
