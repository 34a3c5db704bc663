"""Cells of a value column as numbers, or as refused for a reason."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from steadyhead.config.model import Source, Tag
from steadyhead.feeds.as_text import as_text
from steadyhead.feeds.quality_codes import BAD, EMPTY, UNCERTAIN, UNKNOWN, quality_levels
from steadyhead.readings import quality as flag
from steadyhead.readings.rejects import Reason
from steadyhead.types import BoolArray, FlagArray, FloatArray, IntArray
from steadyhead.units import LOWEST_GAUGE_KPA, find_unit

_NUMBER = r"^[-+]?(\d+\.?\d*|\.\d+)([eE][-+]?\d+)?$"
_NO_VALUE_WORDS = ["", "nan", "null", "none", "na", "n/a", "#n/a", "-", "--"]  # common practice, no source
_ABSURD = 1e30  # such as the largest 32-bit float, which stands for "no value"


@dataclass(slots=True)
class Cells:
    """One batch of a value column.

    values : shape (n,) numbers as logged, before scale, offset and unit; NaN where missing or refused
    flags : shape (n,) why a value was refused or is doubtful; 0 with NaN means that the cell was empty
    refused : (reason, indices) of the refused cells
    """

    values: FloatArray
    flags: FlagArray
    refused: list[tuple[Reason, IntArray]] = field(default_factory=list)

    def refuse(self, mask: BoolArray, reason: Reason, bit: np.uint16) -> None:
        """Take out the marked values, with their reason."""
        if mask.any():
            self.refused.append((reason, np.flatnonzero(mask)))
            self.values[mask] = np.nan
            self.flags[mask] |= bit


def read_cells(column: Any, codes: Any | None, source: Source, tag: Tag) -> Cells:
    """Judge the cells of one column: quality first, then text, marks for "no value", range.

    column : Arrow array of text or numbers, shape (n,)
    codes : Arrow array of quality codes, same shape, or None
    """
    values, is_empty, is_text, is_mark = to_numbers(column, source)
    cells = Cells(values, np.zeros(len(values), dtype=np.uint16))
    if codes is not None:
        _judge_quality(cells, quality_levels(codes, source.quality), is_empty, source)
    is_open = cells.flags & flag.REFUSED == 0
    cells.refuse(is_text & is_open, "not_a_number", flag.NOT_A_NUMBER)
    cells.refuse((is_mark | _is_bad_number(values, source)) & is_open, "sentinel", flag.SENTINEL)
    declared = values * tag.scale + tag.offset
    low = tag.low
    if find_unit(tag.unit).quantity == "pressure":
        lowest = LOWEST_GAUGE_KPA / tag.factor
        low = lowest if low is None else max(low, lowest)
    cells.refuse(flag.is_out_of_range(declared, low, tag.high), "out_of_range", flag.OUT_OF_RANGE)
    return cells


def to_numbers(column: Any, source: Source) -> tuple[FloatArray, BoolArray, BoolArray, BoolArray]:
    """Numbers, and where a cell is empty, is text, or is a declared word for "no value"; each shape (n,)."""
    if pa.types.is_dictionary(column.type):
        column = column.dictionary_decode()
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        return _from_text(column, source)
    try:
        numbers = pc.cast(column, pa.float64(), safe=False)
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return _from_text(as_text(column), source)
    values = _as_floats(numbers)
    is_text = np.isinf(values)
    values[is_text] = np.nan
    nothing = np.zeros(len(values), dtype=np.bool_)
    return values, np.isnan(values) & ~is_text, is_text, nothing


def _from_text(column: Any, source: Source) -> tuple[FloatArray, BoolArray, BoolArray, BoolArray]:
    nothing, has_point = np.zeros(len(column), dtype=np.bool_), False
    with contextlib.suppress(pa.ArrowInvalid):  # nearly every batch of nearly every file
        plain = column
        if source.decimal == ",":
            has_point = pc.any(pc.match_substring(column, ".")).as_py()
            plain = column if has_point else pc.replace_substring(column, ",", ".")
        values = _as_floats(pc.cast(plain, pa.float64()))
        if not np.isinf(values).any() and np.isnan(values).sum() == column.null_count and not has_point:
            return values, np.isnan(values), nothing, nothing.copy()
    text = pc.utf8_trim_whitespace(column)
    lower = pc.utf8_lower(text)
    is_mark = _as_bools(pc.is_in(lower, pa.array(sorted(source.bad_words()), pa.string())))
    is_empty = _as_bools(pc.is_in(lower, pa.array([*_NO_VALUE_WORDS, None], pa.string()))) & ~is_mark
    if source.decimal == ",":  # a point is then a thousands mark, which no log should have: not guessed at
        text = pc.replace_substring(pc.if_else(pc.match_substring(text, "."), "?", text), ",", ".")
    is_number = _as_bools(pc.match_substring_regex(text, _NUMBER))
    numeric = pc.if_else(pa.array(is_number), pc.replace_substring_regex(text, r"^\+", ""), None)
    values = _as_floats(pc.cast(numeric, pa.float64()))
    is_text = (~is_number | np.isinf(values)) & ~is_empty & ~is_mark
    values[is_mark | is_empty | is_text] = np.nan
    return values, is_empty, is_text, is_mark


def _as_floats(array: Any) -> FloatArray:
    """A writable copy with NaN for nulls."""
    return np.array(array.to_numpy(zero_copy_only=False), dtype=np.float64)


def _as_bools(array: Any) -> BoolArray:
    return np.asarray(array.fill_null(False).to_numpy(zero_copy_only=False), dtype=np.bool_)


def _is_bad_number(values: FloatArray, source: Source) -> BoolArray:
    size = np.abs(values)
    is_bad = size >= _ABSURD
    marks = source.bad_numbers()
    if marks:
        candidates = np.flatnonzero(size >= min(abs(mark) for mark in marks))
        single = np.array(marks, dtype=np.float32).astype(np.float64)  # as a 32-bit Parquet column has them
        is_bad[candidates] |= np.isin(values[candidates], [*marks, *single])
    return is_bad


def _judge_quality(cells: Cells, levels: IntArray, is_empty: BoolArray, source: Source) -> None:
    cells.refuse(levels == BAD, "bad_quality", flag.BAD_QUALITY)
    if source.quality.accept_uncertain:
        cells.flags[(levels == UNCERTAIN) & ~is_empty] |= flag.DOUBTFUL
    else:
        cells.refuse(levels == UNCERTAIN, "uncertain_quality", flag.BAD_QUALITY)
    is_unknown = (levels == UNKNOWN) | ((levels == EMPTY) & ~is_empty)
    cells.refuse(is_unknown, "unknown_quality", flag.BAD_QUALITY)
