"""The thread of a service that writes the weekly report when it is due."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from pathlib import Path

from steadyhead.errors import ReportError, SteadyheadError
from steadyhead.weekly.opening import RoomLike
from steadyhead.weekly.schedule import write_if_due
from steadyhead.weekly.settings import ReportSettings

log = logging.getLogger(__name__)

LOOK_S = 600.0  # how often it is looked whether a report is due
FIRST_LOOK_S = 60.0  # after the start, when what had gathered is judged
SETTLE_S = 3600.0  # after a failure; a week without a reading will not have one in ten minutes


class Reporter:
    """Started with a service; does nothing where no report is asked for."""

    def __init__(self, settings: ReportSettings, clock: Callable[[], float]) -> None:
        self._settings, self._clock = settings, clock
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, room: RoomLike) -> None:
        """Begin to look; returns at once."""
        if not self._settings.is_made or self._thread is not None:
            return
        self._thread = threading.Thread(target=self._run, args=(room,), name="reporter", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """End; a report that is being made is not waited for, since none of its files is there before all."""
        self._stop.set()

    def _run(self, room: RoomLike) -> None:
        wait_s = FIRST_LOOK_S
        while not self._stop.wait(wait_s):
            wait_s = LOOK_S
            folder: Path = self._settings.folder
            try:
                written = write_if_due(room, self._clock(), self._settings, folder)
                if written is not None:
                    log.warning("the report of week %s is in %s", written.fleet.week, written.files[0].parent)
            except ReportError as exc:
                log.warning("no report: %s", exc)
                wait_s = SETTLE_S
            except SteadyheadError as exc:
                log.warning("the report could not be written, it is tried again: %s", exc)
                wait_s = SETTLE_S
            except Exception:
                log.exception("a defect in the report; it is tried again")
                wait_s = SETTLE_S
