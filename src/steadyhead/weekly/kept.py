"""Reports that lie finished in a folder: one folder a week, whole once its JSON is there."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from steadyhead.errors import ReportError
from steadyhead.weekly.week import Week
from steadyhead.weekly.write import CSV, HTML, JSON, PDF

FORMS: Mapping[str, str] = {"html": HTML, "pdf": PDF, "csv": CSV, "json": JSON}
"""The forms a report comes in, and the name of the file of each."""

HEAD_BYTES = 4096  # what is needed stands at the begin of a file that may have megabytes
_ENDS_HEAD = '\n "work":'


@dataclass(frozen=True, slots=True)
class Kept:
    """A finished report.

    made_s : when it was made; is_complete : whether the readings filled its week
    files : by name of ``FORMS``; the PDF may be missing; sizes : of each in bytes
    """

    week: Week
    made_s: int
    is_complete: bool
    files: Mapping[str, Path]
    sizes: Mapping[str, int]


def kept_reports(folder: Path) -> list[Kept]:
    """All finished reports of a folder, newest week first; folders of other names are passed over."""
    try:
        names = [path.name for path in folder.iterdir()]
    except OSError:
        return []
    weeks = sorted((week for name in names if (week := _week(name)) is not None), reverse=True)
    return [found for week in weeks if (found := kept_report(folder, week)) is not None]


def kept_report(folder: Path, week: Week) -> Kept | None:
    """The finished report of a week; None if there is none, or it is not whole."""
    own = folder / str(week)
    try:
        head = _head(own / JSON)
        sizes = {form: path.stat().st_size for form, name in FORMS.items() if (path := own / name).is_file()}
        made_s = int(datetime.fromisoformat(str(head["made_at"])).timestamp())
        return Kept(week, made_s, bool(head["is_complete"]), {f: own / FORMS[f] for f in sizes}, sizes)
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _week(name: str) -> Week | None:
    try:
        week = Week.parse(name)
    except ReportError:
        return None
    return week if str(week) == name else None


def _head(path: Path) -> dict[str, Any]:
    """What stands in a report's JSON before the lists. Raises ValueError if it is no such file."""
    with path.open("rb") as file:
        text = file.read(HEAD_BYTES).decode("utf-8", "replace")
    head, found, _ = text.partition(_ENDS_HEAD)
    if not found:
        raise ValueError(f"{path}: is no report")
    document = json.loads(head.rstrip().rstrip(",") + "}")
    if not isinstance(document, dict):
        raise TypeError(f"{path}: is no report")
    return document
