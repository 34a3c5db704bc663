"""What is new in a log file since it was last looked at, as a small file of its own.

A CSV file, gzipped or not, that has grown gives its heading and its new whole lines; a Parquet file its new
rows. A file that does not begin any more as it did was replaced: it is given as a whole, and says so. A last
line without an end waits until it is finished, or until nobody has written to the file for a minute.
"""

from __future__ import annotations

import gzip
import hashlib
import io
import time
import zlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from steadyhead.config import Source
from steadyhead.errors import FeedError
from steadyhead.feeds.unpack import gunzip

SETTLED_S = 60.0  # a file nobody has written to for so long is finished
_CHECKED = 512  # bytes at the start, and before the place reached, that must not have changed
_UTF8_MARK = b"\xef\xbb\xbf"
_WIDE_MARKS = (b"\xff\xfe", b"\xfe\xff")
_HEAD_BYTES = 1 << 20  # a heading is within this


@dataclass(frozen=True, slots=True)
class FileMark:
    """How far a file has been read.

    size, mtime_ns : as it was then; taken : bytes of its text, or rows, that were read
    lines : data lines among them; check : digest of what it began with and of what stood before ``taken``
    has_rest : an unfinished line was left
    """

    size: int
    mtime_ns: int
    taken: int
    lines: int
    check: str
    has_rest: bool = False

    def to_dict(self) -> dict[str, Any]:
        """For the journal."""
        return asdict(self)


@dataclass(frozen=True, slots=True)
class NewPart:
    """What is new in a file.

    data : a file with the heading and the new rows, to be read like the whole; None if there are no new rows
    context : the same with some older rows instead, which ``data`` then begins with too; None without any
    lines_before : lines between heading and data that are left out; head_lines : lines of the heading
    """

    data: bytes | None
    context: bytes | None
    mark: FileMark
    head_lines: int
    lines_before: int
    is_replaced: bool


def new_part(
    path: Path, source: Source, before: Mapping[str, Any] | None, context_bytes: int = 0
) -> NewPart | None:
    """What is new; None if the file is as it was, or is still being written for the first time.

    before : ``FileMark.to_dict`` of the last look, or None
    context_bytes : older text to give along, for clocks that show an hour twice
    Raises FeedError if the file cannot be opened or is corrupt.
    """
    known = FileMark(**before) if before is not None else None
    try:
        found = path.stat()
        is_settled = abs(time.time() - found.st_mtime) > SETTLED_S
        as_it_was = known is not None and (found.st_size, found.st_mtime_ns) == (known.size, known.mtime_ns)
        if as_it_was and not (known is not None and known.has_rest and is_settled):
            return None
        with path.open("rb") as file:
            start = file.read(4)
            if start == b"PAR1":
                file.seek(0)
                return _new_rows(file.read(), known, found)
            text = _Text.of(file, start, source, known)
    except OSError as exc:
        raise FeedError(f"{path}: cannot be opened ({exc.strerror}); check the path and its rights") from exc
    except (EOFError, gzip.BadGzipFile, zlib.error, pa.ArrowException) as exc:
        if not is_settled:  # being copied here, most likely
            return None
        raise FeedError(f"{path}: is cut short or corrupt ({exc}); copy it again") from exc
    return text.new(source, known, found, is_settled=is_settled, context_bytes=context_bytes)


# ---------------------------------------------------------------- text


@dataclass(slots=True)
class _Text:
    """Text of a file: its start, and all from ``offset`` on.

    prefix : to be put before a piece so that it is read rightly
    """

    head: bytes
    offset: int
    rest: bytes
    prefix: bytes = b""

    @classmethod
    def of(cls, file: Any, start: bytes, source: Source, known: FileMark | None) -> _Text:
        encoding = source.encoding.casefold().replace("_", "-")
        if start[:2] == b"\x1f\x8b":
            file.seek(0)
            return cls._whole(gunzip(file.read()), encoding)
        if start[:2] in _WIDE_MARKS or encoding.startswith(("utf-16", "utf16", "utf-32", "utf32")):
            file.seek(0)
            return cls._whole(file.read(), encoding)
        file.seek(0)
        head = file.read(_HEAD_BYTES)
        if known is None or known.taken <= len(head):
            return cls(head, 0, head + file.read())
        offset = max(0, known.taken - _HEAD_BYTES)  # with room for context and for the check
        file.seek(offset)
        return cls(head, offset, file.read())

    @classmethod
    def _whole(cls, raw: bytes, encoding: str) -> _Text:
        prefix = b""
        is_wide = raw[:2] in _WIDE_MARKS or encoding.startswith(("utf-16", "utf16", "utf-32", "utf32"))
        if is_wide:
            name = "utf-16" if raw[:2] in _WIDE_MARKS else encoding
            raw, prefix = raw.decode(name, "replace").encode(), _UTF8_MARK
        return cls(raw[:_HEAD_BYTES], 0, raw, prefix)

    @property
    def size(self) -> int:
        return self.offset + len(self.rest)

    def between(self, first: int, last: int) -> bytes:
        return self.rest[first - self.offset : last - self.offset]

    def check(self, taken: int) -> str:
        """Digest that tells whether what was read is still what the file begins with."""
        end = self.between(max(self.offset, taken - _CHECKED), taken)
        return hashlib.sha256(self.head[: min(_CHECKED, taken)] + end).hexdigest()[:16]

    def new(
        self, source: Source, known: FileMark | None, found: Any, *, is_settled: bool, context_bytes: int
    ) -> NewPart | None:
        newline = b"\n" if b"\n" in self.head else b"\r"
        data_from, head_lines = _data_start(self.head, newline, source)
        if known is None and not is_settled and not self.head[:data_from].endswith(newline):
            return None  # the heading is still being written
        is_replaced = known is not None and (
            known.taken > self.size or known.check != self.check(known.taken)
        )
        taken, lines = (known.taken, known.lines) if known is not None and not is_replaced else (data_from, 0)
        taken = max(taken, data_from)
        until = self.size if is_settled else taken + self.between(taken, self.size).rfind(newline) + 1
        piece = self.between(taken, until)
        mark = FileMark(
            size=found.st_size,
            mtime_ns=found.st_mtime_ns,
            taken=until,
            lines=lines + piece.count(newline),
            check=self.check(until),
            has_rest=until < self.size,
        )
        heading = self.prefix + self.head[:data_from]
        data = heading + piece if piece.strip() else None
        context = None
        if context_bytes and taken > data_from and data is not None:
            first = max(self.offset, data_from, taken - context_bytes)
            older = self.between(first, taken)
            if first > data_from:
                older = older[older.find(newline) + 1 :]
            context, data = heading + older, heading + older + piece
            lines -= older.count(newline)
        return NewPart(data, context, mark, head_lines, lines, is_replaced)


def _data_start(head: bytes, newline: bytes, source: Source) -> tuple[int, int]:
    """Where the rows begin, and how many lines are before them; as ``feeds.tables`` finds the heading."""
    at = lines = 0

    def next_line() -> bytes:
        nonlocal at, lines
        end = head.find(newline, at)
        end = len(head) if end < 0 else end + 1
        line = head[at:end]
        at, lines = end, lines + 1
        return line

    for _ in range(source.skip_rows):
        next_line()
    before = at, lines
    line = next_line()
    if line.removeprefix(_UTF8_MARK).startswith(b"sep="):
        before = at, lines
        line = next_line()
    while not line.strip() and at < len(head):
        before = at, lines
        line = next_line()
    return before if source.column_names is not None else (at, lines)


# ---------------------------------------------------------------- Parquet


def _new_rows(raw: bytes, known: FileMark | None, found: Any) -> NewPart:
    try:
        table = pq.read_table(pa.BufferReader(raw))
    except (pa.ArrowException, OSError) as exc:
        raise EOFError(str(exc).splitlines()[0] if str(exc) else "no Parquet file") from exc
    try:
        first_row = repr((table.schema.names, table.slice(0, 1).to_pylist()))
    except (ValueError, OverflowError):  # a time that Python has no date for
        first_row = str(table.slice(0, 1))
    check = hashlib.sha256(first_row.encode()).hexdigest()[:16]
    is_replaced = known is not None and (known.taken > table.num_rows or known.check != check)
    taken = known.taken if known is not None and not is_replaced else 0
    new = table.slice(taken)
    data = None
    if new.num_rows:
        written = io.BytesIO()
        pq.write_table(new, written)
        data = written.getvalue()
    mark = FileMark(found.st_size, found.st_mtime_ns, table.num_rows, table.num_rows, check)
    return NewPart(data, None, mark, 0, taken, is_replaced)
