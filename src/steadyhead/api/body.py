"""The body of a batch, unpacked within the limit, whatever it claims to be."""

from __future__ import annotations

import zlib

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request

from steadyhead.api.context import context_of
from steadyhead.api.problems import TOO_LARGE, UNREADABLE, UNSUPPORTED, ProblemError

GZIP = 31  # zlib's window bits for a gzip wrapper
ACCEPTED = {"Accept-Encoding": "gzip"}


async def unpacked(request: Request) -> bytes:
    """The body as sent, or unpacked from gzip. Raises ProblemError 400, 413 or 415."""
    packed = await request.body()
    encoding = request.headers.get("content-encoding", "identity").strip().lower()
    if encoding == "identity":
        return packed
    if encoding not in ("gzip", "x-gzip"):
        raise ProblemError(
            UNSUPPORTED, f'the content encoding "{encoding[:40]}" is not known; use gzip or none', ACCEPTED
        )
    return await run_in_threadpool(gunzip, packed, context_of(request).settings.max_body_bytes)


def gunzip(packed: bytes, most: int) -> bytes:
    """Unpack all members of a gzip body; never holds more than ``most`` bytes and one chunk.

    Raises ProblemError: 413 if there is more, 400 if it is broken or cut short.
    """
    parts: list[bytes] = []
    size = 0
    while packed:
        member = zlib.decompressobj(GZIP)
        try:
            part = member.decompress(packed, most - size + 1)
        except zlib.error as exc:
            raise ProblemError(
                UNREADABLE, f"the body is said to be gzip and is not: {exc}; send it plain, or pack it anew"
            ) from exc
        size += len(part)
        if size > most:
            raise ProblemError(
                TOO_LARGE, f"unpacked, the body has more than {most:,} bytes; send it in smaller parts"
            )
        if not member.eof:
            raise ProblemError(UNREADABLE, "the gzip body is cut short; send all of it")
        parts.append(part)
        packed = member.unused_data
    return b"".join(parts)
