"""Watched folders: whatever way the files grow, the run sees what ``scan`` would read of them, once."""

from __future__ import annotations

import gzip
import os
import random
import shutil
import time
from pathlib import Path

import numpy as np
import pytest
from live_bench import Bench, Times, same_rows

from steadyhead.config import Registry, load_registry, parse_registry
from steadyhead.errors import JournalError
from steadyhead.feeds.tabular import read_station
from steadyhead.live import folders as folders_module
from steadyhead.live.folders import Folders
from steadyhead.readings.frame import Readings
from steadyhead.readings.grid import add_neighbours, to_grid

ROOT = Path(__file__).parents[3]
NOW_S = 1_764_000_000.0  # some weeks after the sample logs end


class Watch:
    """A bench with watched folders; files are put in place as a logger would."""

    def __init__(self, folder: Path, registry: Registry) -> None:
        self.root = folder / "logs"
        self.root.mkdir(exist_ok=True)
        registry = registry.model_copy(update={"log_root": self.root})
        (folder / "data").mkdir(exist_ok=True)
        self.bench = Bench(folder / "data", registry, Times(NOW_S))
        self.folders = self.again()
        self._writes = 0

    def again(self) -> Folders:
        """A new process: nothing is remembered but the journal."""
        bench = self.bench
        self.folders = Folders(
            bench.registry, bench.intake, bench.journal, bench.folder, lambda: 0, lambda: NOW_S, 300
        )
        return self.folders

    def put(self, name: str, data: bytes, *, is_finished: bool = False) -> None:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        self._writes += 1
        at = time.time() - (100.0 if is_finished else 0.0) + 1e-3 * self._writes
        os.utime(path, (at, at))

    def poll(self) -> None:
        self.folders.poll()
        self.bench.judge()

    def whole(self) -> dict[str, Readings]:
        registry = self.bench.registry
        readings = [to_grid(read_station(s, self.root), s) for s in registry.stations.values()]
        return {r.station: r for r in add_neighbours(readings, registry.zones())}

    def assert_as_whole(self) -> None:
        self.bench.rest()
        for name, expected in self.whole().items():
            got = self.bench.rows(name)
            assert got is not None
            assert same_rows(got, expected.rows(0, len(got))), name
            assert len(expected) - len(got) <= 1

    def counts(self) -> dict[str, tuple[int, int]]:
        return {c.source: (c.accepted, c.late) for c in self.bench.journal.source_counts()}


def sample_registry(*names: str) -> Registry:
    registry = load_registry(ROOT / "config" / "stations.yaml")
    return registry.model_copy(update={"stations": {name: registry.stations[name] for name in names}})


def sample(name: str) -> bytes:
    return (ROOT / "sample_logs" / name).read_bytes()


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize(
    ("station", "name"),
    [
        ("alder_row", "alder_row/alder_row_2025-10-26.csv.gz"),  # holds the hour that the clock shows twice
        ("ferry_landing", "ferry_landing/ferry_landing.csv.gz"),  # long, on change, bad quality in between
        ("larch_street", "larch_street/larch_street.csv"),  # another clock that falls back
        ("chapel_green", "chapel_green/chapel_green.csv"),  # a byte order mark
        ("mill_weir", "mill_weir/mill_weir_2025-10-27.parquet"),
    ],
)
def test_a_sample_log_that_grows_in_any_steps_is_read_as_the_whole(
    tmp_path: Path, station: str, name: str, seed: int
):
    watch = Watch(tmp_path, sample_registry(station))
    rng = random.Random(seed)
    data = sample(name)
    if name.endswith(".parquet"):
        watch.put(name, data)
        watch.poll()
    else:
        is_gzip = name.endswith(".gz")
        text = gzip.decompress(data) if is_gzip else data
        cuts = sorted(rng.randrange(len(text)) for _ in range(6))
        if station == "alder_row":  # some within the hour that happens twice, and minute by minute
            middle = text.index(b"11/02/2025 01:30")
            cuts = sorted([*cuts, *(middle + 60 * k + rng.randrange(60) for k in range(-40, 140, 9))])
        for n, cut in enumerate([*cuts, len(text)]):
            piece = text[:cut]
            is_last = n == len(cuts)
            watch.put(name, gzip.compress(piece, 1) if is_gzip else piece, is_finished=is_last)
            if rng.random() < 0.3:
                watch.again()
            watch.poll()
    watch.assert_as_whole()
    accepted = sum(
        int((~np.isnan(s.values)).sum())
        for s in read_station(watch.bench.registry.stations[station], watch.root).series.values()
    )
    assert watch.counts() == {f"folder:{station}": (accepted, 0)}
    before = watch.bench.journal.last_no
    watch.again()
    watch.poll()
    assert watch.bench.journal.last_no == before  # nothing is read twice


TWO_FILES = """
defaults:
  time_zone: UTC
  step_s: 60
  tags: {outlet: {tag: p, unit: kPa}}
  sources: [{path: "{station}*.csv", time_format: epoch_s}]
stations: {east: {zone: z}, west: {zone: z}}
"""


def csv(first: int, last: int, base: float) -> bytes:
    rows = [f"{1_762_000_020 + 60 * n},{base + n % 7}" for n in range(first, last)]
    return ("time,p\n" + "\n".join(rows) + "\n").encode()


def epoch_registry() -> Registry:
    return parse_registry(TWO_FILES)


def test_a_zone_is_brought_in_in_order_of_time_however_large_its_logs(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(folders_module, "AT_A_TIME", 500)
    watch = Watch(tmp_path, epoch_registry())
    watch.put("east.csv", csv(0, 4000, 400))
    watch.put("west.csv", csv(100, 4200, 410))
    watch.poll()
    assert watch.bench.journal.last_no > 10
    watch.assert_as_whole()
    assert watch.counts() == {"folder:east": (4000, 0), "folder:west": (4100, 0)}


def test_a_kill_between_commits_neither_loses_nor_repeats_a_row(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(folders_module, "AT_A_TIME", 700)
    watch = Watch(tmp_path, epoch_registry())
    watch.put("east.csv", csv(0, 3000, 400))
    watch.put("west.csv", csv(0, 3000, 410))
    commit = watch.bench.intake.commit
    for survives in (0, 1, 3, 2):
        left = [survives]

        def dying(parts, left=left):
            if left[0] == 0:
                raise JournalError("killed")
            left[0] -= 1
            return commit(parts)

        watch.bench.intake.commit = dying  # type: ignore[method-assign]
        with pytest.raises(JournalError):
            watch.poll()
        watch.again()
    watch.bench.intake.commit = commit  # type: ignore[method-assign]
    watch.put("east.csv", csv(0, 3100, 400))  # and meanwhile it has grown
    watch.poll()
    watch.assert_as_whole()
    assert watch.counts() == {"folder:east": (3100, 0), "folder:west": (3000, 0)}


def test_a_source_that_lags_in_its_zone_loses_nothing_by_a_kill_between_commits(tmp_path: Path, monkeypatch):
    monkeypatch.setattr(folders_module, "AT_A_TIME", 700)
    watch = Watch(tmp_path, epoch_registry())
    watch.put("east.csv", csv(0, 3000, 400))
    watch.put("west.csv", csv(0, 1000, 410))
    commit = watch.bench.intake.commit
    left = [3]

    def dying(parts):
        if left[0] == 0:
            raise JournalError("killed")
        left[0] -= 1
        return commit(parts)

    watch.bench.intake.commit = dying  # type: ignore[method-assign]
    with pytest.raises(JournalError):
        watch.poll()
    watch.again()
    watch.bench.intake.commit = commit  # type: ignore[method-assign]
    watch.put("west.csv", csv(0, 3000, 410))  # what came to it meanwhile is older than what east has brought
    watch.poll()
    watch.assert_as_whole()
    assert watch.counts() == {"folder:east": (3000, 0), "folder:west": (3000, 0)}


def test_new_files_are_found_and_a_file_written_anew_brings_only_what_is_later(tmp_path: Path):
    watch = Watch(tmp_path, epoch_registry())
    watch.put("west.csv", csv(0, 300, 410))
    watch.put("east_1.csv", csv(0, 100, 400))
    watch.poll()
    watch.put("east_2.csv", csv(100, 200, 400))
    watch.poll()
    watch.put("east_2.csv", csv(150, 300, 400))  # a copy that was cut anew
    watch.poll()
    assert watch.counts() == {"folder:east": (300, 0), "folder:west": (300, 0)}


def test_a_missing_file_is_waited_for_and_a_broken_one_said_and_neither_stops_the_others(tmp_path: Path):
    watch = Watch(tmp_path, epoch_registry())
    watch.put("east.csv", b"when,what\n1,2\n")
    watch.poll()
    states = watch.folders.states()
    assert states["folder:west"].state == "waiting"
    assert "no file matches" in str(states["folder:west"].error)
    assert states["folder:east"].state == "error"
    assert f'{watch.root}/east.csv: has none of the columns "p"' in str(states["folder:east"].error)
    watch.put("west.csv", csv(0, 50, 410))
    watch.poll()
    assert watch.folders.states()["folder:west"].state == "ok"
    assert watch.folders.states()["folder:east"].state == "error"
    watch.put("east.csv", csv(0, 50, 400))
    watch.poll()
    assert watch.folders.states()["folder:east"].state == "ok"
    assert watch.counts() == {"folder:east": (50, 0), "folder:west": (50, 0)}


def test_refused_values_are_counted_once_with_their_row_in_the_whole_file(tmp_path: Path):
    watch = Watch(tmp_path, epoch_registry())
    watch.put("west.csv", csv(0, 3, 410))
    first = csv(0, 3, 400)
    watch.put("east.csv", first)
    watch.poll()
    watch.put("east.csv", first + b"1762000200,Bad\n1762000260,405\nsoon,406\n")
    watch.poll()
    watch.again()
    watch.poll()
    counts = {(c.tag, c.reason): (c.n, c.example) for c in watch.bench.journal.refusal_counts()}
    assert {key: n for key, (n, _) in counts.items()} == {("p", "not_a_number"): 1, ("time", "bad_time"): 1}
    assert counts["p", "not_a_number"][1] == '"Bad" in east.csv, row 5, is not a number'
    lines = [line for p in (watch.bench.folder / "refused").glob("*") for line in p.read_text().splitlines()]
    assert len(lines) == 2


def test_rows_of_the_future_are_refused_with_a_reason(tmp_path: Path):
    watch = Watch(tmp_path, epoch_registry())
    watch.put("west.csv", csv(0, 3, 410))
    watch.put("east.csv", b"time,p\n1762000020,400\n1864000020,401\n")
    watch.poll()
    (refused,) = watch.bench.journal.refusal_counts()
    assert (refused.reason, refused.n) == ("future_time", 1)
    assert watch.counts()["folder:east"] == (1, 0)


def test_a_log_folder_that_does_not_exist_is_said(tmp_path: Path):
    watch = Watch(tmp_path, epoch_registry())
    shutil.rmtree(watch.root)
    watch.poll()
    assert "no folder" in str(watch.folders.states()["folder:east"].error)
