"""What the settings say of a channel."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from steadyhead.alerts.model import PRIORITIES, Priority
from steadyhead.config.fields import DAYS
from steadyhead.config.marked_yaml import Keys
from steadyhead.config.mistakes import ModelError
from steadyhead.config.source import Part
from steadyhead.notify.fields import Address, Addresses, Seconds, Url
from steadyhead.notify.hours import Hours
from steadyhead.notify.secret import Secret

ANSWERS_WAITED_FOR = 5  # a conversation of several answers may take this many times the time for one
_SPARE_S = 20.0  # for finding an address by name, and for a busy machine
_HEADER = re.compile(r"[A-Za-z][A-Za-z0-9-]{0,60}\Z")
_OWN_HEADERS = (
    *("connection", "content-length", "content-type", "host", "idempotency-key", "transfer-encoding"),
    *("steadyhead-signature", "steadyhead-time", "user-agent"),
)


class Quiet(Hours):
    """Hours in which a person or a channel is left alone.

    then : what happens to a message meanwhile: "delay" it until the hours are over, or "drop" it
    lets_through : least priority that is sent all the same; "none" holds back everything
    """

    then: Literal["delay", "drop"] = "delay"
    lets_through: Literal["low", "medium", "high", "none"] = "high"

    @model_validator(mode="after")
    def _ends(self) -> Self:
        if self.from_time == self.to_time and len(self.days) == len(DAYS):
            raise ValueError("lasts the whole week, so nothing would be sent; remove the channel or person")
        return self

    def holds(self, priority: Priority) -> bool:
        """Whether a message of this priority is held back."""
        through = self.lets_through
        return through == "none" or PRIORITIES.index(priority) < PRIORITIES.index(through)


class Channel(Part):
    """What all channels share.

    quiet : hours in which this channel is left alone
    gather_over : messages in ten minutes after which a flood is gathered: then one message a minute at most,
        with a list; 0 gathers always, None never
    list_at_most : alerts listed in such a message; how many more there are is said below the list
    timeout_s : longest time for the receiver to answer at all
    """

    quiet: Quiet | None = None
    gather_over: Annotated[int, Field(ge=0, le=1000)] | None = 5
    list_at_most: Annotated[int, Field(ge=1, le=200)] = 30
    timeout_s: Seconds = 10.0

    @property
    def longest_send_s(self) -> float:
        """No sending takes longer; after that, a message that was being sent is free to be tried again."""
        return self.timeout_s * ANSWERS_WAITED_FOR + _SPARE_S


class Header(Part):
    """A header to send along whose value is a secret."""

    name: str
    from_: Secret = Field(alias="from")

    @model_validator(mode="after")
    def _may_be_set(self) -> Self:
        if not _HEADER.match(self.name) or self.name.casefold() in _OWN_HEADERS:
            raise ModelError([(("name",), f'"{self.name}" cannot be set; use one such as Authorization')])
        return self


class WebHook(Channel):
    """The alert as JSON, posted to a URL.

    url : where to; or ``url_from`` where the URL itself is a secret
    sign_with : key of the HMAC-SHA256 signature; without it there is none
    headers : more headers, such as Authorization
    ca_file : certificates to trust in place of the system's, for a receiver with a certificate of your own
    """

    url: Url | None = None
    url_from: Secret | None = None
    sign_with: Secret | None = None
    headers: tuple[Header, ...] = ()
    ca_file: Path | None = None
    gather_over: Annotated[int, Field(ge=0, le=1000)] | None = None

    @model_validator(mode="after")
    def _one_url(self) -> Self:
        if (self.url is None) == (self.url_from is None):
            raise ValueError("needs one address; give either url: or, where it is a secret, url_from:")
        return self


class Email(Channel):
    """E-mail through a mail server.

    security : "starttls" (usual, port 587), "tls" from the first byte (port 465), or "none"
    user, password : how to log in; only over an encrypted connection
    from, to : addresses
    ca_file : certificates to trust in place of the system's
    timeout_s : longest time for each answer of the server. RFC 5321 lets it take minutes over the last one,
        and who leaves earlier may send a letter twice
    """

    host: str = Field(min_length=1)
    port: Annotated[int, Field(ge=1, le=65535)] | None = None
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str | None = None
    password: Secret | None = None
    from_address: Address = Field(alias="from")
    to: Addresses
    ca_file: Path | None = None
    timeout_s: Seconds = 60.0

    @model_validator(mode="after")
    def _login_is_whole_and_safe(self) -> Self:
        found: list[tuple[Keys, str]] = []
        if (self.user is None) != (self.password is None):
            found.append((("user",), "needs a password, and a password a user; give both or neither"))
        if self.user is not None and self.security == "none":
            found.append((("security",), 'is none, so the password would travel in clear; use "starttls"'))
        if found:
            raise ModelError(found)
        return self

    def port_number(self) -> int:
        """The port, or the usual one for the kind of security."""
        return self.port or {"starttls": 587, "tls": 465, "none": 25}[self.security]


class Service(Channel):
    """Any of the many services that the apprise library knows, by its URL, which always holds a secret."""

    url_from: Secret
    timeout_s: Seconds = 20.0


AnyChannel = WebHook | Email | Service
