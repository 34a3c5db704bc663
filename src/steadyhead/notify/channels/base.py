"""What every channel does, and how it says that it could not."""

from __future__ import annotations

from typing import Protocol

from steadyhead.errors import DeliveryError
from steadyhead.notify.message import Message
from steadyhead.notify.words import Manner


class Sending(Protocol):
    """A channel that is ready to send."""

    def send(self, message: Message, manner: Manner) -> None:
        """Hand the message to the receiver; return only when it has said that it took it.

        Raises NotTakenError if it did not, or did not say so in time, and NotifyError if a secret that is
        needed cannot be read. Neither text holds a secret.
        """


class NotTakenError(DeliveryError):
    """A receiver did not take a message.

    retry_after_s : how long the receiver asked to be left alone, if it did
    done : addresses that took it all the same; they are not sent it again
    """

    def __init__(self, text: str, *, retry_after_s: float | None = None, done: tuple[str, ...] = ()) -> None:
        super().__init__(text)
        self.retry_after_s = retry_after_s
        self.done = done
