"""How a fleet is cut, where it runs, and how steps are said."""

from __future__ import annotations

import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.console import Console

from steadyhead.cli.over_stations import Steps
from steadyhead.cli.reading import bar
from steadyhead.config.load import parse_registry
from steadyhead.errors import FleetError
from steadyhead.fleet.crew import Lost, results_of, run
from steadyhead.fleet.lots import MOST, lot_size, lots_of
from steadyhead.fleet.outcome import Outcome
from steadyhead.fleet.place import AUTO, FEW, HERE, Place, parse_place
from steadyhead.fleet.told import At, Finished


def registry(zones: list[int | None]):
    stations = "\n".join(
        f"  s{n:03d}: {{{'' if zone is None else f'zone: z{zone}'}}}" for n, zone in enumerate(zones)
    )
    return parse_registry(
        "defaults: {time_zone: UTC, step_s: 60, tags: {outlet: {tag: o, unit: kPa}}, "
        "sources: [{path: x.csv}]}\n"
        f"stations:\n{stations}\n"
    )


@settings(deadline=None)  # registries are parsed, which takes its time on a busy machine
@given(st.lists(st.none() | st.integers(0, 4), min_size=1, max_size=30), st.integers(1, 9))
def test_every_station_is_in_one_lot_and_no_zone_is_cut(zones, most):
    described = registry(zones)
    names = list(described.stations)
    lots = lots_of(described, names, most)
    assert sorted(name for lot in lots for name in lot.names) == names
    at = {name: n for n, lot in enumerate(lots) for name in lot.names}
    for zone in {z for z in zones if z is not None}:
        assert len({at[name] for name, own in zip(names, zones, strict=True) if own == zone}) == 1
    for lot in lots:
        one_zone = len({described.stations[name].zone for name in lot.names}) == 1
        assert len(lot) <= most or one_zone


def test_a_lot_brings_the_neighbours_that_were_not_asked_for():
    described = registry([1, 1, 2, None])
    (lot,) = lots_of(described, ["s001"])
    assert lot.names == ("s001",)
    assert list(lot.registry.stations) == ["s001", "s000"]
    assert lot.registry.settings == described.settings


@pytest.mark.parametrize(
    ("word", "place"),
    [
        ("auto", AUTO),
        ("here", HERE),
        ("1", HERE),
        ("6", Place(processes=6)),
        ("tcp://10.0.0.5:8786", Place(scheduler="tcp://10.0.0.5:8786")),
        ("tls://fleet.example:8786", Place(scheduler="tls://fleet.example:8786")),
    ],
)
def test_a_place_is_read_from_a_word(word, place):
    assert parse_place(word) == place


@pytest.mark.parametrize("word", ["", "-1", "0", "1.5", "many", "9999999", "tcp:10.0.0.5", "http://a:1"])
def test_what_is_no_place_is_refused_with_what_may_be_written(word):
    with pytest.raises(FleetError, match=r"is no place to run on; write auto, here, a number"):
        parse_place(word)


def test_a_few_stations_start_no_process_and_many_take_the_cores(monkeypatch):
    monkeypatch.setattr("steadyhead.fleet.place.cores", lambda: 6)
    assert AUTO.processes_for(FEW, 10) == 1
    assert AUTO.processes_for(FEW + 1, 10) == 6
    assert AUTO.processes_for(1000, 2) == 2  # no more than there are jobs
    assert Place(processes=3).processes_for(1, 10) == 3
    assert lot_size(HERE, 1000) == MOST
    assert lot_size(AUTO, 30) == 1  # so that each of six has several
    assert lot_size(AUTO, 10_000) == MOST


def test_in_this_process_results_come_one_by_one_and_errors_go_through():
    begun = []

    def work(job: int, tell) -> int:
        begun.append(job)
        tell(At("read", str(job), 0.5))
        if job == 2:
            raise ValueError(job)
        return 10 * job

    heard: list[object] = []
    results = run(work, [0, 1, 2, 3], HERE, heard.append)
    assert (next(results), begun) == (0, [0])
    assert next(results) == 10
    with pytest.raises(ValueError, match="2"):
        next(results)
    assert begun == [0, 1, 2]
    assert len(heard) == 3


def test_work_that_must_be_whole_says_when_a_part_was_lost(monkeypatch):
    monkeypatch.setattr("steadyhead.fleet.crew.run", lambda *_: iter([1, Lost("job", 4)]))
    results = results_of(lambda job, tell: job, ["a", "b"], HERE)
    assert next(results) == 1
    with pytest.raises(FleetError, match="4 worker processes died"):
        next(results)


def test_a_step_is_said_once_when_all_lots_are_through_it_lost_ones_counted():
    text = io.StringIO()
    console = Console(file=text)
    (one, two) = lots_of(registry([1, 1, 2, 2]), ["s000", "s001", "s002", "s003"], 2)
    whole = Outcome()
    with bar(console) as progress:
        steps = Steps(console, progress, 4)
        steps.hear(Finished("read", 2, 1, 0.25, 1000))
        steps.hear(Finished("learn", 2, 1, 0.5))
        steps.lot_done(one)
        assert text.getvalue() == ""
        whole.give_up(Lost(two, 4))
        steps.lost(two)
    assert text.getvalue().splitlines() == [
        "Read 1 station, 1,000 rows (0.2 s).",
        "Learned 1 station (0.5 s).",
    ]
    assert list(whole.left_out) == ["s002", "s003"]
    assert "since 4 worker processes died while they had a lot of 2 stations" in whole.left_out["s002"]
