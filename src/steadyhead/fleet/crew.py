"""Runs a function over jobs: in this process, or on Dask's workers here or elsewhere.

Whatever the place, a job is worked on by the same function with the same arguments and one thread for linear
algebra, and results come in the order of the jobs; so they are the same to the last bit. Nothing is kept on a
worker between jobs. If one dies, Dask gives the jobs it held to another, and nothing else is done again.
"""

from __future__ import annotations

import contextlib
import pickle
from collections.abc import Callable, Iterator, Sequence, Sized
from dataclasses import dataclass
from typing import Generic, TypeVar

from threadpoolctl import threadpool_limits

from steadyhead.errors import FleetError
from steadyhead.fleet.place import Place
from steadyhead.fleet.told import At, Finished, Tell, Told, to_nobody

Job = TypeVar("Job")
Result = TypeVar("Result")
Work = Callable[[Job, Tell], Result]
"""What is done with a job; must be a function of a module, or a partial of one, to travel to a worker."""


@dataclass(frozen=True, slots=True)
class Lost(Generic[Job]):
    """A job given up because each worker that took it died, as happens when one station fills the memory.

    deaths : how many died
    """

    job: Job
    deaths: int


def run(
    work: Work[Job, Result],
    jobs: Sequence[Job],
    place: Place,
    tell: Tell = to_nobody,
) -> Iterator[Result | Lost[Job]]:
    """Results in the order of the jobs, as soon as their turn has come.

    jobs : those with a length count as so many stations, the others as one
    tell : hears ``At`` from this process, and each ``Finished`` before the result it belongs to
    Raises what the work raises, and FleetError if a scheduler cannot be reached or its workers are of
    another version. Closing the iterator, or an interrupt, ends the work that is under way.
    """
    processes = place.processes_for(sum(map(size_of, jobs)), len(jobs))
    if place.scheduler is None and processes == 1:
        for job in jobs:
            with _alone():
                result = work(job, tell)
            yield result
        return
    from steadyhead.fleet.dask import on_workers  # it takes a second to load, which few stations need not pay

    with contextlib.closing(on_workers(work, jobs, processes, place.scheduler)) as done:
        for one in done:
            if isinstance(one, Lost):
                yield one
                continue
            for told in one.told:
                tell(told)
            yield one.result


def results_of(work: Work[Job, Result], jobs: Sequence[Job], place: Place) -> Iterator[Result]:
    """As ``run``, for work that is worth nothing if a part of it is missing: a lost job raises FleetError."""
    for done in run(work, jobs, place):
        if isinstance(done, Lost):
            raise FleetError(
                f"{done.deaths} worker processes died while they had the same job; give them more memory, or "
                "fewer processes to a machine"
            )
        yield done


def size_of(job: object) -> int:
    """How many stations a job stands for."""
    return len(job) if isinstance(job, Sized) else 1


@dataclass(frozen=True, slots=True)
class Answer(Generic[Result]):
    """What a worker sends back."""

    result: Result
    told: tuple[Finished, ...]


def packed(work: Work[Job, Result], job: Job) -> bytes:
    """Work and job for ``at_work``.

    As plain bytes, so that a scheduler passes them on unread: to read them it would load all our libraries.
    """
    return pickle.dumps((work, job))


def at_work(parcel: bytes, mark: str | None) -> Answer[object]:
    """Do a job in a worker. ``mark`` is the version the work was given out by, None where it must be ours.

    Raises FleetError if this process has another: its results could be others.
    """
    from steadyhead.fleet.mark import own_mark

    if mark is not None and mark != own_mark():
        raise FleetError(
            f"a worker runs another version of the program or of its libraries ({own_mark()}) than this "
            f"command ({mark}); install the same on all machines, then start the workers anew"
        )
    work, job = pickle.loads(parcel)  # noqa: S301  a worker runs what its scheduler sends in any case
    told: list[Finished] = []

    def keep(one: Told) -> None:
        if not isinstance(one, At):
            told.append(one)

    with _alone():
        return Answer(work(job, keep), tuple(told))


def _alone() -> contextlib.AbstractContextManager[object]:
    """One thread: sums that are split among threads differ in their last bits, and cores are for stations."""
    limit: contextlib.AbstractContextManager[object] = threadpool_limits(limits=1)
    return limit
