"""Small files of the embedded archive made into larger ones, and rows of one station and time into one."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from steadyhead.archive import segments
from steadyhead.archive.rows import Rows
from steadyhead.archive.segments import Segment
from steadyhead.types import IntArray

MOST_FILES = 8  # of a day and group before some are merged


def chosen_to_merge(found: tuple[Segment, ...]) -> tuple[Segment, ...]:
    """The newest files, as many as keep sizes graded; none while there are few.

    found : of one day and group, oldest first. An older file joins if it is no more than twice as large as
    all newer ones together, so a row is written a few times in all.
    """
    if len(found) < MOST_FILES:
        return ()
    first, n_rows = len(found) - 1, found[-1].n_rows
    while first > 0 and found[first - 1].n_rows <= 2 * n_rows:
        first -= 1
        n_rows += found[first].n_rows
    return found[min(first, len(found) - 2) :]


def together(chosen: Sequence[Segment]) -> tuple[list[str], IntArray, Rows]:
    """Rows of several files, oldest file first: names in rising order, each row's index, and the rows.

    By station, then time; what is there twice stands in the order of the files. Raises ArchiveError.
    """
    places: dict[str, int] = {}
    whiches, parts = [], []
    for segment in chosen:
        table = segments.read(segment.path)
        own, which = segments.stations_in(table)
        for name in own:
            places.setdefault(name, len(places))
        whiches.append(np.array([places[name] for name in own], dtype=np.int64)[which])
        parts.append(segments.rows_in(table))
    names = list(places)
    rank = np.argsort(np.argsort(names))
    which = rank[np.concatenate(whiches)]
    rows = Rows(*(np.concatenate([getattr(part, name) for part in parts]) for name in Rows.__slots__))
    order = np.lexsort((np.arange(len(rows)), rows.times_s, which))
    return sorted(names), which[order], taken(rows, order)


def last_of_each(which: IntArray, rows: Rows) -> tuple[IntArray, Rows]:
    """One row per station and time; of several the last stands, and a missing value takes nothing back.

    which : shape (n,) the station of each row; rows of one station and time must follow on each other
    """
    is_same = (np.diff(which) == 0) & (np.diff(rows.times_s) == 0)
    if not is_same.any():
        return which, rows
    values = rows.values.copy()
    for n in np.flatnonzero(is_same):  # few: what was appended again after a crash
        values[n + 1] = np.where(np.isnan(values[n + 1]), values[n], values[n + 1])
    keep = np.append(~is_same, True)
    return which[keep], Rows(rows.times_s[keep], values[keep], rows.flags[keep])


def taken(rows: Rows, at: IntArray) -> Rows:
    """The rows at these places, in this order."""
    return Rows(rows.times_s[at], rows.values[at], rows.flags[at])
