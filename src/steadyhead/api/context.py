"""What every request of one application shares."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import Annotated, cast

from fastapi import Depends
from starlette.requests import Request

from steadyhead.access.settings import AccessSettings
from steadyhead.access.throttle import Throttle
from steadyhead.api.hub import Hub
from steadyhead.live.room import Room

BURST_S = 10  # seconds' worth of requests that may come at once


@dataclass(frozen=True, slots=True)
class Limits:
    """The throttles; each key is an address or an actor."""

    by_address: Throttle
    by_actor: Throttle
    logins: Throttle
    pushes: Throttle


@dataclass(frozen=True, slots=True)
class Context:
    """The room, the settings, the throttles and the live events of one application."""

    room: Room
    settings: AccessSettings
    limits: Limits
    hub: Hub


def limits(settings: AccessSettings) -> Limits:
    """Throttles as the settings say."""

    def throttle(per_minute: int, least_burst: int) -> Throttle:
        return Throttle(per_minute, max(least_burst, per_minute * BURST_S // 60), time.monotonic)

    return Limits(
        by_address=throttle(settings.address_requests_per_minute, 200),
        by_actor=throttle(settings.requests_per_minute, 60),
        logins=throttle(settings.logins_per_minute, settings.logins_per_minute),
        pushes=throttle(settings.push_per_minute, 60),
    )


def context_of(request: Request) -> Context:
    """The context of the request's application."""
    return cast("Context", request.app.state.context)


def room_of(request: Request) -> Room:
    """The room of the request's application."""
    return context_of(request).room


InRoom = Annotated[Room, Depends(room_of)]
