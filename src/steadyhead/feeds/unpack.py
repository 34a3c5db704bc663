"""Gzip unpacked within a limit: a small file must not fill the memory, whatever it claims to hold."""

from __future__ import annotations

import gzip
import zlib

MOST_TIMES = 500
"""A log in text packs to a twentieth or so; gzip reaches a thousandth, and only of one byte repeated."""
ALWAYS_BYTES = 256 << 20
_GZIP = 31  # zlib's window bits for a gzip wrapper


def gunzip(raw: bytes) -> bytes:
    """All members of a gzip file.

    Raises gzip.BadGzipFile, EOFError or zlib.error if it is corrupt, cut short or unpacks to more than
    ``MOST_TIMES`` its size and ``ALWAYS_BYTES``.
    """
    most = max(ALWAYS_BYTES, MOST_TIMES * len(raw))
    parts: list[bytes] = []
    size, rest = 0, raw
    while rest:
        if rest[:2] != b"\x1f\x8b":
            raise gzip.BadGzipFile("something that is not gzip follows its end")
        member = zlib.decompressobj(_GZIP)
        part = member.decompress(rest, most - size + 1)
        size += len(part)
        if size > most:
            raise gzip.BadGzipFile(f"unpacks to over {most >> 20} MB, which no log does")
        if not member.eof:
            raise EOFError("it ends before its end marker")
        parts.append(part)
        rest = member.unused_data.lstrip(b"\0")  # some writers fill up a block
    return parts[0] if len(parts) == 1 else b"".join(parts)
