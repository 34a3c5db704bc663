"""The channel a setting describes, ready to send."""

from __future__ import annotations

from steadyhead.notify.channel_settings import AnyChannel, Email, WebHook
from steadyhead.notify.channels.base import Sending
from steadyhead.notify.channels.email import EmailSending
from steadyhead.notify.channels.web_hook import WebHookSending


def open_channel(settings: AnyChannel) -> Sending:
    """What sends by this channel; nothing is reached or read yet."""
    if isinstance(settings, WebHook):
        return WebHookSending(settings)
    if isinstance(settings, Email):
        return EmailSending(settings)
    from steadyhead.notify.channels.service import ServiceSending

    return ServiceSending(settings)
