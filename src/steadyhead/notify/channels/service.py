"""Sends a short message by any of the services the apprise library knows."""

from __future__ import annotations

import logging
from dataclasses import dataclass

import apprise

from steadyhead.errors import NotifyError
from steadyhead.notify.channel_settings import Service
from steadyhead.notify.channels.base import NotTakenError
from steadyhead.notify.message import Message, worst_first
from steadyhead.notify.words import Manner, short_text, subject

_TYPES = {"high": apprise.NotifyType.FAILURE, "medium": apprise.NotifyType.WARNING}
_CONNECT_SHARE = 0.4  # of the time there is: a receiver that cannot be reached is known sooner

# The addresses of services are secrets, and these libraries write addresses to the log when asked for detail.
_TALKATIVE = ("apprise", "urllib3", "requests", "requests_oauthlib", "oauthlib")


@dataclass(frozen=True, slots=True)
class ServiceSending:
    """Sends by one service of the settings."""

    settings: Service

    def send(self, message: Message, manner: Manner) -> None:
        """See ``Sending``. Taken means that the service answered so.

        The library does not say what a service answered, so the text of a failure cannot either.
        """
        _hush()
        url, timeout_s = self.settings.url_from.read(), self.settings.timeout_s
        asset = apprise.AppriseAsset(
            app_id="Steadyhead",
            app_desc="Steadyhead",
            app_url="",
            http_redirects=False,
            secure_logging=True,
            storage_mode=apprise.PersistentStoreMode.MEMORY,
            async_mode=False,
        )
        # Not strict: with its own time-out the library may go on in the background after it has given up.
        plugin = apprise.Apprise.instantiate(url, asset=asset, suppress_exceptions=True)
        if plugin is None:
            raise NotifyError("the address in url_from is none that the apprise library knows; see its list")
        plugin.socket_connect_timeout = timeout_s * _CONNECT_SHARE
        plugin.socket_read_timeout = timeout_s * (1 - _CONNECT_SHARE)
        urgency = worst_first(message.items)[0].priority if message.items else "low"
        try:
            is_taken = plugin.notify(
                body=f"{short_text(message, manner)}\n(message {message.token[:8]})",
                title=subject(message),
                notify_type=_TYPES.get(urgency, apprise.NotifyType.INFO),
                body_format=apprise.NotifyFormat.TEXT,
            )
        except Exception as exc:
            raise NotTakenError(f"the {plugin.service_name} service failed ({type(exc).__name__})") from None
        if not is_taken:
            raise NotTakenError(f"the {plugin.service_name} service did not take it, or not in time")


def _hush() -> None:
    for name in _TALKATIVE:
        logger = logging.getLogger(name)
        if logger.getEffectiveLevel() < logging.WARNING:
            logger.setLevel(logging.WARNING)
