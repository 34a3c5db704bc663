"""Settings of access and of the HTTP side; all have a default."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

HOUR_S = 3600


class AccessSettings(BaseModel):
    """How long people stay signed in, and how often anybody may ask.

    session_hours : a session ends so long after it began, whatever happens
    idle_minutes : and so long after it was last used; an open page that follows live events counts as use
    first_password_days : a password that an administrator set is good for so long
    second_factor_for_administrators : one without a second factor must set it up before anything else
    second_factor_key_file : holds the key that second factors are sealed under; a file in the data
        folder if left out. Processes that share a fleet need the same one, so they must name it.
    cookie_secure : mark the cookie so that browsers send it over TLS only; set it where a proxy does the TLS.
        Where this program itself is reached by https, it is marked without it.
    behind_proxy : a proxy on this machine passes requests on; the address that it names last in
        X-Forwarded-For is taken for the caller's. Without it all that comes through a proxy counts as one.
    requests_per_minute : for each signed-in person or program
    address_requests_per_minute : for each network address, whoever is behind it
    logins_per_minute : attempts to sign in for each network address
    push_per_minute : batches of readings for each token
    max_body_mb : largest body of a batch, before and after it is unpacked
    streams_per_actor : live event streams one person or program may hold open
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    session_hours: Annotated[float, Field(gt=0, le=24 * 30)] = 12.0
    idle_minutes: Annotated[float, Field(gt=0, le=60 * 24 * 30)] = 30.0
    first_password_days: Annotated[float, Field(gt=0, le=90)] = 7.0
    second_factor_for_administrators: bool = False
    second_factor_key_file: Path | None = None
    cookie_secure: bool = False
    behind_proxy: bool = False
    requests_per_minute: Annotated[int, Field(ge=1)] = 600
    address_requests_per_minute: Annotated[int, Field(ge=1)] = 3000
    logins_per_minute: Annotated[int, Field(ge=1)] = 10
    push_per_minute: Annotated[int, Field(ge=1)] = 1200
    max_body_mb: Annotated[float, Field(gt=0, le=512)] = 16.0
    streams_per_actor: Annotated[int, Field(ge=1)] = 20

    @property
    def session_s(self) -> int:
        """Longest life of a session [s]."""
        return round(self.session_hours * HOUR_S)

    @property
    def idle_s(self) -> int:
        """Longest rest of a session [s]."""
        return round(self.idle_minutes * 60)

    @property
    def first_password_s(self) -> int:
        """Life of a first password [s]."""
        return round(self.first_password_days * 24 * HOUR_S)

    @property
    def max_body_bytes(self) -> int:
        """Largest body [bytes]."""
        return int(self.max_body_mb * 1024 * 1024)
