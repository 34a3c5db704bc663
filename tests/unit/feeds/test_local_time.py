"""Local clocks through the hours that happen twice or not at all, against Python's zoneinfo."""

import zoneinfo
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from steadyhead.feeds.local_time import to_utc

# Zones whose clocks move by an hour in autumn and spring, by half an hour (Lord Howe), at midnight (Beirut),
# with a summer that is the zone's standard time (Dublin), and not at all.
NIGHTS = [
    ("Europe/London", "2024-10-26T20:00", "2024-10-27T06:00"),
    ("Europe/London", "2024-03-30T20:00", "2024-03-31T06:00"),
    ("Europe/Dublin", "2024-10-26T20:00", "2024-10-27T06:00"),
    ("America/New_York", "2024-11-03T00:00", "2024-11-03T12:00"),
    ("America/New_York", "2024-03-10T00:00", "2024-03-10T12:00"),
    ("Australia/Lord_Howe", "2024-04-06T10:00", "2024-04-06T20:00"),
    ("Asia/Beirut", "2023-10-28T16:00", "2023-10-29T04:00"),
    ("Etc/GMT+6", "2024-11-03T00:00", "2024-11-03T12:00"),
]


def instants(start, end, step_s):
    first = datetime.fromisoformat(start).replace(tzinfo=UTC)
    count = int((datetime.fromisoformat(end).replace(tzinfo=UTC) - first).total_seconds() // step_s)
    return [first + timedelta(seconds=step_s * n) for n in range(count)]


def as_local_us(times, zone):
    """The wall clock at each instant, by zoneinfo."""
    local = [t.astimezone(zoneinfo.ZoneInfo(zone)).replace(tzinfo=None) for t in times]
    return np.array(local, dtype="datetime64[us]").astype(np.int64)


def as_us(times):
    return np.array([t.replace(tzinfo=None) for t in times], dtype="datetime64[us]").astype(np.int64)


@pytest.mark.parametrize(("zone", "start", "end"), NIGHTS)
@pytest.mark.parametrize("step_s", [10, 60, 900])
def test_a_full_log_through_the_night_is_placed_as_zoneinfo_says(zone, start, end, step_s):
    times = instants(start, end, step_s)
    placed = to_utc(as_local_us(times, zone), zone, 1.5 * step_s)
    assert not placed.is_ambiguous.any()
    assert not placed.is_missing.any()
    assert (placed.us == as_us(times)).all()


def without(times, first, last):
    """The log with a gap: instants from ``first`` to ``last`` (UTC times of day, not included) left out."""
    return [t for t in times if not first <= t.strftime("%H:%M") < last]


LONDON = (
    "Europe/London",
    instants("2024-10-26T22:00", "2024-10-27T04:00", 900),
)  # 00:00Z and 01:00Z are 01:00


def test_with_the_second_pass_missing_the_first_joins_what_was_before():
    zone, times = LONDON
    times = without(times, "01:00", "03:00")
    placed = to_utc(as_local_us(times, zone), zone, 1350)
    assert not placed.is_ambiguous.any()
    assert (placed.us == as_us(times)).all()


def test_with_the_first_pass_missing_the_second_joins_what_comes_after():
    zone, times = LONDON
    times = [t for t in times if not (t.day == 26 or t.strftime("%H:%M") < "01:00")]
    placed = to_utc(as_local_us(times, zone), zone, 1350)
    assert not placed.is_ambiguous.any()
    assert (placed.us == as_us(times)).all()


def test_one_pass_that_joins_both_sides_is_not_guessed_at():
    zone, times = LONDON
    local = as_local_us(without(times, "01:00", "02:00"), zone)
    placed = to_utc(local, zone, 1350)
    assert placed.is_ambiguous.sum() == 4
    clock = local[placed.is_ambiguous].astype("datetime64[us]").astype("datetime64[m]").astype(str)
    assert clock.tolist() == [f"2024-10-27T01:{m:02d}" for m in (0, 15, 30, 45)]


def test_a_pass_that_joins_neither_side_is_not_guessed_at():
    zone, times = LONDON
    local = as_local_us([t for t in times if t.strftime("%H:%M") in ("00:15", "00:30")], zone)
    assert to_utc(local, zone, 1350).is_ambiguous.all()


@pytest.mark.parametrize("order", [[0, 0, 1, 1, 2, 2, 3, 3], [0, 1, 3, 2], [0, 1, 0, 1, 0, 1]])
def test_an_order_that_no_clock_makes_is_not_guessed_at(order):
    base = as_local_us([datetime(2024, 10, 27, 0, 0, tzinfo=UTC)], "Europe/London")[0]
    local = base + 900_000_000 * np.array(order)
    assert to_utc(local, "Europe/London", 1350).is_ambiguous.all()


def test_hours_the_clock_skips_are_missing():
    # Published (zoneinfo): New York 2024-03-10 02:30 does not exist.
    local = np.array(["2024-03-10T01:45", "2024-03-10T02:30", "2024-03-10T03:00"], dtype="datetime64[us]")
    placed = to_utc(local.astype(np.int64), "America/New_York", 1350)
    assert placed.is_missing.tolist() == [False, True, False]
    assert placed.us[[0, 2]].astype("datetime64[us]").astype("datetime64[m]").astype(str).tolist() == [
        "2024-03-10T06:45",
        "2024-03-10T07:00",
    ]


def test_a_file_through_the_change_reads_in_order_and_says_what_it_cannot_place(read, refused):
    text = "time,PT2\n" + "\n".join(
        f"{clock},{n}"
        for n, clock in enumerate(
            [
                *("2024-10-27 00:45", "2024-10-27 01:00", "2024-10-27 01:15", "2024-10-27 01:30"),
                *("2024-10-27 01:45", "2024-10-27 01:00", "2024-10-27 01:15", "2024-10-27 02:00"),
                "2025-03-30 01:30",
                "2025-03-30 02:00",
            ]
        )
    )
    log = read({"a.csv": text}, time_zone="Europe/London")
    times = log.series["outlet"].times_s.astype("datetime64[s]").astype("datetime64[m]").astype(str).tolist()
    assert times == [
        *("2024-10-26T23:45", "2024-10-27T00:00", "2024-10-27T00:15", "2024-10-27T00:30"),
        *("2024-10-27T00:45", "2024-10-27T01:00", "2024-10-27T01:15", "2024-10-27T02:00"),
        "2025-03-30T01:00",
    ]
    assert refused(log) == [("a.csv", 10, "time", "2025-03-30T01:30:00", "missing_hour")]
    assert "fixed time_zone" in log.rejects.summary()[0]


def test_tags_of_a_long_file_are_each_followed_through_the_change(read):
    times = instants("2024-10-27T00:00", "2024-10-27T02:00", 900)
    clocks = [t.astimezone(zoneinfo.ZoneInfo("Europe/London")).strftime("%Y-%m-%d %H:%M") for t in times]
    rows = [f"{clock},{tag},1" for tag in ("PT2", "FT1") for clock in clocks]  # tag after tag
    log = read(
        {"a.csv": "time,tag,value\n" + "\n".join(rows)},
        source={"layout": "long"},
        tags=("outlet", "flow"),
        time_zone="Europe/London",
    )
    assert log.rejects.total == 0
    for series in log.series.values():
        assert series.times_s.tolist() == [int(t.timestamp()) for t in times]


def test_a_log_from_new_to_old_is_turned_round_before_its_order_is_read(read):
    zone, times = LONDON
    clocks = [t.astimezone(zoneinfo.ZoneInfo(zone)).strftime("%Y-%m-%d %H:%M") for t in times]
    rows = [f"{clock},{n}" for n, clock in enumerate(clocks)][::-1]
    log = read({"a.csv": "time,PT2\n" + "\n".join(rows)}, time_zone=zone)
    assert log.series["outlet"].times_s.tolist() == [int(t.timestamp()) for t in times]
    assert log.rejects.notes == ["a.csv runs from new to old and was turned round"]


def test_times_with_and_without_offset_may_stand_in_one_column(read):
    text = (
        "time,PT2\n2024-07-01 12:00,1\n2024-07-01T12:15:00+01:00,2\n2024-07-01T11:30Z,3\n2024-07-01 12:45,4\n"
    )
    log = read({"a.csv": text}, time_zone="Europe/London")
    assert np.diff(log.series["outlet"].times_s).tolist() == [900, 900, 900]
    assert log.series["outlet"].values.tolist() == [1, 2, 3, 4]
