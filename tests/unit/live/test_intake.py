"""What is pushed is taken, refused with a reason or called late, item by item; no good one is lost."""

from __future__ import annotations

import json
import re
from pathlib import Path

import numpy as np
import pytest
from live_bench import START_S, Bench, Times, item

from steadyhead.errors import IntakeError, JournalError
from steadyhead.live.reports import from_bytes
from steadyhead.readings import quality as flag
from steadyhead.units import PSI_KPA, US_GALLON_L


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path)


def kept(bench: Bench) -> list[tuple[str, int, float, float, int]]:
    """(station, role, second, value, flags) of everything in the journal."""
    rows = []
    for record in bench.journal.read(0):
        reports = from_bytes(record.body)
        rows += [
            (reports.names[w], int(r), us / 1e6, v, int(f))
            for w, r, us, v, f in zip(
                reports.which, reports.role, reports.us, reports.values, reports.flags, strict=True
            )
        ]
    return rows


def only_refusal(bench: Bench, one: object) -> tuple[str, str]:
    answer = bench.push([one])  # type: ignore[list-item]
    assert (answer.accepted, answer.late, len(answer.refused)) == (0, 0, 1), answer
    assert answer.refused[0].index == 0
    return answer.refused[0].where, answer.refused[0].reason


@pytest.mark.parametrize("form", ["list", "object", "single"])
def test_items_come_as_a_list_an_object_or_one_alone(bench: Bench, form: str):
    one = item("solo", "outlet", START_S, 400.5)
    body = {"list": [one], "object": {"readings": [one]}, "single": one}[form]
    answer = bench.intake.push_json(json.dumps(body).encode(), "test")
    assert (answer.accepted, answer.refused) == (1, [])
    assert kept(bench) == [("solo", 1, START_S, 400.5, 0)]


def test_roles_tags_and_several_values_mean_the_same(bench: Bench):
    bench.push([item("solo", "inlet", START_S, 700.0), item("solo", "flow", START_S, 36.0)])
    bench.push([{"station": "east", "tag": "PIN", "time": START_S, "value": 700.0}])
    bench.push([{"station": "east", "tag": "FLOW", "time": START_S, "value": 36}])
    bench.push([{"station": "west", "time": START_S, "values": {"inlet": 700.0, "FLOW": 36.0}}])
    assert [(role, value) for _, role, _, value, _ in kept(bench)] == [(0, 700.0), (2, 10.0)] * 3


@pytest.mark.parametrize(
    "time",
    [
        "2026-03-01T00:00:00Z",
        "2026-03-01T01:00:00+01:00",
        "2026-03-01T01:00:00",
        "2026-03-01 01:00:00.0",
        START_S,
        float(START_S),
    ],
)
def test_times_are_iso_or_seconds_and_local_without_an_offset(bench: Bench, time: object):
    bench.push([{"station": "solo", "role": "outlet", "time": time, "value": 1.0}])
    assert kept(bench)[0][2] == START_S


def test_units_scale_and_offset_are_the_registrys_unless_a_unit_is_sent(bench: Bench):
    bench.push(
        [
            item("imperial", "inlet", START_S, 100.0),
            item("imperial", "outlet", START_S, 600.0),  # scale 0.1
            item("imperial", "flow", START_S, 1.0),
            item("imperial", "inlet", START_S + 60, 7.0, unit="bar"),
            item("imperial", "outlet", START_S + 60, 600.0, unit="PSI"),
        ]
    )
    # 1 psi = 6.894757 kPa, 1 gpm = 0.0630902 L/s: NIST SP 811, Appendix B.8
    values = [value for _, _, _, value, _ in kept(bench)]
    assert values == pytest.approx([689.4757, 60 * 6.894757, 0.0630902, 700.0, 60 * 6.894757], rel=1e-6)
    assert values[0] == 100.0 * PSI_KPA
    assert values[2] == US_GALLON_L / 60


def test_a_stamp_that_is_a_little_late_counts_for_its_row(bench: Bench):
    bench.push([item("quick", "outlet", START_S + 2, 400.0), item("quick", "outlet", START_S + 18, 401.0)])
    assert [at for _, _, at, _, _ in kept(bench)] == [START_S, START_S + 16]  # 2 s of jitter are allowed


BAD = {
    "no object": (17, "", "is no object"),
    "no station": ({"role": "outlet", "time": 1, "value": 2}, "station", "has no station"),
    "unknown station": (item("sola", "outlet", START_S, 1.0), "station", 'no station .* did you mean "?solo'),
    "station of another kind": (item([1], "outlet", START_S, 1.0), "station", "no station"),  # type: ignore[arg-type]
    "misspelt key": (item("solo", "outlet", START_S, 1.0, qualty="bad"), "item", "not a known key.*quality"),
    "role and tag": (item("solo", "outlet", START_S, 1.0, tag="POUT"), "item", "one of role and tag"),
    "unknown role": (item("solo", "oulet", START_S, 1.0), "role", "neither a role nor a tag"),
    "no such channel": (item("solo", "command", START_S, 1.0), "role", "neither a role nor a tag"),
    "no time": ({"station": "solo", "role": "outlet", "value": 2.0}, "item", "has no time"),
    "no such time": (item("solo", "outlet", "yesterday", 1.0), "time", "not a time"),  # type: ignore[arg-type]
    "milliseconds": (item("solo", "outlet", START_S * 1000, 1.0), "time", "seconds since 1970"),
    "lost clock": (item("solo", "outlet", 5.0, 1.0), "time", "before 1990"),
    "true as time": (item("solo", "outlet", True, 1.0), "time", "not a time"),
    "no value": ({"station": "solo", "role": "outlet", "time": START_S}, "item", "has no value"),
    "null": (item("solo", "outlet", START_S, None), "value", "no value"),  # type: ignore[arg-type]
    "unknown unit": (item("solo", "outlet", START_S, 1.0, unit="furlong"), "value", "not a known unit"),
    "flow unit": (item("solo", "outlet", START_S, 1.0, unit="L/s"), "value", "not of pressure"),
    "unit no text": (item("solo", "outlet", START_S, 1.0, unit=7), "value", "is no text"),
    "unit beside a scale": (item("imperial", "outlet", START_S, 1.0, unit="kPa"), "value", "has scale"),
    "empty values": ({"station": "solo", "time": START_S, "values": {}}, "item", "values holds"),
    "values and unit": ({"station": "solo", "time": 1, "values": {"inlet": 1}, "unit": 2}, "item", "in plac"),
}  # fmt: skip


@pytest.mark.parametrize("name", BAD)
def test_a_bad_item_is_refused_with_place_and_reason(bench: Bench, name: str):
    one, where, reason = BAD[name]
    found = only_refusal(bench, one)
    assert found[0] == where
    assert re.search(reason, found[1]), found[1]
    assert kept(bench) == []


GAPS = {
    "text": (item("solo", "outlet", START_S, "400"), "without quotes", flag.NOT_A_NUMBER),  # type: ignore[arg-type]
    "true": (item("solo", "outlet", START_S, True), "not a number", flag.NOT_A_NUMBER),
    "sentinel": (item("solo", "outlet", START_S, -999.0), "marks a missing value", flag.SENTINEL),
    "huge": (item("solo", "outlet", START_S, 3.4e38), "marks a missing value", flag.SENTINEL),
    "above range": (item("solo", "outlet", START_S, 1501.0), "outside the range", flag.OUT_OF_RANGE),
    "below vacuum": (item("solo", "inlet", START_S, -150.0), "outside the range", flag.OUT_OF_RANGE),
    "bad quality": (item("solo", "outlet", START_S, 400.0, quality="bad"), "is bad", flag.BAD_QUALITY),
    "bad code": (item("solo", "outlet", START_S, 400.0, quality=24), "is bad", flag.BAD_QUALITY),
    "uncertain": (item("solo", "outlet", START_S, 400.0, quality=64), "uncertain", flag.BAD_QUALITY),
    "unknown code": (item("solo", "outlet", START_S, 4.0, quality="purple"), "not known", flag.BAD_QUALITY),
}


@pytest.mark.parametrize("name", GAPS)
def test_a_value_that_is_refused_leaves_a_gap_at_its_time(bench: Bench, name: str):
    one, reason, bit = GAPS[name]
    assert reason in only_refusal(bench, one)[1]
    ((_, _, at, value, flags),) = kept(bench)
    assert (at, np.isnan(value), flags) == (START_S, True, int(bit))


@pytest.mark.parametrize("quality", ["good", "GOOD", 192, "ok", 216])
def test_good_quality_is_taken(bench: Bench, quality: object):
    assert bench.push([item("solo", "outlet", START_S, 400.0, quality=quality)]).accepted == 1


def test_the_good_ones_of_a_batch_are_kept_and_the_bad_ones_named(bench: Bench):
    batch = [
        item("solo", "outlet", START_S, 400.0),
        item("nowhere", "outlet", START_S, 400.0),
        {"station": "solo", "time": START_S, "values": {"inlet": 700.0, "outlet": "x", "steam": 1.0}},
        item("east", "outlet", START_S, 410.0),
    ]
    answer = bench.push(batch)
    assert (answer.accepted, answer.late) == (3, 0)
    assert [(r.index, r.where) for r in answer.refused] == [
        (1, "station"), (2, "values.outlet"), (2, "values.steam"),
    ]  # fmt: skip
    kept_file = next((bench.folder / "refused").glob("*.jsonl"))
    lines = [json.loads(line) for line in kept_file.read_text().splitlines()]
    assert [line["why"] for line in lines] == ["unknown_station", "not_a_number", "unknown_tag"]
    assert json.loads(lines[0]["item"]) == batch[1]
    counts = {(c.station, c.tag, c.reason): c.n for c in bench.journal.refusal_counts()}
    assert counts == {
        ("", "", "unknown_station"): 1,
        ("solo", "outlet", "not_a_number"): 1,
        ("solo", "steam", "unknown_tag"): 1,
    }


@pytest.mark.parametrize(("ahead_s", "is_taken"), [(299, True), (301, False)])
def test_the_future_begins_five_minutes_ahead_of_the_clock(bench: Bench, ahead_s: int, is_taken: bool):
    answer = bench.push([item("solo", "outlet", bench.times.wall_s + ahead_s, 400.0)])
    assert (answer.accepted == 1) is is_taken
    if not is_taken:
        assert "301 s ahead of this machine's clock, 300 s are allowed" in answer.refused[0].reason


def test_a_clock_that_was_set_back_refuses_nothing_true(tmp_path: Path):
    bench = Bench(tmp_path, times=Times())
    now_s = bench.times.wall_s
    bench.times.wall_s -= 3600
    bench.times.pass_(60)
    assert bench.push([item("solo", "outlet", now_s + 60, 400.0)]).accepted == 1


@pytest.mark.parametrize("zone_gap", ["2026-10-25T02:30:00", "2026-03-29T02:30:00"])
def test_a_local_time_that_is_shown_twice_or_never_is_refused(tmp_path: Path, zone_gap: str):
    bench = Bench(tmp_path, times=Times(1_800_000_000.0))
    where, reason = only_refusal(bench, item("solo", "outlet", zone_gap, 1.0))  # type: ignore[arg-type]
    assert where == "time"
    assert "with an offset" in reason


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"[", "not JSON"),
        (b"", "not JSON"),
        (b"7", "neither a list"),
        (b'{"readings": 7}', "neither a list"),
        (b'{"readings": [], "when": 1}', "beside readings"),
        (b"\xff\xfe", "not UTF-8"),
        (b"[" * 100_000, "not JSON"),
    ],
)
def test_a_body_that_cannot_be_read_is_refused_as_a_whole(bench: Bench, body: bytes, words: str):
    with pytest.raises(IntakeError, match=words):
        bench.intake.push_json(body, "test")
    assert bench.journal.last_no == 0


def test_nothing_is_accepted_before_the_run_has_begun_or_after_it(bench: Bench):
    bench.intake.shut()
    with pytest.raises(JournalError, match="starting or stopping"):
        bench.push([item("solo", "outlet", START_S, 400.0)])


# ---------------------------------------------------------------- line protocol


def lines(bench: Bench, text: str, precision: str = "s"):
    return bench.intake.push_lines(text.encode(), precision, "test")  # type: ignore[arg-type]


def test_line_protocol_means_the_same_as_json(bench: Bench):
    answer = lines(
        bench, f"any,station=solo,plant=x inlet=700,POUT=400.5,flow=36i {START_S}\n# a comment\n\n"
    )
    assert (answer.accepted, answer.refused) == (3, [])
    assert [row[1:4] for row in kept(bench)] == [(0, START_S, 700.0), (1, START_S, 400.5), (2, START_S, 10.0)]


@pytest.mark.parametrize(("precision", "factor"), [("s", 1), ("ms", 10**3), ("us", 10**6), ("ns", 10**9)])
def test_precision_says_what_the_stamps_count(bench: Bench, precision: str, factor: int):
    lines(bench, f"m,station=solo outlet=400 {START_S * factor}", precision)
    assert kept(bench)[0][2] == START_S


def test_a_line_without_a_time_is_of_now(bench: Bench):
    lines(bench, "m,station=solo outlet=400")
    assert kept(bench)[0][2] == bench.times.wall_s


@pytest.mark.parametrize(
    ("line", "where", "words"),
    [
        ("m,station=solo", "line", "1 parts"),
        ("m,station=solo outlet", "line", "not a field"),
        ("m,station=solo outlet=x 1", "line", "not a value"),
        ("m,station=solo outlet=1 noon", "line", "whole number"),
        ("m,site=solo outlet=1 1", "tag station", "no station"),
        ("m,station=solo battery=3.6 1772323200", "field battery", "neither a role nor a tag"),
        ('m,station=solo outlet="400" 1772323200', "field outlet", "not a number"),
        ("m,station=solo outlet=t 1772323200", "field outlet", "not a number"),
    ],
)
def test_a_bad_line_is_refused_with_place_and_reason(bench: Bench, line: str, where: str, words: str):
    answer = lines(bench, f"m,station=east outlet=400 {START_S}\n{line}")
    assert answer.accepted == 1
    ((index, found, reason),) = [(r.index, r.where, r.reason) for r in answer.refused]
    assert (index, found) == (1, where)
    assert words in reason


def test_an_unknown_precision_is_refused(bench: Bench):
    with pytest.raises(IntakeError, match="precision"):
        lines(bench, "m,station=solo outlet=1 1", "h")
