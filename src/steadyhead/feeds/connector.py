"""The one small interface of all feeds that are not log files, and what passes through it.

A connector yields batches. Each carries readings as they came and the position after them, and whoever takes
a batch keeps both in one transaction. So a kill at any moment neither loses nor repeats a reading: what was
not kept is read again from the position that was.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

import numpy as np

from steadyhead.types import FloatArray, IntArray

Position = Mapping[str, Any]
"""How far a source has been read, as plain JSON."""

FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 60.0
_NUMBER = re.compile(r"\s*[+-]?([0-9]{1,30}(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,3})?\s*")
_FAR_US = 2**62
"""A time farther off than this is taken for it: it is refused all the same, and fits into a column."""


@dataclass(frozen=True, slots=True)
class Points:
    """Readings as they came, before any mapping.

    tags : names; which : shape (n,) index into them
    us : shape (n,) microseconds since 1970 UTC
    values : shape (n,) numbers as sent; NaN where there is none
    codes : shape (n,) quality as sent, numbers or words, None for none; or None if the source has no quality
    texts : what stood in place of a number, by index
    """

    tags: Sequence[str]
    which: IntArray
    us: IntArray
    values: FloatArray
    codes: Any | None = None
    texts: Mapping[int, str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.us)

    def only(self, keep: Any) -> Points:
        """The chosen ones, in their order; ``keep`` is a mask or indices."""
        at = np.flatnonzero(keep) if np.asarray(keep).dtype == np.bool_ else np.asarray(keep)
        place = {int(old): new for new, old in enumerate(at)} if self.texts else {}
        texts = {place[i]: text for i, text in self.texts.items() if i in place}
        codes = None if self.codes is None else self.codes[at]
        return Points(self.tags, self.which[at], self.us[at], self.values[at], codes, texts)


NO_POINTS = Points((), np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros(0))


@dataclass(frozen=True, slots=True)
class Bit:
    """A batch: readings, the position after them, and what to do once both are safe (None: nothing).

    lost : things that could not be read at all, in words, such as a message that is no JSON
    """

    points: Points
    position: Position
    when_safe: Callable[[], None] | None = None
    lost: Sequence[str] = ()


class Connector(Protocol):
    """A way in. One thread uses it; ``close`` may come from another."""

    def describe(self) -> str:
        """What it is connected to, for people; without secrets."""
        ...

    def sample(self, seconds: float) -> Points:
        """Readings to look at, of at most about so long ago or so long a wait. Raises FeedError."""
        ...

    def reach_days(self) -> int | None:
        """How many days back readings are stored, at least; None if not known. Raises FeedError."""
        ...

    def backfill(self, from_s: int, to_s: int, resume: Position | None) -> Iterator[Bit]:
        """Stored readings of [from_s, to_s), going on from ``resume``. Raises FeedError.

        Call it again then.
        """
        ...

    def live(self, resume: Position | None, stop: threading.Event) -> Iterator[Bit]:
        """Readings as they come, until ``stop``. Raises FeedError; call it again with the last position."""
        ...

    def close(self) -> None:
        """Let go of the connection."""
        ...


class BackOff:
    """Pauses between tries: double each time, back to the first after a success."""

    def __init__(self, first_s: float = FIRST_PAUSE_S, longest_s: float = LONGEST_PAUSE_S) -> None:
        self._first_s, self._longest_s = first_s, longest_s
        self._next_s = first_s

    def next_s(self) -> float:
        """The pause before the next try [s]."""
        pause_s, self._next_s = self._next_s, min(2 * self._next_s, self._longest_s)
        return pause_s

    def reset(self) -> None:
        """It worked."""
        self._next_s = self._first_s


class Gathering:
    """Points put together one by one."""

    def __init__(self) -> None:
        self._tags: dict[str, int] = {}
        self._rows: list[tuple[int, int, float, Any]] = []
        self._texts: dict[int, str] = {}

    def __len__(self) -> int:
        return len(self._rows)

    def add(self, tag: str, us: int, raw: Any, code: Any = None) -> None:
        """Take one reading; what is no number is kept as text, to be refused with a reason.

        A number written as text counts: many stores keep values of all kinds in one column of text.
        """
        value = float("nan")
        if isinstance(raw, str) and _NUMBER.fullmatch(raw):
            raw = float(raw)
        if isinstance(raw, bool) or not isinstance(raw, int | float | np.number):
            if raw is not None:
                with contextlib.suppress(TypeError, ValueError, OverflowError):
                    value = float(raw) if not isinstance(raw, bool | str) else value
                if value != value:
                    self._texts[len(self._rows)] = str(raw)[:100]
        else:
            with contextlib.suppress(OverflowError):  # of hundreds of digits
                value = float(raw)
            if value != value and raw == raw:
                self._texts[len(self._rows)] = "a number of hundreds of digits"
        us = min(max(us, -_FAR_US), _FAR_US)
        self._rows.append((self._tags.setdefault(tag, len(self._tags)), us, value, code))

    def points(self) -> Points:
        """All of them."""
        if not self._rows:
            return NO_POINTS
        which, us, values, codes = zip(*self._rows, strict=True)
        has_codes = any(code is not None for code in codes)
        kept = np.empty(len(codes), dtype=object)
        kept[:] = codes
        return Points(
            list(self._tags), np.array(which, np.int64), np.array(us, np.int64), np.array(values, np.float64),
            kept if has_codes else None, self._texts,
        )  # fmt: skip
