"""Log files that grow: each row is given once, whole, and with its heading."""

from __future__ import annotations

import gzip
import io
import os
import time
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from steadyhead.config import Source
from steadyhead.errors import FeedError
from steadyhead.live.growing import NewPart, new_part

PLAIN = Source(path=("x",))


def look(path: Path, before: NewPart | None, source: Source = PLAIN, context: int = 0) -> NewPart | None:
    return new_part(path, source, None if before is None else before.mark.to_dict(), context)


def put(path: Path, data: bytes, age_s: float = 0.0) -> None:
    """Write as a logger does; each write is later than the one before."""
    path.write_bytes(data)
    at = time.time() - age_s + put.n * 1e-3
    put.n += 1
    os.utime(path, (at, at))


put.n = 0  # type: ignore[attr-defined]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    cuts=st.lists(st.integers(0, 400), max_size=8).map(sorted),
    newline=st.sampled_from(["\n", "\r\n"]),
    skip=st.integers(0, 2),
    is_gzip=st.booleans(),
)
def test_every_row_is_given_once_however_the_file_grew(tmp_path_factory, cuts, newline, skip, is_gzip):
    path = tmp_path_factory.mktemp("grow") / "log.csv"
    source = Source(path=("x",), skip_rows=skip)
    rows = [f"2026-03-01T00:{m:02d}:00Z;{400 + m};æ" for m in range(20)]
    text = newline.join([*["made by a logger"] * skip, "time;p;note", *rows, ""]).encode()
    pack = gzip.compress if is_gzip else bytes
    got: list[str] = []
    part: NewPart | None = None
    before: NewPart | None = None
    for n, cut in enumerate([*cuts, len(text)]):
        put(path, pack(text[:cut]), age_s=100 if n == len(cuts) else 0)
        part = look(path, before, source)
        if part is None:
            continue
        assert not part.is_replaced
        before = part
        if part.data is not None:
            lines = part.data.decode().replace("\r\n", "\n").splitlines()
            assert lines[: part.head_lines] == [*["made by a logger"] * skip, "time;p;note"]
            assert part.lines_before == len(got)
            got += lines[part.head_lines :]
    assert got == rows
    assert look(path, before, source) is None


def test_a_line_without_an_end_waits_until_the_file_has_rested(tmp_path: Path):
    path = tmp_path / "log.csv"
    put(path, b"time,p\n1,2\n3,")
    first = look(path, None)
    assert first.data == b"time,p\n1,2\n"
    assert look(path, first) is None
    put(path, b"time,p\n1,2\n3,4", age_s=100)
    assert look(path, first).data == b"time,p\n3,4"


def test_a_file_that_was_written_anew_says_so(tmp_path: Path):
    path = tmp_path / "log.csv"
    put(path, b"time,p\n1,2\n3,4\n")
    first = look(path, None)
    for text in (b"time,p\n5,6\n", b"time,p\n1,9\n3,4\n5,6\n"):
        put(path, text)
        part = look(path, first)
        assert (part.is_replaced, part.data) == (True, text)


def test_context_is_whole_lines_that_data_begins_with(tmp_path: Path):
    path = tmp_path / "log.csv"
    put(path, b"time,p\n1,2\n3,4\n5,6\n")
    first = look(path, None)
    put(path, b"time,p\n1,2\n3,4\n5,6\n7,8\n")
    part = look(path, first, context=6)
    assert part.context == b"time,p\n5,6\n"
    assert part.data == b"time,p\n5,6\n7,8\n"
    assert part.lines_before == 2
    assert part.mark.lines == 4


def test_utf16_grows_too(tmp_path: Path):
    path = tmp_path / "log.csv"
    put(path, "time,p\n1,2\n".encode("utf-16"))
    first = look(path, None)
    assert first.data == b"\xef\xbb\xbftime,p\n1,2\n"
    put(path, "time,p\n1,2\n3,4\n".encode("utf-16"))
    assert look(path, first).data == b"\xef\xbb\xbftime,p\n3,4\n"


def test_a_file_larger_than_what_is_kept_in_memory_is_read_from_where_it_ended(tmp_path: Path):
    path = tmp_path / "log.csv"
    text = b"time,p\n" + b"".join(b"%d,400.0\n" % n for n in range(200_000))
    put(path, text)
    first = look(path, None)
    assert len(text) > 2 << 20
    put(path, text + b"x,1\n")
    part = look(path, first)
    assert (part.is_replaced, part.data) == (False, b"time,p\nx,1\n")


def parquet(n: int) -> bytes:
    out = io.BytesIO()
    pq.write_table(pa.table({"time": list(range(n)), "p": [400.0 + i for i in range(n)]}), out)
    return out.getvalue()


def rows_of(part: NewPart) -> list[Any]:
    return pq.read_table(pa.BufferReader(part.data))["time"].to_pylist()


def test_new_rows_of_a_parquet_file(tmp_path: Path):
    path = tmp_path / "log.parquet"
    put(path, parquet(10))
    first = look(path, None)
    assert rows_of(first) == list(range(10))
    put(path, parquet(13))
    second = look(path, first)
    assert (rows_of(second), second.lines_before, second.is_replaced) == ([10, 11, 12], 10, False)
    put(path, parquet(5))
    assert look(path, second).is_replaced


@pytest.mark.parametrize("data", [gzip.compress(b"time,p\n1,2\n" * 500, mtime=0)[:-20], parquet(100)[:-30]])
def test_a_file_that_is_still_being_copied_is_waited_for_and_a_broken_one_named(tmp_path: Path, data: bytes):
    path = tmp_path / "log"
    put(path, data)
    assert look(path, None) is None
    put(path, data, age_s=100)
    with pytest.raises(FeedError, match="cut short or corrupt"):
        look(path, None)
