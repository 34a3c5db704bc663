"""Which column of a log is which, and what to say where one is missing."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

from steadyhead.config.model import Role, Source, Station, Tag
from steadyhead.errors import FeedError
from steadyhead.feeds.tables import Table
from steadyhead.readings.rejects import shown

MOST_LISTED = 8


def time_columns(source: Source) -> list[str]:
    """Headings of the times, and of the dates where they stand apart."""
    return [source.time_column, *([source.date_column] if source.date_column else [])]


def wide_columns(table: Table, source: Source, station: Station, tags: Mapping[Role, Tag]) -> dict[Role, str]:
    """Column of each role that a wide file holds. Raises FeedError if it holds none of the station's."""
    named = source.columns or {role: tag.tag for role, tag in tags.items()}
    columns = {role: name for role, name in named.items() if role in tags and name in table.columns}
    if not columns and not any(tag.tag in table.columns for tag in station.tags.values()):
        what = "tag or columns" if len(table.columns) > 1 else _if_one_column(source)
        raise FeedError(
            f"{station.name}: {table.path}: has none of the columns {listed(named.values())}; it has "
            f"{listed(table.columns)}; mend {what} in the registry"
            + near(next(iter(named.values()), ""), table.columns)
        )
    return columns


def need_columns(table: Table, source: Source, station: Station, wanted: Iterable[str]) -> None:
    """Raise FeedError for the first wanted column that is missing, or that stands more than once."""
    for name in wanted:
        if name not in table.columns:
            what = "the column names of this source" if len(table.columns) > 1 else _if_one_column(source)
            raise FeedError(
                f'{station.name}: {table.path}: has no column "{name}"; it has {listed(table.columns)}; '
                f"mend {what} in the registry" + near(name, table.columns)
            )
        if table.columns.count(name) > 1:
            raise FeedError(
                f'{station.name}: {table.path}: has {table.columns.count(name)} columns named "{name}"; '
                "rename all but one, or give column_names and skip_rows for this source"
            )


def _if_one_column(source: Source) -> str:
    said = f' (now "{source.delimiter}")' if source.delimiter else ""
    return f"delimiter{said} or skip_rows of this source"


def listed(names: Iterable[str]) -> str:
    """Names in quotes, the first few of many."""
    names = list(names)
    quoted = ", ".join(f'"{shown(name)}"' for name in names[:MOST_LISTED])
    return (quoted + (", ..." if len(names) > MOST_LISTED else "")) or "nothing"


def near(name: str, known: Iterable[str]) -> str:
    """The end of a message that asks whether a name much like it was meant; empty if there is none."""
    alike = difflib.get_close_matches(name, list(known), n=1, cutoff=0.6)
    return f'; did you mean "{alike[0]}"?' if alike else ""
