"""The crew's workers: Dask's, in processes of our own or behind a scheduler that runs already."""

from __future__ import annotations

import contextlib
import logging
import signal
import threading
from collections.abc import Generator, Iterator, Sequence
from multiprocessing import resource_tracker
from typing import Any

import dask
from distributed import Client, Future, LocalCluster
from distributed.client import FutureCancelledError
from distributed.comm.core import CommClosedError
from distributed.scheduler import KilledWorker
from distributed.security import Security

from steadyhead.errors import FleetError
from steadyhead.fleet.crew import Answer, Job, Lost, Result, Work, at_work, packed
from steadyhead.fleet.mark import own_mark

DEATHS = 4
"""Workers that may die of one job before it is given up: chance does not strike one lot so often. A scheduler
that runs already has a number of its own (``distributed.scheduler.allowed-failures``)."""
AHEAD = 4  # jobs given out for each thread of the workers, so that none waits; bounds what is in memory
LEAST_AHEAD = 32  # workers may come later
JOIN_S = 30.0
LEAVE_S = 20.0
SETTINGS = {
    "distributed.scheduler.allowed-failures": DEATHS - 1,
    "distributed.worker.daemon": False,
    "distributed.admin.tick.limit": "1 h",  # an interpreter that is busy is no news
    # A lot is small and its result goes home at once, so there is nothing worth swapping out to a disk.
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
}


def on_workers(
    work: Work[Job, Result], jobs: Sequence[Job], processes: int, scheduler: str | None
) -> Generator[Answer[Result] | Lost[Job]]:
    """Answers in the order of the jobs; see ``crew.run``."""
    _quiet()
    with dask.config.set(SETTINGS), contextlib.ExitStack() as stack:
        client = stack.enter_context(_elsewhere(scheduler) if scheduler is not None else _local(processes))
        yield from _answers(client, work, jobs, is_local=scheduler is None)


def _quiet() -> None:
    """Dask's own log is for its developers, and what matters of it comes as an error.

    For good: a cluster told to be silent speaks again once it is closed, of connections that were cut.
    """
    for name in ("distributed", "distributed.client", "distributed.gc"):  # those to which Dask gives a level
        logging.getLogger(name).setLevel(logging.CRITICAL)


def _answers(
    client: Client, work: Work[Job, Result], jobs: Sequence[Job], *, is_local: bool
) -> Generator[Answer[Result] | Lost[Job]]:
    # our own processes start from the same files; what another machine has must be looked at
    mark = None if is_local else own_mark()
    window = max(LEAST_AHEAD, AHEAD * sum(_threads(client).values()))
    pending: dict[int, Future[Any]] = {}
    given = 0
    try:
        for turn in range(len(jobs)):
            while given < len(jobs) and given - turn < window:
                pending[given] = client.submit(at_work, packed(work, jobs[given]), mark, pure=False)
                given += 1
            yield _answer(pending.pop(turn), jobs[turn])
    finally:
        if pending:
            with contextlib.suppress(Exception):  # the scheduler may be what has gone
                client.cancel(list(pending.values()))  # type: ignore[no-untyped-call]


def _threads(client: Client) -> dict[str, int]:
    """Threads of each worker, by its address."""
    threads: dict[str, int] = client.nthreads()  # type: ignore[no-untyped-call]
    return threads


def _answer(future: Future[Any], job: Job) -> Answer[Any] | Lost[Job]:
    try:
        answer: Answer[Any] = future.result()
    except KilledWorker as exc:
        return Lost(job, exc.allowed_failures + 1)
    except (FutureCancelledError, OSError) as exc:
        if isinstance(exc, OSError) and not _is_of_the_network(exc):
            raise
        raise FleetError(
            "the Dask scheduler has gone, and what was not done yet is lost with it; start scheduler and "
            "workers, then run the command again"
        ) from exc
    return answer


def _is_of_the_network(exc: OSError) -> bool:
    return isinstance(exc, CommClosedError | TimeoutError | ConnectionError)


@contextlib.contextmanager
def _elsewhere(address: str) -> Iterator[Client]:
    try:
        client = Client(address, timeout=JOIN_S / 3, set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, ImportError) as exc:
        raise FleetError(
            f"{address}: no Dask scheduler answers there ({type(exc).__name__}); start one with "
            "`dask scheduler`, or mend the address"
        ) from exc
    with contextlib.closing(client):
        try:
            client.wait_for_workers(1, timeout=JOIN_S)
        except TimeoutError as exc:
            raise FleetError(
                f"{address}: the Dask scheduler has no worker after {JOIN_S:.0f} s; start some with "
                f"`dask worker {address} --nworkers auto --nthreads 1`"
            ) from exc
        yield client


def _of_our_own() -> Security:
    """Keys made for this run: a worker runs whatever it is sent, so nobody else on the machine may send."""
    security: Security = Security.temporary()  # type: ignore[no-untyped-call]
    return security


@contextlib.contextmanager
def _local(processes: int) -> Iterator[Client]:
    with _deaf():
        cluster = LocalCluster(  # type: ignore[no-untyped-call]
            n_workers=processes,
            threads_per_worker=1,
            processes=True,
            dashboard_address="127.0.0.1:0",
            host="127.0.0.1",
            silence_logs=logging.CRITICAL,
            protocol="tls",
            security=_of_our_own(),
        )
    try:
        with contextlib.closing(Client(cluster, set_as_default=False)) as client:  # type: ignore[no-untyped-call]
            yield client
    except BaseException:  # what is under way is of no use any more, so nobody waits for it
        _kill(cluster)
        raise
    finally:
        with contextlib.suppress(TimeoutError):  # on a machine that is busy; its processes end with this one
            cluster.close(timeout=LEAVE_S)


def _kill(cluster: LocalCluster) -> None:
    for nanny in list(cluster.workers.values()):
        process = getattr(getattr(nanny, "process", None), "process", None)
        if process is not None:
            with contextlib.suppress(Exception):
                process.kill()


@contextlib.contextmanager
def _deaf() -> Iterator[None]:
    """Threads and processes begun in here do not hear Ctrl-C, which the terminal sends to all of them.

    This process alone decides what becomes of it.
    """
    if threading.current_thread() is not threading.main_thread() or not hasattr(signal, "pthread_sigmask"):
        yield
        return
    resource_tracker.ensure_running()  # it lets signals through again when it starts, so it must run before
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
