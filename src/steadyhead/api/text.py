"""Text that no database and no page can hold."""

from __future__ import annotations


def fault_of_text(value: str) -> str | None:
    """What is wrong with a text, or None.

    JSON may carry a zero character and halves of a pair, which PostgreSQL and UTF-8 have no place for.
    """
    if "\x00" in value:
        return "holds a zero character; leave it out"
    if any("\ud800" <= char <= "\udfff" for char in value):
        return "holds half a character (a lone surrogate); send whole characters"
    return None
