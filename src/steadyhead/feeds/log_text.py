"""The text of a log file: its bytes as UTF-8, and the single lines at its head."""

from __future__ import annotations

import codecs
import contextlib
import re
from dataclasses import dataclass
from pathlib import Path

from steadyhead.config.model import Source
from steadyhead.errors import FeedError

_LINE_END = re.compile(rb"\r\n|\n|\r")
_BYTE_ORDER_MARKS = ((b"\xef\xbb\xbf", "utf-8"), (b"\xff\xfe", "utf-16-le"), (b"\xfe\xff", "utf-16-be"))
_PIECE_BYTES = 8 << 20


def as_utf8(raw: bytes, path: Path, source: Source) -> bytes:
    """The file as UTF-8, by its byte order mark or the source's encoding. Raises FeedError."""
    encoding = source.encoding
    for mark, name in _BYTE_ORDER_MARKS:
        if raw.startswith(mark):
            raw, encoding = raw[len(mark) :], name
            break
    if encoding.casefold().replace("_", "-") in ("utf-8", "utf8", "utf-8-sig", "ascii"):
        # bytes garbled on the way spoil a cell, which is then refused, not the file
        return raw if _is_utf8(raw) else raw.decode("utf-8", "replace").encode()
    is_wide = encoding.casefold().replace("_", "-").startswith(("utf-16", "utf16", "utf-32", "utf32"))
    if not is_wide or b"\0" in raw[:4096] or not raw:  # else any bytes of even length would do
        with contextlib.suppress(UnicodeDecodeError):
            return raw.decode(encoding).encode()
    raise FeedError(f"{path}: is not {encoding} text; say what it is, for example encoding: latin-1")


def _is_utf8(raw: bytes) -> bool:
    if raw.isascii():
        return True
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        for first in range(0, len(raw), _PIECE_BYTES):  # piece by piece, to spare the memory
            decoder.decode(raw[first : first + _PIECE_BYTES])
        decoder.decode(b"", final=True)
    except UnicodeDecodeError:
        return False
    return True


@dataclass(slots=True)
class HeadLines:
    """Reads single lines from the head of a file, whatever its line ends.

    position, last_start : bytes before the next line, and before the last one that was read
    count : lines read so far
    """

    text: bytes
    position: int = 0
    last_start: int = 0
    count: int = 0

    @property
    def at_end(self) -> bool:
        """Whether there is nothing more."""
        return self.position >= len(self.text)

    def next(self) -> str:
        """The next line without its end; empty behind the last."""
        self.last_start = self.position
        found = _LINE_END.search(self.text, self.position)
        end, self.position = (found.start(), found.end()) if found else (len(self.text), len(self.text))
        self.count += 1
        return self.text[self.last_start : end].decode("utf-8", "replace")
