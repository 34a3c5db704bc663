"""Refused cells of one file, which get their row numbers when all of it was read."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from steadyhead.feeds.as_text import as_text
from steadyhead.feeds.cells import Cells
from steadyhead.feeds.strips import Piece
from steadyhead.feeds.tables import Table
from steadyhead.readings.rejects import Reason, RejectBlock, Rejects
from steadyhead.types import BoolArray, IntArray


@dataclass(slots=True)
class Refusals:
    """What was refused of a file so far; ``finish`` hands it over to the station's ``rejects``."""

    table: Table
    file: str
    rejects: Rejects
    waiting: list[tuple[Reason, str, IntArray, list[str]]] = field(default_factory=list)

    def refuse(
        self, reason: Reason, column: str, first: int, at: IntArray, texts: Any, rows: IntArray | None
    ) -> None:
        """Note refused cells ``at`` of a batch that starts at good row ``first``; ``rows`` maps them."""
        if len(at):
            try:
                shown = texts.to_pylist()
            except (ValueError, OverflowError):  # times that Python has no date for
                shown = as_text(texts).to_pylist()
            words = ["" if text is None else str(text) for text in shown]
            self.waiting.append((reason, column, first + (at if rows is None else rows[at]), words))

    def note(
        self,
        cells: Cells,
        column: Any,
        name: str,
        first: int,
        has_time: BoolArray,
        rows: IntArray | None = None,
    ) -> None:
        """Note the refused cells of a column in rows that have a time, and count its empty ones."""
        for reason, at in cells.refused:
            timed = at[has_time[at]]
            self.refuse(reason, name, first, timed, pc.take(column, pa.array(timed)), rows)
        self.rejects.missing += int((np.isnan(cells.values) & (cells.flags == 0) & has_time).sum())

    def finish(self, pieces: list[Piece]) -> None:
        """Hand over the refusals with their rows, and give the pieces their rows.

        Those of one column and reason make one block, in however many batches the file came.
        """
        together: dict[tuple[Reason, str], tuple[list[IntArray], list[str]]] = {}
        for reason, column, indices, texts in self.waiting:
            parts, words = together.setdefault((reason, column), ([], []))
            parts.append(indices)
            words += texts
        for (reason, column), (parts, words) in together.items():
            rows = self.table.rows_of(np.concatenate(parts))
            self.rejects.add(RejectBlock(self.file, column, reason, rows, words))
        for piece in pieces:
            piece.indices = [self.table.rows_of(part).astype(np.int32) for part in piece.indices]
        broken = self.table.broken
        if broken:
            rows = np.array([row for row, _ in broken], dtype=np.int64)
            self.rejects.add(RejectBlock(self.file, "", "broken_row", rows, [text for _, text in broken]))
