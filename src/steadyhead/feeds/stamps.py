"""Time columns as microseconds: local as written, or UTC where an offset was given."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from steadyhead.config.model import Source
from steadyhead.config.source import EPOCH_FORMATS
from steadyhead.feeds.as_text import as_text
from steadyhead.types import BoolArray, IntArray

EARLIEST_US = 631_152_000_000_000
"""1990-01-01: an earlier stamp is a logger clock that lost its time, not a reading."""
LATEST_US = 4_102_444_800_000_000
"""2100-01-01: a later stamp is a wrong unit or a broken clock."""

_OFFSET = r":\d{2}(?::\d{2}(?:[.,]\d+)?)?\s*(?:[Zz]|[+-]\d{2}(?::?\d{2})?)$"
_PLAIN_DIRECTIVES = frozenset("YmdHMS")  # those in which Arrow and Python agree


@dataclass(frozen=True, slots=True)
class Stamps:
    """Times of one batch.

    us : shape (n,) microseconds since 1970: of the local clock, or of UTC
    is_utc : shape (n,) which of the two
    is_bad : shape (n,) not readable as a time
    """

    us: IntArray
    is_utc: BoolArray
    is_bad: BoolArray


def read_stamps(column: Any, dates: Any | None, source: Source) -> Stamps:
    """Read a time column.

    column : Arrow array of times: text, numbers since 1970, or timestamps, shape (n,)
    dates : Arrow array of text dates to put before the times, or None
    """
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_timestamp(column.type):
        return _typed(column)
    if source.time_format in EPOCH_FORMATS:
        return _epoch(column, EPOCH_FORMATS[source.time_format])
    text = pc.utf8_trim_whitespace(as_text(column))
    if dates is not None:
        day = pc.utf8_trim_whitespace(as_text(dates))
        text = pc.binary_join_element_wise(day, text, " ")
    return _iso(text) if source.time_format == "iso" else _pattern(text, source.time_format)


def _typed(column: Any) -> Stamps:
    us = pc.cast(column, pa.timestamp("us", column.type.tz), safe=False)
    return _stamps(us, is_utc=column.type.tz is not None)


def _epoch(column: Any, unit_ns: int) -> Stamps:
    per_us = unit_ns / 1000
    try:
        whole = pc.cast(column, pa.int64())
        number = np.asarray(whole.fill_null(0).to_numpy(zero_copy_only=False), dtype=np.int64)
        is_bad = _nulls(whole)
        far = np.abs(number) > LATEST_US // per_us
        us = np.where(far, 0, number) * int(per_us) if per_us >= 1 else number // round(1 / per_us)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):  # fractions, or text that is no number
        cells = pd.Series(as_text(column).to_pylist(), dtype=object)
        floats = pd.to_numeric(cells, errors="coerce").to_numpy(np.float64)
        is_bad = ~(np.abs(floats) * per_us < LATEST_US)
        us = np.round(np.where(is_bad, 0.0, floats) * per_us).astype(np.int64)
    return _checked(us, np.ones(len(us), dtype=np.bool_), is_bad)


def _iso(text: Any) -> Stamps:
    for zone in (None, "UTC"):
        try:  # nearly every column is of one kind and has no mistake
            return _stamps(pc.cast(text, pa.timestamp("us", zone)), is_utc=zone is not None)
        except pa.ArrowInvalid:
            continue
    series = text.to_pandas()
    is_utc = np.asarray(series.str.contains(_OFFSET, regex=True).fillna(False), dtype=np.bool_)
    us = np.full(len(series), np.iinfo(np.int64).min)
    us[is_utc] = _as_us(pd.to_datetime(series[is_utc], format="ISO8601", errors="coerce", utc=True))
    us[~is_utc] = _as_us(pd.to_datetime(series[~is_utc], format="ISO8601", errors="coerce", utc=True))
    return _checked(us, is_utc, us == np.iinfo(np.int64).min)


def _pattern(text: Any, pattern: str) -> Stamps:
    has_offset = "%z" in pattern
    n = len(text)
    us = np.full(n, np.iinfo(np.int64).min)
    is_done = np.zeros(n, dtype=np.bool_)
    if {part[0] for part in pattern.split("%")[1:] if part} <= _PLAIN_DIRECTIVES:
        parsed = pc.strptime(text, format=pattern, unit="s", error_is_null=True)
        is_done = ~_nulls(parsed)
        # Arrow takes 31 February for 2 March; what may be such, and does not come back as written, goes
        # the slow way
        doubtful = np.flatnonzero(pc.less_equal(pc.day(parsed), 3).fill_null(False).to_numpy(False))
        again = pc.strftime(pc.take(parsed, doubtful), format=pattern)
        is_done[doubtful] = pc.equal(again, pc.take(text, doubtful)).to_numpy(zero_copy_only=False)
        seconds = np.asarray(pc.cast(parsed, pa.int64()).fill_null(0).to_numpy(zero_copy_only=False))
        us[is_done] = seconds[is_done] * 1_000_000
    if not is_done.all():
        rest = text.to_pandas()[~is_done]
        us[~is_done] = _as_us(pd.to_datetime(rest, format=pattern, errors="coerce", utc=True))
    return _checked(us, np.full(n, has_offset), us == np.iinfo(np.int64).min)


def _as_us(times: Any) -> IntArray:
    """Microseconds; the least int64 for a time that could not be read."""
    plain = times.dt.tz_localize(None).to_numpy().astype("datetime64[us]")
    us: IntArray = plain.astype(np.int64)  # NaT is the least int64 by definition
    return us


def _stamps(times: Any, *, is_utc: bool) -> Stamps:
    us = np.asarray(pc.cast(times, pa.int64()).fill_null(0).to_numpy(zero_copy_only=False), dtype=np.int64)
    return _checked(us, np.full(len(us), is_utc), _nulls(times))


def _nulls(array: Any) -> BoolArray:
    return np.asarray(array.is_null().to_numpy(zero_copy_only=False), dtype=np.bool_)


def _checked(us: IntArray, is_utc: BoolArray, is_bad: BoolArray) -> Stamps:
    return Stamps(us, is_utc, is_bad | (us < EARLIEST_US) | (us >= LATEST_US))
