"""A text file that is printed like a terminal."""

from __future__ import annotations

import io

from rich.console import Console

WIDTH = 100


class Page:
    """Takes what is printed on its ``console`` and gives it as plain text."""

    def __init__(self) -> None:
        self._file = io.StringIO()
        self.console = Console(width=WIDTH, file=self._file)

    def text(self) -> str:
        """What was printed, without blanks at line ends or empty lines around it."""
        return "\n".join(line.rstrip() for line in self._file.getvalue().splitlines()).strip() + "\n"
