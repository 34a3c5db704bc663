"""A message that tells of no alert, to see whether a channel works."""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable

from steadyhead.errors import DeliveryError, NotifyError
from steadyhead.notify.channels.opening import open_channel
from steadyhead.notify.message import Message
from steadyhead.notify.settings import NotifySettings
from steadyhead.notify.words import Manner

UNREACHABLE = (
    "check that the receiver runs, that address and port of the channel in the settings are right, and that "
    "no firewall stands between; then test again"
)


def send_test(settings: NotifySettings, channel: str, clock: Callable[[], float] = time.time) -> None:
    """Send a test message now, once; return when the receiver has taken it.

    Rules and quiet hours do not count, and nothing is written to the outbox.
    Raises NotifyError if there is no such channel, its secrets cannot be read, or the receiver does not take
    it; the text says which.
    """
    found = settings.channels.get(channel)
    if found is None:
        known = ", ".join(settings.channels) or "none"
        raise NotifyError(f'there is no channel "{channel}" in the settings; there are: {known}')
    message = Message(f"test:{channel}:{secrets.token_hex(8)}", int(clock()), (), kind="test")
    manner = Manner(settings.public_url, settings.with_checks, found.list_at_most)
    try:
        open_channel(found).send(message, manner)
    except DeliveryError as exc:
        if "cannot be reached" not in str(exc):
            raise  # it has answered, and said itself what is wrong
        raise NotifyError(f"{exc}; {UNREACHABLE}") from exc
