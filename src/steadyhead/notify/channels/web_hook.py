"""Posts a message as JSON to a URL, signed if a key is given.

The URL comes from the settings alone. Redirects are not followed, so a receiver cannot steer a message and
its headers elsewhere, and no proxy is taken from the environment.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import http.client
import json
from dataclasses import dataclass
from urllib.parse import SplitResult, urlsplit

from steadyhead.alerts.jsonlines import rfc3339
from steadyhead.alerts.model import utc
from steadyhead.errors import NotifyError
from steadyhead.notify.channel_settings import WebHook
from steadyhead.notify.channels.base import NotTakenError
from steadyhead.notify.channels.deadline import Deadline
from steadyhead.notify.channels.tls import trust
from steadyhead.notify.fields import web_url
from steadyhead.notify.message import Message, link, token
from steadyhead.notify.secret import blotted
from steadyhead.notify.words import Manner

_HEARD_BYTES = 4_096  # of an answer, more is not read
_SAID_CHARACTERS = 200  # of a refusal, more is not kept
_SHORTEST_PART = 8  # of a header: the word after "Bearer" is the secret, that word is none
_LONGEST_ASKED_S = 86_400.0


def body(message: Message, manner: Manner) -> bytes:
    """The JSON that is posted; the same bytes at every try of a message."""
    changes = [
        {
            "key": token(item.key),
            "change": item.change,
            "at": rfc3339(utc(item.at_s)),
            "zone": item.zone,
            "sheet": link(manner.public_url, item.alert["alert_id"]),
            "alert": dict(item.alert),
        }
        for item in message.items
    ]
    plain = {
        "kind": message.kind,
        "key": message.token,
        "made_at": rfc3339(utc(message.made_s)),
        "changes": changes,
    }
    return json.dumps(plain, ensure_ascii=False, allow_nan=False, separators=(",", ":")).encode("utf-8")


def signature(key: str, made_s: int, content: bytes) -> str:
    """``sha256=`` and the HMAC-SHA256 (RFC 2104), in hex, of "<made_s>.<content>" under the key (UTF-8)."""
    signed = f"{made_s}.".encode() + content
    return "sha256=" + hmac.new(key.encode("utf-8"), signed, hashlib.sha256).hexdigest()


@dataclass(frozen=True, slots=True)
class WebHookSending:
    """Sends by one web hook of the settings."""

    settings: WebHook

    def send(self, message: Message, manner: Manner) -> None:
        """See ``Sending``. Taken means an answer from 200 to 299 in time."""
        url, secrets = self._url()
        headers = {
            "Content-Type": "application/json",
            "User-Agent": "steadyhead",
            "Idempotency-Key": f'"{message.token}"',
            "Connection": "close",
        }
        content = body(message, manner)
        if self.settings.sign_with is not None:
            key = self.settings.sign_with.read()
            secrets.append(key)
            headers["Steadyhead-Time"] = str(message.made_s)
            headers["Steadyhead-Signature"] = signature(key, message.made_s, content)
        for header in self.settings.headers:
            value = header.from_.read()
            secrets += [value, *(part for part in value.split() if len(part) >= _SHORTEST_PART)]
            headers[header.name] = _header_value(header.name, value)
        try:
            self._post(urlsplit(url), headers, content)
        except NotTakenError as exc:
            raise NotTakenError(blotted(str(exc), tuple(secrets)), retry_after_s=exc.retry_after_s) from None

    def _url(self) -> tuple[str, list[str]]:
        if self.settings.url_from is None:
            return str(self.settings.url), []
        url = self.settings.url_from.read()
        try:
            web_url(url)
        except ValueError as exc:
            raise NotifyError(f"the address in url_from {exc}") from None
        parts = urlsplit(url)
        return url, [url, f"{parts.path}?{parts.query}", parts.path, parts.query]

    def _post(self, url: SplitResult, headers: dict[str, str], content: bytes) -> None:
        host = f"{url.hostname}:{url.port or {'http': 80, 'https': 443}[url.scheme]}"
        timeout_s = self.settings.timeout_s
        connection = self._connection(url)
        with Deadline(timeout_s) as deadline:
            try:
                connection.connect()
                deadline.watch(connection.sock)
                target = (url.path or "/") + (f"?{url.query}" if url.query else "")
                connection.request("POST", target, content, headers)
                _judge(connection.getresponse(), host)
            except (OSError, http.client.HTTPException, ValueError) as exc:
                if deadline.is_over or isinstance(exc, TimeoutError):
                    raise NotTakenError(f"{host} did not answer within {timeout_s:g} s") from None
                raise NotTakenError(f"{host} cannot be reached ({_reason(exc)})") from None
            finally:
                connection.close()

    def _connection(self, url: SplitResult) -> http.client.HTTPConnection:
        host, timeout_s = url.hostname or "", self.settings.timeout_s
        if url.scheme == "https":
            context = trust(self.settings.ca_file)
            return http.client.HTTPSConnection(host, url.port, timeout=timeout_s, context=context)
        return http.client.HTTPConnection(host, url.port, timeout=timeout_s)


def _judge(answer: http.client.HTTPResponse, host: str) -> None:
    """Nothing for a message that was taken; NotTakenError for one that was not."""
    if 200 <= answer.status <= 299:  # the receiver's word; if its text then breaks off, it stands
        with contextlib.suppress(OSError, http.client.HTTPException):
            answer.read(_HEARD_BYTES)
        return
    if 300 <= answer.status <= 399:
        raise NotTakenError(
            f"{host} answered {answer.status}, a redirect, which is not followed; give the final URL"
        )
    said = " ".join(answer.read(_HEARD_BYTES).decode("utf-8", "replace").split())[:_SAID_CHARACTERS]
    raise NotTakenError(
        f"{host} answered {answer.status} {answer.reason}" + (f': "{said}"' if said else ""),
        retry_after_s=_asked_wait_s(answer.getheader("Retry-After")),
    )


def _header_value(name: str, value: str) -> str:
    if not (value.isascii() and value.isprintable()):  # the library's own complaint would quote it
        raise NotifyError(f"the secret of header {name} has characters a header cannot hold; mend it")
    return value


def _asked_wait_s(text: str | None) -> float | None:
    """Seconds of a Retry-After header; its other form, a date, is not understood and is None."""
    if text is None or not text.strip().isdigit():
        return None
    return min(float(text.strip()), _LONGEST_ASKED_S)


def _reason(exc: Exception) -> str:
    if isinstance(exc, OSError) and exc.strerror:
        return exc.strerror
    return str(exc) or type(exc).__name__
