"""Work over a fleet gives the same to the last bit wherever it runs; a worker that is killed costs its lots.

Real processes, real kills; the workers are Dask's, of our own and behind a scheduler that was started apart.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from fleet_hands import (
    BROKEN,
    NAMES,
    STEPPED,
    Traced,
    begun,
    done_by,
    everything,
    kill_the_first,
    make_fleet,
    scanning,
)

from steadyhead.archive.place import ArchivePlace
from steadyhead.cli import main
from steadyhead.config import Registry, load_registry
from steadyhead.errors import FleetError
from steadyhead.feeds.load import read_each
from steadyhead.fleet import dask as fleet_dask
from steadyhead.fleet.place import HERE, Place
from steadyhead.fleet.readings import ArchiveReadings
from steadyhead.fleet.told import Finished

HANDS = Path(__file__).parent
sys.path.insert(0, str(HANDS.parent / "archive"))
from influx_stand_in import BUCKET, ORG, TOKEN, StandIn  # noqa: E402

LOCAL = Place(processes=2)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("fleet")
    make_fleet(folder)
    return folder


@pytest.fixture(scope="module")
def registry(folder: Path) -> Registry:
    return load_registry(folder / "stations.yaml")


@pytest.fixture(scope="module")
def wanted(folder: Path, registry: Registry) -> str:
    """What one process makes of it."""
    outcome = done_by(scanning(folder), registry, HERE)
    assert {found.alert.station for found in outcome.found} >= set(STEPPED)
    assert list(outcome.left_out) == [BROKEN]
    assert len(outcome.profiles) == len(NAMES) - 1
    return everything(outcome)


def test_a_worker_killed_in_the_middle_costs_its_own_lots_and_changes_no_bit(
    folder, registry, wanted, tmp_path
):
    trace, told = tmp_path / "trace", []
    thread, killed = kill_the_first(trace)
    outcome = done_by(Traced(scanning(folder), trace, hold_s=0.3), registry, LOCAL, told.append)
    thread.join()
    assert everything(outcome) == wanted
    lots = [name for _, name in begun(trace)]
    again = {name for name in lots if lots.count(name) > 1}
    of_the_killed = {name for pid, name in begun(trace) if pid == killed[0]}
    assert again <= of_the_killed  # nothing else was done twice
    assert again
    assert os.getpid() not in {pid for pid, _ in begun(trace)}
    read = [one for one in told if isinstance(one, Finished) and one.step == "read"]
    assert (sum(one.tried for one in read), sum(one.good for one in read)) == (12, 11)


def test_a_lot_that_kills_every_worker_is_given_up_and_the_others_are_done(
    folder, registry, wanted, tmp_path, monkeypatch
):
    monkeypatch.setitem(fleet_dask.SETTINGS, "distributed.scheduler.allowed-failures", 1)
    deadly = NAMES[0]
    outcome = done_by(Traced(scanning(folder), tmp_path / "trace", deadly=deadly), registry, LOCAL)
    lost = {name: line for name, line in outcome.left_out.items() if "given up" in line}
    assert deadly in lost
    assert "since 2 worker processes died while they had a lot of 2 stations" in lost[deadly]
    assert sum(name == deadly for _, name in begun(tmp_path / "trace")) == 2
    assert len(outcome.profiles) >= len(NAMES) - 1 - len(lost)
    for profile in outcome.profiles.values():
        assert profile.version in wanted


def wait_for(address: str) -> None:
    """Until something listens there."""
    host, port = address.removeprefix("tcp://").split(":")
    end = time.monotonic() + 120
    while True:
        try:
            socket.create_connection((host, int(port)), timeout=5).close()
        except OSError:
            if time.monotonic() > end:
                raise
            time.sleep(0.1)
        else:
            return


@pytest.fixture
def scheduler(tmp_path: Path) -> Iterator[str]:
    """A scheduler and two workers, each a program of its own as on three machines."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{probe.getsockname()[1]}"
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(path for path in (str(HANDS), *sys.path) if path)}
    command = [sys.executable, "-m", "dask"]
    started = [
        subprocess.Popen(
            [*command, "scheduler", "--host", address, "--no-dashboard"], env=env, stderr=subprocess.DEVNULL
        )
    ]
    started += [
        subprocess.Popen(
            [*command, "worker", address, "--nthreads", "1", "--no-dashboard", "--name", f"w{n}",
             "--local-directory", str(tmp_path / f"w{n}")],
            env=env, stderr=subprocess.DEVNULL,
        )
        for n in range(2)
    ]  # fmt: skip
    wait_for(address)
    yield address
    for process in reversed(started):
        process.terminate()
    for process in started:
        try:
            process.wait(20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def test_a_scheduler_elsewhere_does_the_same_though_a_worker_is_killed(
    scheduler, folder, registry, wanted, tmp_path
):
    thread, killed = kill_the_first(tmp_path / "trace")
    work = Traced(scanning(folder), tmp_path / "trace", hold_s=0.3)
    assert everything(done_by(work, registry, Place(scheduler=scheduler))) == wanted
    thread.join()
    assert len(killed) == 1


def run_main(*arguments: object) -> int:
    with pytest.raises(SystemExit) as ended:
        main([str(argument) for argument in arguments])
    return int(ended.value.code or 0)


def test_the_commands_write_the_same_files_and_say_the_same(folder, tmp_path, capsys):
    """`scan --learn` and `report`, in this process and in two."""
    said, files = {}, {}
    for place in ("here", "2"):
        out = tmp_path / place
        where = ("--registry", folder / "stations.yaml", "--run-on", place)
        profiles = ("--profiles", out / "profiles")
        assert run_main("scan", *where, *profiles, "--learn", "--out", out / "scan", *NAMES[4:8]) == 2
        printed = capsys.readouterr()
        assert run_main("report", *where, *profiles, "--week", "2025-W19", "--no-pdf", "--out",
                        out / "report", *NAMES[4:8]) == 2  # fmt: skip
        printed_too = capsys.readouterr()
        said[place] = [printed.err, printed_too.err]
        assert "Read 3 stations" in printed.out
        assert "Learned 3 stations" in printed.out
        assert "Scanned 3 stations" in printed.out
        files[place] = {
            path.relative_to(out): path.read_bytes() for path in sorted(out.rglob("*")) if path.is_file()
        }
    assert "Done by 2 processes" in printed.out
    assert said["here"] == said["2"]
    assert said["2"][0].startswith(f"steadyhead: {BROKEN}: ")
    assert files["here"].keys() == files["2"].keys()
    assert any(path.suffix == ".png" for path in files["2"])
    for path, content in files["2"].items():
        if path.name in ("learned.txt", "report.json", "report.html"):  # they tell the folder, or the time
            continue
        assert content == files["here"][path], path


@pytest.mark.parametrize("store", ["embedded", "influx"])
def test_what_a_service_kept_gives_what_its_logs_do(folder, registry, tmp_path, store):
    """Parquet of the archive, and InfluxDB as it is documented, which two workers read lot by lot."""
    names = NAMES[:4]
    some = registry.model_copy(update={"stations": {name: registry.stations[name] for name in names}})
    token = tmp_path / "token"
    token.write_text(TOKEN)
    server = StandIn()
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        place = ArchivePlace(store, tmp_path / "data", fleet_keep(), server.url, ORG, BUCKET, token)
        archive = place.open({name: registry.stations[name].step_s for name in names})
        for readings in read_each(registry, None, names).readings.values():
            archive.append(readings)
        archive.close()
        from_logs = done_by(scanning(folder), some, HERE)
        where = LOCAL if store == "influx" else HERE
        from_archive = done_by(scanning(folder, ArchiveReadings(place)), some, where)
        asked = len(server.queries)
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert everything(from_archive) == everything(from_logs)
    assert (asked > 0) == (store == "influx")


def fleet_keep():
    from steadyhead.archive.archive import Keep

    return Keep(full_days=100_000, thinned_days=100_000)


def test_dask_does_not_speak_even_once_its_cluster_is_closed(folder, registry, caplog):
    """As of connections that were cut while it closed."""
    loggers = [logging.getLogger(f"distributed{part}") for part in ("", ".batched", ".client", ".gc")]
    for logger in loggers[::2]:
        logger.setLevel(logging.INFO)  # as Dask leaves it
    loggers[1].info("heard")
    done_by(scanning(folder), registry, LOCAL)
    for logger in loggers:
        logger.error("not heard")
    told = [record.getMessage() for record in caplog.records if record.name.startswith("distributed")]
    assert told[0] == "heard"
    assert "not heard" not in told


def test_ctrl_c_ends_all_processes_with_one_line(folder, tmp_path):
    """As a terminal does it: the signal goes to every process of the group."""
    process = subprocess.Popen(
        [sys.executable, "-m", "steadyhead", "scan", "--learn", "--registry", folder / "stations.yaml",
         "--run-on", "2", "--profiles", tmp_path / "profiles", "--out", tmp_path / "out"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
    )  # fmt: skip
    end = time.monotonic() + 60
    while time.monotonic() < end and len(members(process.pid)) < 3:
        time.sleep(0.05)
    time.sleep(1.0)
    assert len(members(process.pid)) >= 3
    os.killpg(process.pid, signal.SIGINT)
    _, err = process.communicate(timeout=60)
    assert (process.returncode, err) == (
        130, "steadyhead: stopped; every file is whole, as it was or new\n",
    )  # fmt: skip
    while time.monotonic() < end + 30 and members(process.pid):
        time.sleep(0.05)
    assert members(process.pid) == []


def members(group: int) -> list[int]:
    """Processes of a group that live."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = path.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[2]) == group and fields[0] != "Z":
            found.append(int(path.parent.name))
    return found


@pytest.mark.parametrize("word", ["four", "0", "http://10.0.0.5:8786", "tcp://", ""])
def test_a_place_that_is_none_is_said(word, folder, capsys):
    assert run_main("learn", "--registry", folder / "stations.yaml", "--run-on", word) == 2
    assert "is no place to run on" in capsys.readouterr().err


def test_a_scheduler_that_is_not_there_is_said(folder, tmp_path, capsys, monkeypatch):
    monkeypatch.setattr(fleet_dask, "JOIN_S", 1.5)
    code = run_main("learn", "--registry", folder / "stations.yaml", "--run-on", "tcp://127.0.0.1:9",
                    "--profiles", tmp_path)  # fmt: skip
    assert code == 2
    assert "tcp://127.0.0.1:9: no Dask scheduler answers there" in capsys.readouterr().err


def test_a_worker_of_another_version_is_refused(monkeypatch):
    from steadyhead.fleet import crew, mark

    monkeypatch.setattr(mark, "own_mark", lambda: "theirs")
    with pytest.raises(FleetError, match=r"another version .*\(theirs\) than this command \(ours\)"):
        crew.at_work(crew.packed(print, 1), "ours")
