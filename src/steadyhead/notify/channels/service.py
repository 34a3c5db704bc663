"""Sends a short message by any of the services the apprise library knows."""

from __future__ import annotations

import logging
import re
import threading
from dataclasses import dataclass
from typing import Any
from urllib.parse import unquote

import apprise

from steadyhead.errors import NotifyError
from steadyhead.notify.channel_settings import Service
from steadyhead.notify.channels.base import NotTakenError
from steadyhead.notify.message import Message, worst_first
from steadyhead.notify.secret import blotted
from steadyhead.notify.words import Manner, short_text, subject

_TYPES = {"high": apprise.NotifyType.FAILURE, "medium": apprise.NotifyType.WARNING}
_CONNECT_SHARE = 0.4  # of the time there is: a receiver that cannot be reached is known sooner
_SAID_CHARACTERS = 300
_TALKATIVE = ("urllib3", "requests", "requests_oauthlib", "oauthlib")  # they log addresses in detail


@dataclass(frozen=True, slots=True)
class ServiceSending:
    """Sends by one service of the settings."""

    settings: Service

    def send(self, message: Message, manner: Manner) -> None:
        """See ``Sending``. Taken means that the library says so."""
        url, timeout_s = self.settings.url_from.read(), self.settings.timeout_s
        urgency = worst_first(message.items)[0].priority if message.items else "low"
        with _Heard(url) as heard:
            plugin = _plugin(url)
            if plugin is None:
                raise NotifyError(
                    "the address in url_from is none that the apprise library knows; see its list of services"
                )
            plugin.socket_connect_timeout = timeout_s * _CONNECT_SHARE
            plugin.socket_read_timeout = timeout_s * (1 - _CONNECT_SHARE)
            try:
                is_taken = plugin.notify(
                    body=f"{short_text(message, manner)}\n(message {message.token[:8]})",
                    title=subject(message),
                    notify_type=_TYPES.get(urgency, apprise.NotifyType.INFO),
                    body_format=apprise.NotifyFormat.TEXT,
                )
            except Exception as exc:  # a plug-in for each service, each with errors of its own
                raise NotTakenError(heard.told(f"the service failed ({type(exc).__name__})")) from None
            if not is_taken:
                raise NotTakenError(heard.told("the service did not take it, or not in time"))


def _plugin(url: str) -> Any:
    """What sends to this address; None if the library does not know it."""
    asset = apprise.AppriseAsset(
        app_id="Steadyhead",
        app_desc="Steadyhead",
        app_url="",
        http_redirects=False,
        secure_logging=True,
        storage_mode=apprise.PersistentStoreMode.MEMORY,
        async_mode=False,
    )
    return apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)


class _Heard(logging.Handler):
    """What the library logs about one sending. The log itself gets none of it: it may hold the address."""

    def __init__(self, url: str) -> None:
        super().__init__(logging.WARNING)
        self._secrets = _parts(url)
        self._thread = threading.get_ident()
        self._lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep a line of this thread."""
        if record.thread == self._thread:
            self._lines.append(" ".join(blotted(record.getMessage(), self._secrets).split()))

    def told(self, text: str) -> str:
        """The text, and what was heard."""
        heard = " ".join(self._lines)[:_SAID_CHARACTERS]
        return f"{text}: {heard}" if heard else text

    def __enter__(self) -> _Heard:
        for name in _TALKATIVE:
            logging.getLogger(name).setLevel(logging.ERROR)
        logger = logging.getLogger("apprise")
        logger.propagate = False
        logger.setLevel(logging.WARNING)
        logger.addHandler(self)
        return self

    def __exit__(self, *_: object) -> None:
        logging.getLogger("apprise").removeHandler(self)


def _parts(url: str) -> tuple[str, ...]:
    """The address and all its parts after the scheme: in some services the host is the secret."""
    rest = url.partition("://")[2]
    parts = [url, rest, *re.split(r"[/?&=:@,]+", rest)]
    return tuple({form for part in parts for form in (part, unquote(part))})
