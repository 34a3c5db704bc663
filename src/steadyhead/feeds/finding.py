"""The files a source's patterns mean."""

from __future__ import annotations

import glob
import os
import re
from pathlib import Path

from steadyhead.config.fields import did_you_mean
from steadyhead.config.model import Source, Station
from steadyhead.errors import FeedError


def find_files(station: Station, source: Source, log_root: Path) -> list[Path]:
    """Files of a source, each once, in the order people count in (log_2 before log_10).

    Raises FeedError if a pattern matches no file.
    """
    found: dict[Path, None] = {}
    for pattern in source.path:
        # os.path and glob because a pattern may hold ".." or be absolute, which Path.glob refuses
        matches = [Path(name) for name in glob.glob(os.path.join(log_root, pattern), recursive=True)]  # noqa: PTH118, PTH207
        files = [path for path in matches if path.is_file()]
        if not files:
            raise FeedError(_no_match(station, pattern, log_root))
        found.update(dict.fromkeys(sorted(files, key=natural_order)))
    return list(found)


def natural_order(path: Path) -> list[tuple[int, int, str]]:
    """Sorting key that counts numbers in names as numbers."""
    parts = re.split(r"(\d+)", str(path))
    return [(1, int(part), "") if part.isdecimal() else (0, 0, part) for part in parts if part]


def _no_match(station: Station, pattern: str, log_root: Path) -> str:
    start = f'{station.name}: no file matches "{pattern}" below {log_root}'
    if not log_root.is_dir():
        return f"{start}, which is no folder; give the folder of the logs, or mend log_root in the registry"
    fixed = Path(os.path.dirname(pattern))  # noqa: PTH120  a pattern, not a path
    folder = log_root / fixed if not glob.has_magic(str(fixed)) else log_root
    if not folder.is_dir():
        return f"{start}: there is no folder {folder}; mend path of this source in the registry"
    names = sorted(path.name for path in folder.iterdir() if path.is_file())
    if not names:
        return f"{start}: that folder holds no files; put the logs there, or mend path of this source"
    hint = did_you_mean(os.path.basename(pattern), names)  # noqa: PTH119  a pattern, not a path
    listed = ", ".join(names[:5]) + (", ..." if len(names) > 5 else "")
    return f"{start} (there: {listed}); mend path of this source in the registry" + (
        f"; {hint}" if hint else ""
    )
