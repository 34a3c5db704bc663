"""Make the report of a week and write it: all files, or none."""

from __future__ import annotations

import fcntl
import os
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

from steadyhead.diagnosis.causes import Knowledge
from steadyhead.errors import OutputError
from steadyhead.files import write_atomically
from steadyhead.fleet.place import HERE, Place
from steadyhead.types import Condition
from steadyhead.weekly.fleet import gather
from steadyhead.weekly.material import Progress, Source, silent
from steadyhead.weekly.model import FleetWeek
from steadyhead.weekly.render import to_html, to_pdf
from steadyhead.weekly.settings import ReportSettings
from steadyhead.weekly.tables import to_csv, to_json
from steadyhead.weekly.view import context
from steadyhead.weekly.week import Week
from steadyhead.weekly.words import Words

HTML, PDF, CSV, JSON = "report.html", "report.pdf", "figures.csv", "report.json"
"""JSON takes its place last: where it stands, the report is whole."""
PART = ".part"  # end of the name of what is not finished


@dataclass(frozen=True, slots=True)
class Written:
    """What was made, and where."""

    fleet: FleetWeek
    files: tuple[Path, ...]


def make_report(
    source: Source,
    week: Week,
    folder: Path,
    settings: ReportSettings,
    *,
    pages_for: Sequence[str] = (),
    progress: Progress = silent,
    made_s: int | None = None,
    place: Place = HERE,
) -> Written:
    """Work the report out and write its files into ``folder``.

    pages_for : stations that get a page whether they need one or not
    place : where the stations are judged
    made_s : the time stamp; that of SOURCE_DATE_EPOCH, or now, if left out
    Raises ReportError if there is nothing to report, OutputError if the folder cannot be written; older
    files of the report are then as they were.
    """
    with _unmade_if_vain(folder):
        check_writable(folder)  # before the long part
        return _make(source, week, folder, settings, pages_for, progress, made_s, place)


def _make(
    source: Source, week: Week, folder: Path, settings: ReportSettings, pages_for: Sequence[str],
    progress: Progress, made_s: int | None, place: Place,
) -> Written:  # fmt: skip
    words = Words.of(source.registry.settings.units, settings.date_language)
    made_s = stamp_s() if made_s is None else made_s
    found = gather(source, week, words, settings.sigma_limit, progress, pages_for=pages_for, place=place)
    progress("Setting pages", 0, 0)
    shown = context(found.fleet, found.pictures, words, _titles(source.knowledge), made_s)
    html = to_html(shown)
    files: dict[str, bytes] = {
        HTML: html.encode(),
        CSV: to_csv(found.fleet, words).encode("utf-8-sig"),  # the mark lets spreadsheets read it as UTF-8
        JSON: to_json(found.fleet, words, made_s).encode(),
    }
    if settings.has_pdf:
        progress("Making the PDF", 0, 0)
        files[PDF] = to_pdf(html)
    return Written(found.fleet, write_together(folder, files))


@contextmanager
def _unmade_if_vain(folder: Path) -> Iterator[None]:
    """Take away again the folders that were made, if nothing came into them."""
    new = [path for path in (folder, *folder.parents) if not path.exists()]
    try:
        yield
    except BaseException:
        for path in new:
            with suppress(OSError):
                path.rmdir()  # only if it is empty
        raise


def stamp_s(clock: Callable[[], float] = time.time) -> int:
    """SOURCE_DATE_EPOCH if it is set, else now. Raises OutputError if it is no number."""
    given = os.environ.get("SOURCE_DATE_EPOCH")
    if given is None:
        return int(clock())
    if not given.isdecimal():
        raise OutputError(f'SOURCE_DATE_EPOCH is "{given}"; give whole seconds since 1970, or unset it')
    return int(given)


def check_writable(folder: Path) -> None:
    """Raise OutputError if nothing can be written there; makes the folder if it is missing."""
    probe = folder / f".{secrets.token_hex(6)}{PART}"
    write_atomically(probe, b"")
    probe.unlink()


def write_together(folder: Path, files: Mapping[str, bytes]) -> tuple[Path, ...]:
    """All files, or none: they are written beside their places first and then take them, JSON last.

    A report of the same week that another process writes there waits. A kill while files take their places
    leaves a folder without JSON, which counts as no report.
    Raises OutputError; what stood there is then unchanged.
    """
    aside = folder / f".{secrets.token_hex(6)}{PART}"
    ordered = sorted(files, key=lambda name: name == JSON)
    try:
        for name in ordered:
            if (folder / name).is_dir():
                raise OutputError(f"{folder / name}: is a folder; move it away, or choose another folder")
            write_atomically(aside / name, files[name])
        try:
            with _alone_in(folder):
                _take_places(folder, aside, ordered)
        except OSError as exc:
            raise OutputError(
                f"{folder}: cannot be written ({exc.strerror or exc}); check its rights"
            ) from exc
    finally:
        with suppress(OSError):
            shutil.rmtree(aside)
    return tuple(folder / name for name in files)


def _take_places(folder: Path, aside: Path, ordered: Sequence[str]) -> None:
    old = aside / "old"
    has_old = JSON in ordered and (folder / JSON).exists()
    if has_old:
        (folder / JSON).replace(old)
    done = 0
    try:
        for name in ordered:
            (aside / name).replace(folder / name)
            done += 1
    except BaseException:
        if has_old and done == 0:  # the older report is still whole
            old.replace(folder / JSON)
        raise
    if PDF not in ordered and JSON in ordered:
        with suppress(OSError):
            (folder / PDF).unlink()  # of an older report; it would say something else than the rest


@contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """One process at a time; the kernel lets go of it with the process, however that ends."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def sweep(folder: Path, older_s: float = 3600.0) -> None:
    """Clear away what a kill in the middle of writing has left below a folder of reports."""
    with suppress(OSError):
        for part in [*folder.glob(f".*{PART}"), *folder.glob(f"*/.*{PART}")]:
            if time.time() - part.stat().st_mtime > older_s:
                shutil.rmtree(part) if part.is_dir() else part.unlink()


def _titles(knowledge: Knowledge) -> dict[Condition, str]:
    return {condition: entry.title for condition, entry in knowledge.entries.items()}
