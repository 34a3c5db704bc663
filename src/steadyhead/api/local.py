"""Whether a request comes from this very machine, and not through a proxy or a page of somewhere else."""

from __future__ import annotations

import ipaddress
from urllib.parse import urlsplit

from starlette.requests import Request

from steadyhead.api.context import context_of

FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")


def address(request: Request) -> str:
    """The network address that asks, for limits on how often.

    With ``behind_proxy`` the one that a proxy on this machine has added last; what stands before it may have
    been made up by the caller.
    """
    if request.client is None:
        return "unknown"
    host = request.client.host
    if context_of(request).settings.behind_proxy and _is_loopback(host):
        last = request.headers.get("x-forwarded-for", "").rpartition(",")[2].strip()
        return last[:64] or host
    return host


def is_local(request: Request) -> bool:
    """Whether a program on this machine asks directly.

    A request through a proxy on this machine also comes from the loopback address, but carries a header that
    says so. A page that had its name pointed here (DNS rebinding) carries its own name as Host.
    """
    if request.client is None or any(name in request.headers for name in FORWARDED):
        return False
    return _is_loopback(request.client.host) and _is_loopback_name(request.headers.get("host", ""))


def _is_loopback_name(host: str) -> bool:
    try:
        name = urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return False
    return name == "localhost" or _is_loopback(name)


def _is_loopback(address: str) -> bool:
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
