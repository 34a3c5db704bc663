"""One round: everything is sent, undisturbed or under faults, and what came of it is read."""

from __future__ import annotations

import random
import signal
import threading
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from tests.integration.live.worker_bench import FROM_S, Known, chosen_registry, known

from steadyhead.access.accounts import Accounts
from steadyhead.config import Registry, load_registry
from steadyhead.readings.grid import add_neighbours, to_grid
from steadyhead.store.database import open_database

from . import plant, senders
from .faults import Fault
from .outcome import Outcome, outcome
from .works import StuckError, Works, until, works

SETTINGS = """
data_folder: disk/data
database_url: {url}
profiles: {profiles}
port: {port}
horizon_s: {horizon_s}
checkpoint_s: 1
poll_s: 0.3
feeds:
  plant:
    kind: mqtt
    mapping: mapping.yaml
    host: 127.0.0.1
    port: {broker}
    topics: ["plant/#"]
"""


ONE_AT_A_TIME = threading.Lock()
"""Held while a database is laid out: two runs may go on at once, and Alembic has globals."""


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of the stations before any service runs: their logs, profiles, and what ``scan`` says."""

    registry_file: Path
    registry: Registry
    profiles: Path
    known: Known


def facts(folder: Path, days: float | None = None) -> Facts:
    """Learn the stations; of what follows only so many days are sent."""
    folder.mkdir(parents=True, exist_ok=True)
    path, registry = chosen_registry(folder, *plant.STATIONS)
    found = known(registry, folder / "profiles")
    if days is not None:
        logs = {name: plant.until_day(log, FROM_S + days * 86_400) for name, log in found.logs.items()}
        rows = add_neighbours(
            [to_grid(logs[name], registry.stations[name]) for name in logs], registry.zones()
        )
        found = replace(found, logs=logs, readings={one.station: one for one in rows})
    return Facts(path, registry, folder / "profiles", found)


@dataclass
class Result:
    """What a round did and what came of it.

    done : faults injected, by kind; starts, ends : how often the service was started, and its exit codes
    sent : by way
    """

    outcome: Outcome
    done: Counter[str]
    starts: int
    sent: dict[str, senders.Sent]
    seconds: float
    ways: dict[str, str] = field(default_factory=dict)


def play(folder: Path, about: Facts, seed: int, faults: Sequence[Fault]) -> Result:
    """Send everything by its way, inject the faults meanwhile, and stop the service in order.

    Without faults nothing is shuffled, repeated or hurried either: that is the undisturbed run.
    Raises StuckError if something does not come that must come.
    """
    rng, began = random.Random(seed), time.monotonic()
    by = plant.ways(rng)
    with works(folder) as at:
        with ONE_AT_A_TIME:
            url, token = _lay_out(at, about, by)
        at.service.begin()
        until(at.service.is_ready, "the first start of the service")
        todo = {way: _todo(about, by, way, rng, is_calm=not faults) for way in plant.AT_ONCE}
        made = _senders(at, about, by, token, rng)
        done = _send_all(at, made, todo, faults, rng)
        _rest(at)
        code = at.service.end()
        if code != 0:
            raise StuckError(f"the service ended with {code}: {at.service.said.read_text()[-2000:]}")
        spans = {name: (rows.start_s, rows.end_s) for name, rows in about.known.readings.items()}
        with ONE_AT_A_TIME:
            found = outcome(at, load_registry(folder / "stations.yaml"), url, spans)
        sent = {way: sender.sent for way, sender in made.items()}
        return Result(found, done, at.service.starts, sent, time.monotonic() - began, by)


def _lay_out(at: Works, about: Facts, by: dict[str, str]) -> tuple[str, str]:
    """Settings, registry, mapping, database, a token for pushes; the URL of the database, and the token."""
    text = plant.registry_text(about.registry_file, by, about.known.logs)
    (at.folder / "stations.yaml").write_text(text, encoding="utf-8")
    (at.folder / "mapping.yaml").write_text(plant.MAPPING, encoding="utf-8")
    (at.folder / "logs").mkdir()
    at.database.execute("CREATE DATABASE steadyhead")
    url = at.database.url("steadyhead")
    settings = SETTINGS.format(
        url=url, profiles=about.profiles, port=at.service.port, broker=at.broker.port,
        horizon_s=plant.HORIZON_S,
    )  # fmt: skip
    (at.folder / "service.yaml").write_text(settings, encoding="utf-8")
    database = open_database(url)
    accounts = Accounts(database, time.time)
    accounts.create("ada", "administrator", "a kettle of copper")
    token = accounts.make_token("plant", "write_readings", "ada").secret
    database.close()
    return url, token


def _todo(
    about: Facts, by: dict[str, str], way: str, rng: random.Random, *, is_calm: bool
) -> list[plant.Sending]:
    readings = plant.readings_of(about.known.logs, [name for name in by if by[name] == way])
    if not is_calm:
        readings = plant.shuffled(readings, rng)
    return plant.sendings(readings, way, rng, is_calm=is_calm)


def _senders(
    at: Works, about: Facts, by: dict[str, str], token: str, rng: random.Random
) -> dict[str, senders.Sender]:
    roles = {name: list(about.known.logs[name].series) for name in by if by[name] == "folder"}
    folder = senders.FolderSender(at, roles, random.Random(rng.random()))
    folder.begin()
    return {"http": senders.HttpSender(at, token), "mqtt": senders.MqttSender(at), "folder": folder}


def _send_all(
    at: Works, made: dict[str, senders.Sender], todo: dict[str, list[plant.Sending]],
    faults: Sequence[Fault], rng: random.Random,
) -> Counter[str]:  # fmt: skip
    """Run all senders, each in a thread, and the faults; what may be sent grows with the faults done."""
    share, failed, over = [1.0 if not faults else 1 / (len(faults) + 1)], [], threading.Event()

    def guarded(act: Callable[[], None]) -> None:
        try:
            act()
        except Exception as exc:  # told by the thread that waits
            failed.append(exc)
            over.set()

    threads = [
        threading.Thread(
            target=guarded, daemon=True,
            args=(lambda way=way: senders.run(made[way], todo[way], lambda: share[0], over.is_set),),
        )
        for way in made
    ]  # fmt: skip
    for thread in threads:
        thread.start()
    done: Counter[str] = Counter()
    for n, fault in enumerate(faults, start=2):
        share[0] = n / (len(faults) + 1)
        if over.is_set():
            break
        inject(at, fault)
        done[fault.kind] += 1
        done["kill_service in it"] += fault.kills is not None
    for thread in threads:
        thread.join()
    if failed:
        raise failed[0]
    until(at.service.is_ready, "the service to be ready in the end")
    return done


def inject(at: Works, fault: Fault) -> None:
    """Do it, wait, mend it."""
    if fault.is_up:
        until(at.service.is_ready, "the service to be ready again")
    time.sleep(fault.after_s)
    do, mend = _ACTS[fault.kind]
    do(at, fault)
    if fault.kills is not None:
        time.sleep(fault.kills * fault.lasts_s)
        at.service.signal(signal.SIGKILL)
    time.sleep(fault.lasts_s * (1 - (fault.kills or 0.0)))
    mend(at, fault)


def _nothing(at: Works, fault: Fault) -> None:
    del at, fault


def _set_clock(at: Works, fault: Fault) -> None:
    at.service.wall_s += fault.amount
    at.service.set_clocks()


def _kill_all(at: Works, fault: Fault) -> None:
    del fault
    at.service.signal(signal.SIGKILL)
    at.kill_database()
    at.kill_broker()


def _start_both(at: Works, fault: Fault) -> None:
    del fault
    at.start_database()
    at.broker.start()


_ACTS: dict[str, tuple[Callable[[Works, Fault], None], Callable[[Works, Fault], None]]] = {
    "kill_service": (lambda at, _: at.service.signal(signal.SIGKILL), _nothing),
    "stop_service": (lambda at, _: at.service.signal(signal.SIGTERM), _nothing),
    "freeze_service": (
        lambda at, _: at.service.signal(signal.SIGSTOP), lambda at, _: at.service.signal(signal.SIGCONT)
    ),
    "kill_database": (lambda at, _: at.kill_database(), lambda at, _: at.start_database()),
    "stop_database": (lambda at, _: at.database.stop(), lambda at, _: at.start_database()),
    "kill_broker": (lambda at, _: at.kill_broker(), lambda at, _: at.broker.start()),
    "restart_broker": (lambda at, _: at.broker.stop(), lambda at, _: at.broker.start()),
    "fill_disk": (lambda at, _: at.fill_disk(), lambda at, _: at.empty_disk()),
    "cap_files": (lambda at, _: at.service.cap_files(4096), lambda at, _: at.service.cap_files(None)),
    "set_clock": (_set_clock, _nothing),
    "kill_all": (_kill_all, _start_both),
}  # fmt: skip


def _rest(at: Works) -> None:
    """Let so much listening time pass that every row is complete: thrice, as zones wait for each other."""
    for _ in range(3):
        before = _listened(at)  # first: the mark may be there the moment the clock is set
        at.service.steady_s += plant.HORIZON_S + 1
        at.service.set_clocks()
        until(lambda: _listened(at) >= before + plant.HORIZON_S, "a mark of the clock in the journal")  # noqa: B023
    until(lambda: _is_judged(at), "everything to be judged")


def _listened(at: Works) -> float:
    found = senders.ask_journal(at.data, "SELECT listened_s FROM listened")
    return float(found[0][0]) if found else 0.0


def _is_judged(at: Works) -> bool:
    """Checkpoints have outlived all records but perhaps the latest marks."""
    found = senders.ask_journal(at.data, "SELECT count(*) FROM records WHERE kind = 'readings'")
    return bool(found) and found[0][0] == 0
