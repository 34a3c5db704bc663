# ruff: noqa: E501  whole messages and whole files stand on one line each
"""Logs in the dialects historians write give the same readings."""

import gzip
import io

import numpy as np
import pandas as pd
import pytest

T0 = 1_704_067_200  # 2024-01-01T00:00Z, by hand: 19723 days of 86400 s
PLAIN = "time,PT2\n2024-01-01 00:00,400.5\n2024-01-01 00:15,401.5\n"
SEMICOLONS = "Zeit;Druck\n01.01.2024 00:00;400,5\n01.01.2024 00:15;401,5\n"
GERMAN = {
    "time_column": "Zeit",
    "columns": {"outlet": "Druck"},
    "time_format": "%d.%m.%Y %H:%M",
    "decimal": ",",
}


def parquet(frame, **options):
    buffer = io.BytesIO()
    frame.to_parquet(buffer, **options)
    return buffer.getvalue()


TIMES = pd.to_datetime(["2024-01-01 00:00", "2024-01-01 00:15"])
FILES = {
    "plain": (PLAIN, {}),
    "windows line ends": (PLAIN.replace("\n", "\r\n"), {}),
    "mixed line ends": (PLAIN.replace("\n", "\r\n", 2), {}),
    "old line ends": (PLAIN.replace("\n", "\r"), {}),
    "no last line end": (PLAIN.rstrip(), {}),
    "blank lines": (PLAIN.replace("\n", "\n\n") + "\n  \n", {}),
    "byte order mark": (b"\xef\xbb\xbf" + PLAIN.encode(), {}),
    "utf-16 with mark": (PLAIN.encode("utf-16"), {}),
    "utf-16 declared": (PLAIN.encode("utf-16-be"), {"encoding": "utf-16-be"}),
    "latin heading": (PLAIN.replace("PT2", "Drück").encode("latin-1"), {"encoding": "latin-1", "columns": {"outlet": "Drück"}}),
    "gzip": (gzip.compress(PLAIN.encode()), {}),
    "tab": (PLAIN.replace(",", "\t"), {}),
    "pipe": (PLAIN.replace(",", "|"), {"delimiter": "pipe"}),
    "semicolon and decimal comma": (SEMICOLONS, GERMAN),
    "spreadsheet separator line": ("sep=;\n" + SEMICOLONS, GERMAN),
    "quoted with spaces": ('"time" , "PT2"\n"2024-01-01 00:00"," 400.5 "\n"2024-01-01 00:15","401.5"\n', {}),
    "rows above the heading": ("Export of 2024\nby;the historian\n\n" + PLAIN, {"skip_rows": 3}),
    "no heading": (PLAIN.split("\n", 1)[1], {"column_names": ["time", "PT2"]}),
    "date apart": (PLAIN.replace("-01 ", "-01,").replace("time", "day,time"), {"date_column": "day"}),
    "with offset": (PLAIN.replace(":00,", ":00+00:00,").replace(":15,", ":15Z,"), {"time_zone": "Asia/Tokyo"}),
    "epoch": (f"time,PT2\n{T0},400.5\n{T0 + 900},401.5\n", {"time_format": "epoch_s"}),
    "epoch with fraction": (f"time,PT2\n{T0}.0,400.5\n{T0 + 899}.25,401.5\n", {"time_format": "epoch_s"}),
    "epoch ms": (f"time,PT2\n{T0}000,400.5\n{T0 + 900}000,401.5\n", {"time_format": "epoch_ms"}),
    "twelve hours": (
        "time,PT2\n01/01/2024 12:00 AM,400.5\n1/1/2024 12:15 AM,401.5\n",
        {"time_format": "%m/%d/%Y %I:%M %p"},
    ),
    "long": (
        "time,tag,value\n2024-01-01 00:00,PT2,400.5\n2024-01-01 00:00,other,1\n2024-01-01 00:15,PT2,401.5\n",
        {"layout": "long"},
    ),
    "new to old": ("time,PT2\n2024-01-01 00:15,401.5\n2024-01-01 00:00,400.5\n", {}),
    "parquet": (parquet(pd.DataFrame({"time": TIMES, "PT2": [400.5, 401.5]})), {}),
    "parquet with zone": (parquet(pd.DataFrame({"time": TIMES.tz_localize("UTC").tz_convert("Asia/Tokyo"), "PT2": [400.5, 401.5]})), {}),
    "parquet of text": (parquet(pd.DataFrame({"time": TIMES.astype(str), "PT2": ["400.5", "401.5"]})), {}),
    "parquet of single floats": (parquet(pd.DataFrame({"time": TIMES, "PT2": np.float32([400.5, 401.5])})), {}),
    "parquet of categories": (
        parquet(pd.DataFrame({"time": TIMES, "tag": pd.Categorical(["PT2"] * 2), "value": [400.5, 401.5]})),
        {"layout": "long"},
    ),
}  # fmt: skip


@pytest.mark.parametrize(("content", "source"), FILES.values(), ids=FILES.keys())
def test_every_dialect_gives_the_same_readings(read, content, source):
    log = read({"log.dat": content}, source=source)
    series = log.series["outlet"]
    assert series.times_s.tolist() == [T0, T0 + 900]
    assert series.values.tolist() == [400.5, 401.5]
    assert log.rejects.total == 0
    assert log.rejects.missing == 0


def test_units_scale_and_offset_are_applied_in_this_order(read):
    log = read({"a.csv": PLAIN}, tags={"outlet": {"tag": "PT2", "unit": "m", "scale": 0.1, "offset": -5}})
    # By hand: (400.5 * 0.1 - 5) m = 35.05 m of 9.80665 kPa.
    assert log.series["outlet"].values[0] == pytest.approx(35.05 * 9.80665)


def test_many_files_and_sources_make_one_series(read):
    files = {f"p/day_{n}.csv": f"time,PT2\n2024-01-{n:02d} 00:00,{n}\n" for n in range(1, 13)}
    files["q/flow.csv"] = "when,Mean\n2024-01-01 00:00,7\n"
    log = read(
        files,
        source=[{"path": "p/*.csv"}, {"path": "q/*.csv", "columns": {"flow": "Mean"}, "time_column": "when"}],
        tags=("outlet", "flow"),
    )
    assert log.series["outlet"].values.tolist() == list(range(1, 13))
    assert log.series["flow"].values.tolist() == [7]
    assert log.rejects.out_of_order == 0


def test_a_second_header_block_of_blocks_is_read_whole(read):
    # More than one 8 MB block, so that rows are counted across blocks.
    rows = "".join(f"{T0 + n},{n % 700}.25\n" for n in range(600_000))
    log = read(
        {"big.csv": "time,PT2\n" + rows + "broken\n" + f"{T0 + 600_000},x\n"},
        source={"time_format": "epoch_s"},
    )
    assert len(log.series["outlet"].times_s) == 600_001
    assert {(b.reason, b.rows.tolist()[0]) for b in log.rejects.blocks} == {
        ("broken_row", 600_002),
        ("not_a_number", 600_003),
    }


def test_a_mean_stamped_at_its_start_is_known_a_step_later(read):
    log = read({"a.csv": PLAIN}, averaged=True, stamped="start")
    assert log.series["outlet"].times_s.tolist() == [T0 + 900, T0 + 1800]


def test_a_stamp_within_the_jitter_counts_for_its_row_and_fractions_round_up(read):
    text = f"time,PT2\n{T0}.4,1\n{T0 + 900}.6,2\n"
    log = read({"a.csv": text}, source={"time_format": "epoch_s"})
    assert log.series["outlet"].times_s.tolist() == [T0 + 1, T0 + 901]
    log = read({"a.csv": text}, source={"time_format": "epoch_s"}, jitter_s=0.5)
    assert log.series["outlet"].times_s.tolist() == [T0, T0 + 901]
