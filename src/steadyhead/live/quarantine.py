"""What was refused or came too late, kept in the data folder as one JSON object a line, a file a day.

``refused/2026-03-01.jsonl`` and ``late/2026-03-01.jsonl`` (days in UTC, by the clock). A line is on the disk
before the sender is answered. A day's file of refused readings has a largest size: a sender that does
everything wrong must not fill the disk; what is beyond it is counted and not kept. Files are deleted at the
age at which full readings are thinned.
"""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from steadyhead.errors import JournalError

REFUSED, LATE = "refused", "late"


class Quarantine:
    """Appends to the day's files; threads may share it.

    most_bytes : largest size of a day's file of refused readings
    """

    def __init__(self, folder: Path, most_bytes: int) -> None:
        self.folder = folder
        self._most_bytes = most_bytes
        self._lock = threading.Lock()

    def path(self, kind: str, at_s: float) -> Path:
        """The file of a day."""
        day = datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d")
        return self.folder / kind / f"{day}.jsonl"

    def keep(self, kind: str, at_s: float, items: Iterable[dict[str, Any]]) -> int:
        """Append items to the file of the day, all of them or none; returns how many were kept.

        Raises JournalError if they cannot be written: the batch they are of is then not accepted either.
        """
        lines = [_line(item) for item in items]
        if not lines:
            return 0
        path = self.path(kind, at_s)
        with self._lock:
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                size = path.stat().st_size if path.exists() else 0
                if kind == REFUSED:
                    lines = _fitting(lines, self._most_bytes - size)
                _append(path, size, b"".join(lines))
            except OSError as exc:
                raise JournalError(
                    f"{path}: cannot be written ({exc.strerror or exc}); readings are refused until there is "
                    "room. Free some space there; senders should keep their readings and try again"
                ) from exc
        return len(lines)

    def forget(self, before_s: float) -> int:
        """Delete files of days before a time; returns how many. Counts are kept elsewhere."""
        oldest = datetime.fromtimestamp(before_s, UTC).strftime("%Y-%m-%d")
        old = [
            path
            for kind in (REFUSED, LATE)
            for path in (self.folder / kind).glob("????-??-??.jsonl")
            if path.stem < oldest
        ]
        for path in old:
            path.unlink(missing_ok=True)
        return len(old)


def _line(item: dict[str, Any]) -> bytes:
    """One line; half a character, which UTF-8 has no place for, becomes the escape that JSON has for it."""
    text = json.dumps(item, ensure_ascii=False, separators=(",", ":")) + "\n"
    return text.encode("utf-8", "backslashreplace")


def _fitting(lines: list[bytes], room: int) -> list[bytes]:
    kept = []
    for line in lines:
        room -= len(line)
        if room < 0:
            break
        kept.append(line)
    return kept


def _append(path: Path, size: int, data: bytes) -> None:
    """Append and sync; what was written of it is taken back if that fails."""
    with path.open("a+b", buffering=0) as file:
        try:
            if size:
                file.seek(size - 1)
                if file.read(1) != b"\n":  # a power cut in the middle of a line
                    data = b"\n" + data
            written = 0
            while written < len(data):
                written += file.write(data[written:]) or 0
            os.fsync(file.fileno())
        except OSError:
            file.truncate(size)
            raise
