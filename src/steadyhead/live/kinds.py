"""What the live run asks of its journal and its runner; one process alone and a shared fleet differ there."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import Any, Protocol

from steadyhead.desk.audit import SERVICE
from steadyhead.live.clock import Moment
from steadyhead.live.journal import Kind, Record
from steadyhead.live.tallies import Entry, RefusalCount, SourceCount
from steadyhead.live.views import Learned, RunnerStatus, StationView


class Counted(Protocol):
    """What is known of sources: how far each was read, and how much came of it. All raise JournalError."""

    def positions(self) -> dict[str, dict[str, Any]]:
        """How far each watched source has been read."""
        ...

    def source_counts(self) -> list[SourceCount]:
        """What came from each source."""
        ...

    def refusal_counts(self) -> list[RefusalCount]:
        """Refusals by kind."""
        ...


class JournalLike(Counted, Protocol):
    """Numbered records, safe before anybody is told so: ``live.journal`` says what each method does."""

    @property
    def last_no(self) -> int: ...  # noqa: D102
    @property
    def listened_s(self) -> float: ...  # noqa: D102

    def append(  # noqa: D102
        self, kind: Kind, moment: Moment, body: bytes = b"", n_items: int = 0, entries: Sequence[Entry] = ()
    ) -> int: ...
    def note(self, entries: Sequence[Entry]) -> None: ...  # noqa: D102
    def prune(self, through_no: int) -> int: ...  # noqa: D102
    def read(self, after_no: int, most_items: int = 200_000) -> list[Record]: ...  # noqa: D102
    def items_after(self, no: int) -> tuple[int, float]: ...  # noqa: D102
    def used_bytes(self) -> int: ...  # noqa: D102
    def free_bytes(self) -> int: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


class RunnerLike(Protocol):
    """What pages and API ask of the run: ``live.runner`` says what each method does."""

    def start(self) -> None: ...  # noqa: D102
    def stop(self) -> None: ...  # noqa: D102
    def status(self) -> RunnerStatus: ...  # noqa: D102
    def stations(self, names: Collection[str] | None = None) -> dict[str, StationView]: ...  # noqa: D102
    def last_seen(self) -> dict[str, int | None]: ...  # noqa: D102
    def learn(  # noqa: D102
        self, station: str, from_s: int | None = None, to_s: int | None = None, *, who: str = SERVICE
    ) -> Learned: ...


class Running(Protocol):
    """Something with threads of its own."""

    def start(self) -> None: ...  # noqa: D102
    def stop(self) -> None: ...  # noqa: D102
