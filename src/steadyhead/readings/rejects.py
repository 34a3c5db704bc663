"""Values that were refused: each with its place, its text and the reason."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import BinaryIO, Literal

from steadyhead.files import write_atomically
from steadyhead.types import IntArray

Reason = Literal[
    "bad_time",
    "ambiguous_time",
    "missing_hour",
    "broken_row",
    "not_a_number",
    "sentinel",
    "bad_quality",
    "uncertain_quality",
    "unknown_quality",
    "out_of_range",
    "duplicate",
    "conflicting_duplicate",
]

REASONS: dict[Reason, str] = {
    "bad_time": "is not a time of the declared time_format",
    "ambiguous_time": "lies in the hour that the clock runs through twice, and the order does not tell which",
    "missing_hour": "lies in the hour that the clock skips",
    "broken_row": "has more or fewer columns than the heading",
    "not_a_number": "is not a number",
    "sentinel": "marks a missing value",
    "bad_quality": "has bad quality",
    "uncertain_quality": "has uncertain quality",
    "unknown_quality": "has a quality code that is not known",
    "out_of_range": "is outside the range of the transmitter",
    "duplicate": "is the same reading as one already read",
    "conflicting_duplicate": "has the time of a later row with another value, which was kept",
}
"""What is wrong with a refused value, to be read after its text and "which"."""

REMEDIES: dict[Reason, str] = {
    "bad_time": "if all are alike, mend time_format of this source",
    "ambiguous_time": "if the log's clock stays on standard time, give the source a fixed time_zone",
    "missing_hour": "if the log's clock stays on standard time, give the source a fixed time_zone",
    "not_a_number": "if the text marks a failed sample, add it to bad_values of this source",
    "uncertain_quality": "to keep such values, set quality: {accept_uncertain: true} for this source",
    "unknown_quality": "say what the code means under quality: {map: ...} of this source",
    "out_of_range": "if these are true, mend low, high or unit of the tag",
}
"""What to change in the registry if the refusals are not wanted."""

COLUMNS = ("file", "row", "column", "text", "reason")
_ROWS_AT_A_TIME = 50_000
_LONGEST_SHOWN = 60
_LONGEST_READ = 4000  # of a text, before its blanks are taken out


def storable(text: str) -> str:
    """The text with every character that is not to be seen written as its escape.

    Outside text may hold halves of a pair and zero characters, which UTF-8 and PostgreSQL have no place for.
    """
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def shown(text: str) -> str:
    """A text from a log as it may stand in a message: on one line, not too long, and fit to be stored."""
    line = storable(" ".join(text[:_LONGEST_READ].split()))
    return line if len(line) <= _LONGEST_SHOWN else f"{line[:_LONGEST_SHOWN]}..."


@dataclass(frozen=True, slots=True)
class RejectBlock:
    """Refused values of one column of one file, for one reason.

    rows : shape (n,) row in the file, from 1, the heading included (Parquet has no heading: from 1)
    texts : the n refused texts as they stood in the log; times for a refused time
    """

    file: str
    column: str
    reason: Reason
    rows: IntArray
    texts: Sequence[str]


@dataclass(slots=True)
class Rejects:
    """What was refused while reading one station, and what was met besides.

    kept : values that went on, over all roles
    missing : empty cells, which are no readings and no rejects either
    out_of_order : rows that stood before an earlier time and were sorted in
    notes : sentences on files as a whole
    """

    station: str
    kept: int = 0
    missing: int = 0
    out_of_order: int = 0
    notes: list[str] = field(default_factory=list)
    blocks: list[RejectBlock] = field(default_factory=list)

    def add(self, block: RejectBlock) -> None:
        """Note refused values; an empty block is left out."""
        if len(block.rows):
            self.blocks.append(block)

    @property
    def counts(self) -> dict[Reason, int]:
        """Number of refused values by reason; only reasons that occurred."""
        counts: dict[Reason, int] = {}
        for block in self.blocks:
            counts[block.reason] = counts.get(block.reason, 0) + len(block.rows)
        return counts

    @property
    def total(self) -> int:
        """Number of refused values."""
        return sum(len(block.rows) for block in self.blocks)

    def summary(self) -> list[str]:
        """One sentence per reason with counts, one example and what to do; then the notes."""
        lines = []
        for reason, count in self.counts.items():
            block = next(b for b in self.blocks if b.reason == reason)
            of = (
                f"{count:,} of {self.kept + self.total:,} values set aside, such as"
                if count > 1
                else "1 value set aside,"
            )
            remedy = REMEDIES.get(reason)
            lines.append(
                f'{self.station}: {of} "{shown(block.texts[0])}" in {block.file}, row {block.rows[0]}, '
                + (f"column {block.column}, " if block.column else "")
                + f"which {REASONS[reason]}"
                + (f"; {remedy}" if remedy else "")
            )
        if self.out_of_order:
            lines.append(f"{self.station}: {self.out_of_order} rows were out of order and have been sorted")
        return lines + [f"{self.station}: {note}" for note in self.notes]

    def write(self, folder: Path | str) -> Path | None:
        """Write ``<station>.csv`` with a row per refused value; returns its path.

        Nothing is written if nothing was refused, unless an older file must not be taken for this run's.
        Raises OutputError if the file cannot be written; an older one is then unchanged.
        """
        path = Path(folder) / f"{self.station}.csv"
        if not self.blocks and not path.exists():
            return None
        write_atomically(path, self._write_rows)
        return path

    def _write_rows(self, file: BinaryIO) -> None:
        text = io.TextIOWrapper(file, encoding="utf-8", newline="", write_through=True)
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(COLUMNS)
        for block in self.blocks:
            for first in range(0, len(block.rows), _ROWS_AT_A_TIME):
                rows = block.rows[first : first + _ROWS_AT_A_TIME].tolist()
                texts = block.texts[first : first + _ROWS_AT_A_TIME]
                writer.writerows(
                    (block.file, row, block.column, value, block.reason)
                    for row, value in zip(rows, texts, strict=True)
                )
        text.detach()
