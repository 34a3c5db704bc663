"""The live run: journal to order to engine to desk, with checkpoints."""

from __future__ import annotations

from collections.abc import Collection

from steadyhead.live.views import Learned, Learning, RunnerStatus, StationView

__all__ = ["Learned", "Learning", "Runner", "RunnerStatus", "StationView"]


class Runner:
    """Runs in a thread of its own; the methods here may be called from any thread."""

    def start(self) -> None:
        """Resume from the checkpoints and begin."""
        raise NotImplementedError

    def stop(self) -> None:
        """Make everything safe and end the thread."""
        raise NotImplementedError

    def status(self) -> RunnerStatus:
        """How the run is doing."""
        raise NotImplementedError

    def stations(self, names: Collection[str] | None = None) -> dict[str, StationView]:
        """Each station now, by name; all if None."""
        raise NotImplementedError

    def learn(self, station: str, from_s: int | None = None, to_s: int | None = None) -> Learned:
        """Learn a profile from archived readings and put it in use; takes seconds.

        Raises NotFoundError for an unknown station, LearningError if there is too little.
        """
        raise NotImplementedError
