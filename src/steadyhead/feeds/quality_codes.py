"""Quality codes of historians as good, uncertain or bad."""

from __future__ import annotations

from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from steadyhead.config.model import Quality
from steadyhead.feeds.as_text import as_text
from steadyhead.types import IntArray

GOOD, UNCERTAIN, BAD, UNKNOWN, EMPTY = range(5)
"""What a quality cell says."""

_LEVELS = {"good": GOOD, "uncertain": UNCERTAIN, "bad": BAD}
_WORDS = {
    # OPC UA and OPC DA names of the three levels; the rest is common practice, no source.
    **dict.fromkeys(("good", "g", "ok", "valid", "true", "normal"), GOOD),
    **dict.fromkeys(("uncertain", "u", "questionable", "suspect", "doubtful"), UNCERTAIN),
    **dict.fromkeys(("bad", "b", "invalid", "false", "error", "fail", "failed", "stale", "offline"), BAD),
}
_DA_MASK, _DA_LEVELS = 0xC0, {0xC0: GOOD, 0x40: UNCERTAIN, 0x00: BAD}
_UA_MASK, _UA_LEVELS = 0xC0000000, {0x00000000: GOOD, 0x40000000: UNCERTAIN, 0x80000000: BAD}
_LARGEST_DA = 0xFFFF  # the high byte of a DA code is the vendor's


def quality_levels(codes: Any, quality: Quality) -> IntArray:
    """Level of each quality cell.

    codes : Arrow array of numbers or text, shape (n,)
    Returns shape (n,): GOOD, UNCERTAIN, BAD, UNKNOWN or EMPTY
    Source: OPC DA quality bits QQSSSSLL, good = (code & 0xC0) == 0xC0; OPC 10000-4, StatusCode, severity in
        the two top bits. 192 is good, 0x40F20000 uncertain, 0x803C0000 bad.
    """
    kind = codes.type
    if pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_temporal(kind):  # no codes at all
        codes = as_text(codes)
    encoded = codes if hasattr(codes, "dictionary") else pc.dictionary_encode(codes)  # few codes, many rows
    levels = [level_of(code, quality) for code in encoded.dictionary.to_pylist()]
    table = np.array([*levels, EMPTY], dtype=np.int64)
    index = encoded.indices.fill_null(len(levels)).to_numpy(zero_copy_only=False)
    found: IntArray = table[index]
    return found


def level_of(code: Any, quality: Quality) -> int:
    """Level of one code; the source's own map goes first, then words, then the bits of the style."""
    if isinstance(code, float) and code.is_integer():
        code = int(code)
    text = "" if code is None else str(code).strip().casefold()
    if text in quality.map:
        return _LEVELS[quality.map[text]]
    if not text:
        return EMPTY
    if text in _WORDS:
        return _WORDS[text]
    number = _number(text)
    if number is None:
        return UNKNOWN
    if quality.style == "opc_ua":
        return _UA_LEVELS.get(number & _UA_MASK, UNKNOWN)  # also right for codes written as signed numbers
    if not 0 <= number <= _LARGEST_DA:
        return UNKNOWN
    return _DA_LEVELS.get(number & _DA_MASK, UNKNOWN)


def _number(text: str) -> int | None:
    try:
        return int(text, 16) if text.startswith("0x") else int(float(text)) if "." in text else int(text)
    except (ValueError, OverflowError):
        return None
