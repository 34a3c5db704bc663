"""Any column as text, whatever a file holds in it."""

from __future__ import annotations

from typing import Any

import pyarrow as pa
import pyarrow.compute as pc


def as_text(column: Any) -> Any:
    """An Arrow array of text of the same length; null stays null.

    What has no text of its own, such as lists or bytes that are not UTF-8, is written as Python shows it, so
    that it can be refused in words.
    """
    try:
        return pc.cast(column, pa.string())
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError):
        return pa.array([None if not cell.is_valid else _shown(cell) for cell in column], pa.string())


def _shown(cell: Any) -> str:
    try:
        return str(cell.as_py())
    except (ValueError, OverflowError):  # a time that Python has no date for
        return type(cell).__name__
